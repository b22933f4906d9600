"""Makes the guest ready: its base from Debian packages (kept), midwatch's wheel, and its disk.

``MIDWATCH_LAB`` names the folder in which all of it is kept, about 2.5 GB of which few are written;
without it that is ``tests/output/guest``. What is kept is built anew when what it is made of
changed. ``MIDWATCH_LAB_SUITE`` names another Debian than bookworm.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import platform
import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from tests.lab.guest.parcel import ROOT, build_wheel, fetch_needed, pack

HERE = Path(__file__).parent
PROGRAMS = (
    "qemu-system-x86_64", "debootstrap", "mke2fs", "depmod", "cpio", "busybox", "dpkg", "chroot",
    "setpriv",
)  # fmt: skip
PYTHON = {"bookworm": "3.11", "trixie": "3.13"}
BASE_SECONDS = 1200
IMAGE_SECONDS = 600


class CannotBuild(Exception):
    """A guest cannot be had here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """A guest that can be started."""

    image: Path  # folder with vmlinuz, initrd.img and root.ext4
    parcel: Path


def why_not() -> str | None:
    """Say what a guest machine lacks here, None when it can be tried."""
    if platform.machine() != "x86_64":
        return "needs an x86-64 machine"
    if os.geteuid() != 0:
        return "needs root (debootstrap)"
    extra = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/sbin"))
    lacking = [program for program in PROGRAMS if shutil.which(program, path=extra) is None]
    return f"needs {', '.join(lacking)}" if lacking else None


def digest(paths: Iterable[Path], *more: str) -> str:
    """Give a word that changes when one of the files does."""
    whole = hashlib.sha256("\0".join(more).encode())
    for path in sorted(paths):
        if path.is_file() and "__pycache__" not in path.parts:
            whole.update(str(path).encode() + b"\0" + path.read_bytes() + b"\0")
    return whole.hexdigest()[:16]


def ready() -> Ready:
    """Build what is not there yet; raises CannotBuild with the reason."""
    folder = Path(os.environ.get("MIDWATCH_LAB") or ROOT / "tests" / "output" / "guest")
    folder.mkdir(parents=True, exist_ok=True)
    suite = os.environ.get("MIDWATCH_LAB_SUITE") or "bookworm"
    with (folder / "lock").open("w", encoding="ascii") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # another run may build in the same folder
        base = _base(folder, suite)
        return _image(folder, base, suite)


def _once(folder: Path, stamp: str) -> bool:
    """Tell whether a folder holds what the stamp stands for; if not, it is made empty."""
    mark = folder / "made-of"
    if mark.exists() and mark.read_text(encoding="utf-8") == stamp:
        return True
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return False


def _run(words: list[str], seconds: float, log: Path) -> None:
    """Run a script at low priority; raises CannotBuild with the end of what it said."""
    with log.open("wb") as said:
        done = subprocess.run(
            ["nice", "-n", "5", "bash", *words],
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            timeout=seconds,
            check=False,
        )
    if done.returncode:
        end = log.read_text(encoding="utf-8", errors="replace").splitlines()[-3:]
        raise CannotBuild(f"{Path(words[0]).name} failed: {' / '.join(end)} (all of it: {log})")


def _base(folder: Path, suite: str) -> Path:
    """Build kernel, first step and root files from packages; a few minutes, once."""
    base = folder / f"base-{suite}"
    made_of = [HERE / "base.sh", HERE / "agent.py", *(HERE / "etc").rglob("*")]
    stamp = digest(made_of, suite)
    if not _once(base, stamp):
        _run([str(HERE / "base.sh"), str(base), suite], BASE_SECONDS, folder / "base.log")
        (base / "made-of").write_text(stamp, encoding="utf-8")
    return base


def _image(folder: Path, base: Path, suite: str) -> Ready:
    """Install midwatch's wheel into a copy of the root files, and make a disk of it."""
    image = folder / f"image-{suite}"
    source = [*(ROOT / "watcher").rglob("*"), *(ROOT / "systemd").rglob("*")]
    source += [ROOT / "pyproject.toml", HERE / "image.sh"]
    stamp = digest(source, (base / "made-of").read_text(encoding="utf-8"))
    parcel = image / "parcel.tar"
    if not _once(image, stamp):
        wheel = build_wheel(image)
        needed = fetch_needed(wheel, folder, PYTHON[suite])
        pack(parcel, wheel=wheel, needed=needed)
        unpacked = image / "parcel"
        shutil.copytree(ROOT / "systemd", unpacked / "systemd")
        shutil.copytree(needed, unpacked / "wheels")
        shutil.copy(wheel, unpacked / "wheels")
        for name in ("vmlinuz", "initrd.img"):
            (image / name).hardlink_to(base / name)
        words = [
            str(HERE / "image.sh"),
            str(base / "root"),
            str(unpacked),
            str(image / "root.ext4"),
        ]
        _run(words, IMAGE_SECONDS, folder / "image.log")
        shutil.rmtree(unpacked)
        (image / "made-of").write_text(stamp, encoding="utf-8")
    return Ready(image=image, parcel=parcel)
