"""What the kernel counts of each disk: how long requests wait, and how much goes through.

Source: ``/sys/block/NAME/stat`` (kernel document block/stat.rst): one line of numbers since the
disk was found; read requests, merged, sectors of 512 bytes, milliseconds waited; the same for
writes; then in flight and more, 11 numbers before Linux 4.18, 15 and 17 since. Reading it asks the
disk nothing, so a sleeping one stays asleep.

Of two looks the difference is taken: the mean wait of all requests in between, and the bytes read
and written for each second. Not known, and never zero, when there is no look before, when the disk
was found anew, or when too few requests make no mean.

Traps:

* The milliseconds are printed as 32-bit numbers and begin anew at 2^32 (block/genhd.c).
* Requests that SMART is asked by are not counted; discards and flushes are left out here.
* A disk behind a controller's node (``/dev/bus/0``) has no line of its own. An NVMe drive is asked
  at its controller, which has none either: its namespaces have, and are added up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.facts.drive import DriveReading, Metric
from watcher.facts.identity import DriveId
from watcher.readers.block_map import BlockMap
from watcher.readers.drive_target import behind_controller
from watcher.readers.errors import CannotParse
from watcher.readers.host import Host

SOURCE = "block-counters"

SECTOR_BYTES = 512
"""Of these counters, whatever the disk's own sectors are (block/stat.rst)."""

FEWEST_REQUESTS = 100
"""Requests between two looks that make a mean. Our choice: fewer are one program's habit."""

LONGEST_WAIT_SECONDS = 600
"""A mean beyond this is a counter that began anew. Our choice: the kernel gives a command up after
30 s and tries it some five times."""

_TICKS = 1 << 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What the kernel counted of one disk since it was found."""

    requests: int
    read_bytes: int
    written_bytes: int
    read_ms: int  # of waiting, modulo 2^32
    written_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """What happened between two looks."""

    bytes_per_second: int
    wait_microseconds: int | None  # mean; None: too few requests


def parse(text: str) -> Counted:
    """Read one line of counters; raises CannotParse."""
    fields = text.split()
    if len(fields) < 11:
        raise CannotParse(SOURCE, "fewer than 11 counters", line=text.strip())
    if not all(one.isascii() and one.isdigit() and len(one) <= 20 for one in fields[:8]):
        raise CannotParse(SOURCE, "a counter is no number", line=text.strip())
    reads, _, read_sectors, read_ms, writes, _, written_sectors, written_ms = map(int, fields[:8])
    return Counted(
        requests=reads + writes,
        read_bytes=read_sectors * SECTOR_BYTES,
        written_bytes=written_sectors * SECTOR_BYTES,
        read_ms=read_ms % _TICKS,
        written_ms=written_ms % _TICKS,
    )


def between(before: Counted, now: Counted, seconds: float) -> Between | None:
    """Compare two looks; None when the counters began anew or no time passed."""
    requests = now.requests - before.requests
    moved = (now.read_bytes - before.read_bytes, now.written_bytes - before.written_bytes)
    if seconds <= 0 or requests < 0 or min(moved) < 0:
        return None
    waited_ms = (now.read_ms - before.read_ms) % _TICKS
    waited_ms += (now.written_ms - before.written_ms) % _TICKS
    mean = waited_ms * 1000 // requests if requests >= FEWEST_REQUESTS else None
    if mean is not None and mean > LONGEST_WAIT_SECONDS * 1_000_000:
        return None
    return Between(bytes_per_second=int(sum(moved) / seconds), wait_microseconds=mean)


def disks_of(reading: DriveReading, blocks: BlockMap | None) -> tuple[str, ...]:
    """Name the disks by which a drive is seen; none where they are not known."""
    name = reading.node.removeprefix("/dev/")
    if "/" in name or behind_controller(reading.device_type):
        return ()
    if blocks is None or blocks.block(name) is not None:
        return (name,)
    return tuple(block.kname for block in blocks.disks_of(reading.identity.drive))


def _sum(counted: Iterable[Counted]) -> Counted:
    """Add up what was counted of the disks of one drive."""
    all_of_them = tuple(counted)
    return Counted(
        requests=sum(one.requests for one in all_of_them),
        read_bytes=sum(one.read_bytes for one in all_of_them),
        written_bytes=sum(one.written_bytes for one in all_of_them),
        read_ms=sum(one.read_ms for one in all_of_them) % _TICKS,
        written_ms=sum(one.written_ms for one in all_of_them) % _TICKS,
    )


class BlockCounters:
    """Remembers the last look at each drive's counters."""

    def __init__(self) -> None:
        """Begin with no look before."""
        self._before: dict[DriveId, tuple[tuple[str, ...], datetime, Counted]] = {}

    def add(
        self,
        host: Host,
        readings: Iterable[DriveReading],
        now: datetime,
        blocks: BlockMap | None = None,
    ) -> tuple[DriveReading, ...]:
        """Give the readings with what the kernel counted since the last look."""
        return tuple(self._added(host, one, disks_of(one, blocks), now) for one in readings)

    def _added(
        self, host: Host, reading: DriveReading, names: tuple[str, ...], now: datetime
    ) -> DriveReading:
        try:
            counted = _sum(parse(host.read_text(f"/sys/block/{name}/stat")) for name in names)
        except (OSError, CannotParse):
            return reading  # not known; the drive itself was read
        drive = reading.identity.drive
        last = self._before.get(drive)
        self._before[drive] = (names, now, counted)
        if not names or last is None or last[0] != names:
            return reading
        found = between(last[2], counted, (now - last[1]).total_seconds())
        if found is None:
            return reading
        more: list[tuple[Metric, int]] = [
            (Metric.THROUGHPUT_BYTES_PER_SECOND, found.bytes_per_second)
        ]
        if found.wait_microseconds is not None:
            more.append((Metric.WAIT_MICROSECONDS, found.wait_microseconds))
        return replace(reading, metrics=(*reading.metrics, *more))
