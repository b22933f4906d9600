"""Real drives for tests: files behind loop devices, and a real btrfs mirror on them.

Needs root, losetup, btrfs-progs and a kernel with btrfs and loop devices; :func:`why_not` says
in words what is lacking. Everything is undone at the end, whatever happened in between.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import uuid
from collections.abc import Iterator
from pathlib import Path

MIB = 1024 * 1024


def run(*argv: str | Path, check: bool = True) -> str:
    """Run a program and give what it printed; a failure names what it said."""
    done = subprocess.run(
        [str(word) for word in argv],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    if check and done.returncode:
        words = " ".join(str(word) for word in argv)
        raise RuntimeError(f"{words}: status {done.returncode}: {done.stderr.strip()}")
    return done.stdout


def why_not() -> str | None:
    """Say what keeps a btrfs on loop devices from working here; None when nothing does."""
    if os.geteuid() != 0:
        return "needs root for loop devices and mounts"
    for tool in ("losetup", "mkfs.btrfs", "btrfs", "mount", "umount"):
        if shutil.which(tool) is None:
            return f"needs {tool}"
    run("modprobe", "btrfs", check=False) if shutil.which("modprobe") else None
    if "\tbtrfs\n" not in Path("/proc/filesystems").read_text(encoding="ascii"):
        return "needs a kernel with btrfs"
    if not Path("/dev/loop-control").exists():
        return "needs a kernel with loop devices"
    return None


class LoopDrive:
    """A file behind a loop device."""

    def __init__(self, image: Path, *, size_mib: int) -> None:
        """Make the file and attach it."""
        self.image = image
        with image.open("wb") as file:
            file.truncate(size_mib * MIB)
        self.node: str | None = run("losetup", "--find", "--show", image).strip()

    @property
    def name(self) -> str:
        """Give the kernel name of an attached drive."""
        if self.node is None:
            raise RuntimeError(f"{self.image} is not attached")
        return self.node.removeprefix("/dev/")

    def pull(self) -> None:
        """Take the drive away. A mounted one goes only when it is unmounted."""
        if self.node is not None:
            run("btrfs", "device", "scan", "--forget", self.node, check=False)
            run("losetup", "--detach", self.node)
            self.node = None

    def plug(self) -> None:
        """Bring the same drive back; it may get another name."""
        if self.node is None:
            self.node = run("losetup", "--find", "--show", self.image).strip()


@contextlib.contextmanager
def loop_drives(folder: Path, count: int, *, size_mib: int = 300) -> Iterator[list[LoopDrive]]:
    """Give loop drives, and take them away at the end."""
    drives: list[LoopDrive] = []
    try:
        for number in range(count):
            drive = LoopDrive(folder / f"drive-{number}.img", size_mib=size_mib)
            drives.append(drive)  # one by one: what was attached is taken away
        yield drives
    finally:
        for drive in drives:
            if drive.node is not None:
                run("losetup", "--detach", drive.node, check=False)


class BtrfsMirror:
    """A btrfs raid1 that can be hurt and healed."""

    def __init__(self, drives: list[LoopDrive], at: Path, *, label: str) -> None:
        """Make the filesystem over all given drives and mount it."""
        self.drives = drives
        self.at = at
        at.mkdir(exist_ok=True)
        self.uuid = str(uuid.uuid4())
        nodes = [drive.node or "" for drive in drives]
        make = ("mkfs.btrfs", "-q", "-f", "-U", self.uuid, "-L", label)
        run(*make, "-d", "raid1", "-m", "raid1", *nodes)
        run("btrfs", "device", "scan", *nodes)
        self.mount()

    def mount(self, *, degraded: bool = False) -> None:
        """Mount it by its first drive that is there."""
        node = next(drive.node for drive in self.drives if drive.node is not None)
        options = ["-o", "degraded"] if degraded else []
        run("mount", *options, node, self.at)

    def unmount(self) -> None:
        """Unmount it."""
        run("umount", self.at)

    def write(self, name: str, mib: int = 8) -> None:
        """Write a file of random bytes and see it onto the drives."""
        (self.at / name).write_bytes(os.urandom(mib * MIB))
        run("sync", "--file-system", self.at)

    def lose(self, drive: LoopDrive) -> None:
        """Lose a drive: unmount, pull it, mount what is left, and write with it missing."""
        self.unmount()
        drive.pull()
        self.mount(degraded=True)
        self.write("written-while-degraded")

    def replace(self, devid: int, new: LoopDrive) -> None:
        """Put a new drive in the place of a lost one and wait until it is filled."""
        run("btrfs", "replace", "start", "-B", "-f", str(devid), new.node or "", self.at)
        self.drives = [drive for drive in self.drives if drive.node is not None] + [new]

    def convert(self) -> None:
        """Bring left-over single chunks to two copies."""
        soft = [f"-{kind}convert=raid1,soft" for kind in "dms"]
        run("btrfs", "balance", "start", "-f", *soft, self.at)

    def scrub(self) -> None:
        """Read and compare everything (status 3, uncorrectable errors, is no failure here)."""
        run("btrfs", "scrub", "start", "-B", self.at, check=False)


@contextlib.contextmanager
def btrfs_mirror(
    folder: Path, *, members: int = 2, spares: int = 1, label: str = "mirror"
) -> Iterator[tuple[BtrfsMirror, list[LoopDrive]]]:
    """Give a mounted btrfs mirror and the spare drives beside it; undone at the end."""
    with loop_drives(folder, members + spares) as drives:
        at = folder / "at"
        mirror = None
        try:
            mirror = BtrfsMirror(drives[:members], at, label=label)
            yield mirror, drives[members:]
        finally:
            run("umount", at, check=False)
            if mirror is not None:  # what btrfs-progs keeps of a scrub outlives the filesystem
                Path(f"/var/lib/btrfs/scrub.status.{mirror.uuid}").unlink(missing_ok=True)
