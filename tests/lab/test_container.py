"""The run line of README for a container, rehearsed with what containers are made of.

No container program is at hand where these tests run. So the same is put together by hand: a Debian
root file system mounted read-only (the guest's disk, in which midwatch is installed), mount, host
name, IPC and process namespaces of its own, /tmp and /run in memory, the same folders from outside,
and the same three capabilities with no new privileges.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.guest.lab import ready_or_skip
from tests.lab.guest.parcel import ROOT
from tests.lab.guest.ready import why_not

LACKING = why_not() or (None if shutil.which("unshare") else "needs unshare")
pytestmark = [
    pytest.mark.lab,
    pytest.mark.skipif(LACKING is not None, reason=f"a rehearsal of a container {LACKING}"),
]

CAPABILITIES = ("SYS_RAWIO", "SYS_ADMIN", "SYSLOG")

INSIDE = """
set -e
mount --make-rprivate /
mount -t tmpfs tmpfs "$1/tmp"; mount -t tmpfs tmpfs "$1/run"
mount --rbind /dev "$1/dev"; mount -t proc proc "$1/proc"; mount --rbind /sys "$1/sys"
mkdir -p "$1/run/udev"; [ ! -d /run/udev ] || mount --bind /run/udev "$1/run/udev"
mount --bind "$2/state" "$1/var/lib/midwatch"
mount --bind "$2/etc" "$1/etc/midwatch"; mount -o remount,bind,ro "$1/etc/midwatch"
hostname boathouse
exec chroot "$1" /usr/bin/setpriv --no-new-privs --inh-caps=-all --bounding-set "$3" \\
    /usr/bin/env -i PATH=/opt/midwatch/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root \\
    /bin/bash -c "$4"
"""


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Mount the root file system, read-only."""
    made = ready_or_skip()
    at = tmp_path_factory.mktemp("root")
    words = ["mount", "-o", "loop,ro", str(made.image / "root.ext4"), str(at)]
    if subprocess.run(words, check=False).returncode:
        pytest.skip("a rehearsal of a container needs a loop device")
    try:
        yield at
    finally:
        subprocess.run(["umount", at], check=True)


def run(root: Path, folder: Path, command: str) -> str:
    """Run a command as the container would; gives what it printed."""
    for name in ("state", "etc"):
        (folder / name).mkdir(exist_ok=True)
    bounding = ",".join(["-all", *(f"+{name.lower()}" for name in CAPABILITIES)])
    done = subprocess.run(
        [
            *("unshare", "--mount", "--uts", "--ipc", "--pid", "--fork", "bash", "-c", INSIDE),
            *("inside", str(root), str(folder), bounding, command),
        ],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    return done.stdout + done.stderr


def test_the_capabilities_are_those_of_the_run_line() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert tuple(re.findall(r"--cap-add=(\w+)", text)) == CAPABILITIES
    for word in ("--read-only", "--cap-drop=all", "no-new-privileges", "--tmpfs /tmp"):
        assert word in text


def test_it_watches_keeps_its_history_and_can_write_nothing_else(
    root: Path, tmp_path: Path
) -> None:
    said = run(root, tmp_path, "touch /x /etc/midwatch/x; midwatch watch --once; echo end $?")
    assert said.count("Read-only file system") == 2
    assert "boathouse, " in said
    assert "end 0" in said, said
    assert "cannot be written" not in said
    assert (tmp_path / "state" / "midwatch.db").stat().st_size > 0
    again = run(root, tmp_path, "midwatch cases; echo end $?; grep CapBnd /proc/self/status")
    assert "end 0" in again, again
    bits = int(re.search(r"CapBnd:\s+([0-9a-f]+)", again)[1], 16)  # type: ignore[index]
    # capabilities(7) numbers them: 17, 21 and 34
    assert bits == 1 << 17 | 1 << 21 | 1 << 34
