"""A btrfs mirror on scratch files, to practise on: made, hurt, looked at, taken away again.

Programs: ``losetup`` (util-linux), ``mkfs.btrfs``, ``btrfs`` (btrfs-progs), ``mount``, ``umount``.
Everything lives in one new folder; the only devices touched are the loop devices that are attached
to files in it. Whatever happens, :meth:`Scratch.remove` unmounts, detaches and deletes.

Looked at by: ``btrfs filesystem show`` (a lost device shows as missing), ``btrfs filesystem
df`` (profiles: ``single`` left over after degraded writes means that some data has one copy only),
``btrfs scrub status`` (finished, and without errors).
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from watcher.readers.host import Ended, Host

DRIVE_BYTES: Final = 1024 * 1024 * 1024
"""Size of a scratch drive. Our choice: room enough; a file takes only what is written to it."""

BARE_BYTES: Final = 160 * 1024 * 1024
"""How much is written while a drive is missing."""

LABEL: Final = "practice"
_PROFILE: Final = re.compile(r"^(Data|System|Metadata), (\w+):", re.MULTILINE)


class CannotPractise(Exception):
    """There is no way to practise here; the sentence says what is lacking."""


@dataclass(slots=True)
class Scratch:
    """A mirror of two scratch drives, and a third one beside it."""

    host: Host
    folder: Path
    nodes: dict[int, str] = field(default_factory=dict)  # number of the drive → its node
    mounted: bool = False

    @property
    def at(self) -> Path:
        """Where it is mounted."""
        return self.folder / "mirror"

    def run(self, *words: str) -> str:
        """Run a program; CannotPractise with what it said when it does not do it."""
        ran = self.host.run(words, limit_seconds=120.0)
        if ran.ended is Ended.EXITED and ran.status == 0:
            return ran.stdout
        said = (ran.stderr.strip().splitlines() or [ran.ended.value])[-1]
        raise CannotPractise(f"{words[0]} did not work: {said}")

    def attach(self, number: int) -> str:
        """Attach a scratch drive, a new one or one that was lost."""
        image = self.folder / f"drive-{number}.img"
        if not image.exists():
            with image.open("wb") as file:
                file.truncate(DRIVE_BYTES)
        self.nodes[number] = self.run("losetup", "--find", "--show", str(image)).strip()
        return self.nodes[number]

    def build(self) -> None:
        """Make the mirror and write something into it."""
        one, two = self.attach(1), self.attach(2)
        self.attach(3)
        self.at.mkdir()
        self.run("mkfs.btrfs", "-q", "-L", LABEL, "-d", "raid1", "-m", "raid1", one, two)
        self.run("btrfs", "device", "scan", one, two)
        self.run("mount", one, str(self.at))
        self.mounted = True
        (self.at / "letter.txt").write_text("Nobody has another copy of this letter.\n")
        (self.at / "photo.bin").write_bytes(os.urandom(8 * 1024 * 1024))
        self.run("sync", "--file-system", str(self.at))

    def lose(self, number: int) -> None:
        """Take a drive away, and write with it missing, as life would."""
        self.run("umount", str(self.at))
        self.mounted = False
        node = self.nodes.pop(number)
        self.run("btrfs", "device", "scan", "--forget", node)
        self.run("losetup", "--detach", node)
        left = next(iter(self.nodes.values()))
        self.run("mount", "-o", "degraded", left, str(self.at))
        self.mounted = True
        # More than the room that is left in what exists: so new data gets one copy only.
        (self.at / "written-while-bare.bin").write_bytes(os.urandom(BARE_BYTES))
        self.run("sync", "--file-system", str(self.at))

    @property
    def has_missing(self) -> bool:
        """Whether a member is missing."""
        shown = self.run("btrfs", "filesystem", "show", str(self.at))
        return "missing" in shown.lower()

    @property
    def spare_joined(self) -> bool:
        """Whether the third drive is a member."""
        return self.nodes[3] in self.run("btrfs", "filesystem", "show", str(self.at))

    @property
    def has_single_copies(self) -> bool:
        """Whether some data has one copy only."""
        found = _PROFILE.findall(self.run("btrfs", "filesystem", "df", str(self.at)))
        return not found or any(profile != "RAID1" for _, profile in found)

    @property
    def was_scrubbed(self) -> bool:
        """Whether a scrub came to its end without an error."""
        said = self.run("btrfs", "scrub", "status", str(self.at))
        return "finished" in said and "no errors found" in said

    def remove(self) -> None:
        """Unmount, detach and delete; goes on over everything that fails."""
        if self.mounted:
            ran = self.host.run(("umount", str(self.at)), limit_seconds=60.0)
            self.mounted = ran.status != 0
        for node in self.nodes.values():
            self.host.run(("losetup", "--detach", node), limit_seconds=30.0)
        self.nodes.clear()
        if not self.mounted:
            shutil.rmtree(self.folder, ignore_errors=True)


def lacking(host: Host) -> str:
    """Say what keeps one from practising here; "" when nothing does."""
    if os.geteuid() != 0:
        return "It needs root, for loop devices and mounts."
    for words in (("losetup", "--version"), ("mkfs.btrfs", "--version"), ("btrfs", "version")):
        if host.run(words, limit_seconds=20.0).ended is not Ended.EXITED:
            return f"It needs {words[0]} (packages util-linux and btrfs-progs)."
    host.run(("modprobe", "btrfs"), limit_seconds=20.0)
    if "\tbtrfs\n" not in host.read_text("/proc/filesystems"):
        return "It needs a kernel with btrfs."
    if not host.exists("/dev/loop-control"):
        return "It needs a kernel with loop devices."
    return ""


def make_scratch(host: Host) -> Scratch:
    """Give an empty place to practise in. Raises CannotPractise with what is lacking."""
    reason = lacking(host)
    if reason:
        raise CannotPractise(reason)
    return Scratch(host=host, folder=Path(tempfile.mkdtemp(prefix="midwatch-practice-")))
