"""Drives that tell one name and are several: told apart by serial number, or by place.

Cheap bridges tell one made-up serial number for all drives in them, and some cheap drives share one
World Wide Name. Taken for one drive on two paths, one of them would never be read, and a pool of
both would seem to stand on one drive.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, Protocol

from watcher.facts.identity import DriveId, drive_id

AT: Final = "_at_"
"""Between the name that several drives tell and the place of one of them."""

BY_PATH: Final = "/dev/disk/by-path/"
_NOT_WORD = re.compile(r"[^0-9A-Za-z.+-]+")


class Disk(Protocol):
    """What the block layer tells of a disk."""

    @property
    def kname(self) -> str:
        """The kernel's name."""

    @property
    def model(self) -> str | None:
        """The model it tells."""

    @property
    def serial(self) -> str | None:
        """The serial number it tells."""


def twins_in(drives: Iterable[DriveId]) -> frozenset[DriveId]:
    """Give the names told by several drives, out of those by which they were told apart."""
    return frozenset(DriveId(drive.partition(AT)[0]) for drive in drives if AT in drive)


def told_apart(
    alike: Mapping[DriveId, Sequence[Disk]],
    links: Iterable[tuple[str, str]],
    twins: frozenset[DriveId],
) -> dict[str, tuple[DriveId, DriveId]]:
    """Give, for disks that share a name and are not one drive, that name and one of their own.

    ``alike`` has the disks by the name they tell, ``links`` other paths with the kernel's names,
    ``twins`` the names known to be told by several: a disk whose twin has left keeps the name that
    it was told apart by.
    """
    places = {k: p.removeprefix(BY_PATH) for p, k in reversed([*links]) if p.startswith(BY_PATH)}
    found: dict[str, tuple[DriveId, DriveId]] = {}
    for shared, disks in alike.items():
        serials = {disk.serial for disk in disks if disk.serial}
        two_paths = len(serials) < 2 and shared.startswith("wwn-")
        if shared not in twins and (len(disks) < 2 or two_paths):
            continue
        for disk in disks:
            others = [other for other in disks if other.serial == disk.serial]
            plain = drive_id(wwn=None, model=disk.model, serial=disk.serial)
            if plain is None or len(others) > 1 or plain in twins:
                place = _NOT_WORD.sub("_", places.get(disk.kname, disk.kname))
                plain = DriveId(f"{plain or shared}{AT}{place}")
            found[disk.kname] = shared, plain
    return found
