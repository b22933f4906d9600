"""What the guest is given: midwatch as a built wheel, the wheels it needs, and systemd/.

One tar file, which the guest sees as a disk: no network and no shared folder is needed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
PLATFORMS = ("manylinux_2_28_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64", "any")


def build_wheel(into: Path, *, source: Path = ROOT) -> Path:
    """Build midwatch as a wheel; the source folder is not written to."""
    copy = into / "source"
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir(parents=True)
    leave = shutil.ignore_patterns("__pycache__", "*.pyc")
    shutil.copytree(source / "watcher", copy / "watcher", ignore=leave)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(source / name, copy / name)
    _pip("wheel", "--no-deps", "--wheel-dir", str(into), str(copy))
    shutil.rmtree(copy)
    (wheel,) = into.glob("midwatch-*.whl")
    return wheel


def fetch_needed(wheel: Path, cache: Path, python: str) -> Path:
    """Fetch the wheels that midwatch needs, for another Python; kept while its needs stay."""
    needs = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + python.encode()).hexdigest()
    folder = cache / f"wheels-{needs[:16]}"
    if not (folder / "whole").exists():
        shutil.rmtree(folder, ignore_errors=True)
        platforms = [word for name in PLATFORMS for word in ("--platform", name)]
        _pip(
            "download", "--only-binary=:all:", "--python-version", python,
            "--implementation", "cp", *platforms, "--dest", str(folder), str(wheel),
        )  # fmt: skip
        for own in folder.glob("midwatch-*.whl"):
            own.unlink()
        (folder / "whole").touch()
    return folder


def pack(target: Path, *, wheel: Path, needed: Path, systemd: Path = ROOT / "systemd") -> Path:
    """Write the tar file."""
    with tarfile.open(target, "w", format=tarfile.GNU_FORMAT) as tar:
        for one in (wheel, *sorted(needed.glob("*.whl"))):
            tar.add(one, f"wheels/{one.name}")
        tar.add(systemd, "systemd")
    size = target.stat().st_size  # a disk is made of whole sectors
    os.truncate(target, (size + 4095) // 4096 * 4096)
    return target


def _pip(*words: str) -> None:
    subprocess.run(
        [sys.executable, "-m", "pip", "-qqq", "--disable-pip-version-check", *words],
        check=True,
        cwd="/",
        stdin=subprocess.DEVNULL,
    )
