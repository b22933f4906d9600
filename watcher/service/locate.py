"""Makes a drive findable: by its enclosure's light, or by a rhythm on its own activity light.

Sources: the ``locate`` file of a slot below ``/sys/class/enclosure`` (drivers/misc/enclosure.c of
Linux, module ``ses``, from memory): writing 1 lights the slot's locating lamp, 0 puts it out. That
is harmless: it moves no data and touches no drive. Where there is no such lamp, reading sectors in
a rhythm makes the activity light of the drive (or of its bay) flash in a pattern that no ordinary
load has. Reads only; with O_DIRECT (open(2)), because what comes out of memory lights nothing.

The kernel's letters change from boot to boot, so the drive is looked up anew before anything
blinks: the light of another drive would have the wrong one pulled.

Traps: a drive that sleeps is woken by it; one that is dying may answer each read only after many
seconds; many boxes have one light for all drives.
"""

from __future__ import annotations

import errno
import mmap
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from watcher.facts.drive import DriveIdentity
from watcher.readers.blocks import read_blocks
from watcher.readers.enclosure import FOLDER, read_bays
from watcher.readers.errors import ReadError
from watcher.readers.host import Host

READ_BYTES: Final = 1 << 20
"""One read: long enough to light a lamp, short enough to stop at once; our choice."""

PATTERN: Final = ((0.25, 0.25), (0.25, 0.25), (0.9, 0.9))
"""Seconds of reading and of rest: short, short, long. Our choice: no ordinary load has it."""

_STEP: Final = 0.6180339887
"""Share of the drive from one read to the next (the golden section): the reads are spread over
the whole drive, so that its own memory does not answer them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """The locating light of a slot."""

    enclosure: str
    slot: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """Which disk a drive is now."""

    disk: str | None  # None: another drive is where it was, and it is nowhere else
    sure: bool = True  # False: nothing tells which drive is there


def seat_of(host: Host, who: DriveIdentity, last: str) -> Seat:
    """Find the disk (``sda``) that a drive is now; ``last`` is the one that it was.

    By the drive's id or its serial number, as the block layer tells them. Where that layer cannot
    be asked, or the disk tells nothing of itself, it stays ``last`` and is not sure.
    """
    try:
        blocks = read_blocks(host)
    except ReadError:
        return Seat(disk=last, sure=False)
    seen = {b.kname: known for b in blocks.blocks if (known := blocks.identity_of(b.kname))}
    mine = [
        disk
        for disk, known in seen.items()
        if known.drive == who.drive or (who.serial and known.serial == who.serial)
    ]
    if len(mine) == 1:
        return Seat(disk=mine[0])
    if last in mine:
        return Seat(disk=last, sure=False)
    told = seen.get(last)
    if told is None or not told.serial:
        return Seat(disk=last, sure=False)
    return Seat(disk=None)


def lamp_of(host: Host, disk: str) -> Lamp | None:
    """Give the locating light of the slot that a disk (``sda``) sits in; None: there is none."""
    for bay in read_bays(host):
        path = f"{FOLDER}/{bay.enclosure}/{bay.name}/locate"
        if disk in bay.disks and bay.locate_lit is not None and host.exists(path):
            return Lamp(enclosure=bay.enclosure, slot=bay.name, path=path)
    return None


def set_lamp(lamp: Lamp, *, on: bool) -> None:
    """Light a locating light, or put it out. Raises OSError when it cannot be set."""
    Path(lamp.path).write_text("1" if on else "0", encoding="ascii")


@dataclass(frozen=True, slots=True, kw_only=True)
class Blinked:
    """What came of a rhythm."""

    rounds: int
    reads: int
    failed: int  # reads that gave an error: the drive is there and cannot read that place


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """The world that a rhythm runs in: real for a person, counted in a test."""

    now: Callable[[], float]  # seconds, only ever rising
    wait: Callable[[float], bool]  # wait that long; True: stop now


def blink(read: Callable[[float], bool], beat: Beat, seconds: float) -> Blinked:
    """Read in the rhythm for ``seconds``, or until ``beat.wait`` says to stop.

    ``read`` gets a place as a share of the drive (0 to 1), and says whether it could be read.
    """
    end = beat.now() + seconds
    rounds = reads = failed = 0
    place = 0.0
    while beat.now() < end:
        for working, resting in PATTERN:
            until = min(beat.now() + working, end)
            while beat.now() < until:
                place = (place + _STEP) % 1.0
                reads += 1
                failed += not read(place)
            if beat.now() >= end or beat.wait(resting):
                return Blinked(rounds=rounds, reads=reads, failed=failed)
        rounds += 1
    return Blinked(rounds=rounds, reads=reads, failed=failed)


@contextmanager
def reader_of(node: str) -> Iterator[Callable[[float], bool]]:
    """Open a block device for reading past the cache, and give its reader.

    Opened read-only. Raises OSError when it cannot be opened, or goes away meanwhile; a place
    that cannot be read is no error here.
    """
    direct = getattr(os, "O_DIRECT", 0)
    handle = os.open(node, os.O_RDONLY | direct | os.O_CLOEXEC)
    try:
        size = os.lseek(handle, 0, os.SEEK_END)
        with mmap.mmap(-1, READ_BYTES) as buffer:  # a mapping begins on a page, as O_DIRECT wants

            def read(place: float) -> bool:
                blocks = max(size // READ_BYTES, 1)
                at = min(int(place * blocks), blocks - 1) * READ_BYTES
                try:
                    os.preadv(handle, [buffer], at)
                except OSError as error:
                    if error.errno in {errno.EIO, errno.ENODATA, errno.EREMOTEIO, errno.EILSEQ}:
                        return False
                    raise
                return True

            yield read
    finally:
        os.close(handle)
