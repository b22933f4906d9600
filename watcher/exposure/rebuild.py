"""How long a rebuild, a pass or a scrub takes, before it has begun to show its own pace.

md and LVM rebuild the whole device. ZFS, btrfs and file-level parity rebuild what is used, not in
the order of the disk. Once the work runs, :mod:`watcher.exposure.forecast` is better.
"""

from __future__ import annotations

from dataclasses import dataclass

from watcher.exposure.life import DriveClass, DriveLife, Recording
from watcher.exposure.span import Span
from watcher.exposure.track import EVEN, INNER_TO_OUTER, pass_hours
from watcher.facts.checks import require_not_negative
from watcher.facts.pool import Member, Pool, PoolKind

OUTER_SPEEDS = (
    (4e12, 180e6),
    (8e12, 210e6),
    (16e12, 261e6),
    (18e12, 270e6),
    (20e12, 285e6),
)
"""Capacity in bytes and outermost speed in bytes per second of hard disks of 7,200 turns or less.

270 and 285 MB/s published with the drives (second hand); 180, 210 and 261 MB/s from memory of data
sheets. A 16 TB drive's own self-test time (1,405 min) fits 261 MB/s within 3%."""

FLASH_SPEED = 400e6
"""Bytes per second a flash drive behind SATA writes for hours: our choice, below its link."""

NVME_SPEED = 1.2e9
"""Bytes per second a flash drive on NVMe writes for hours once its cache is full: our choice."""

QUIET, ORDINARY, BUSY = 1.0, 1.15, 2.5
"""Factors on the drive's own pass time when the pool is idle: earliest, likely, latest.

A real copy of 12 TB by md took 21.3 h (measured June 2020), 1.13 times the 18.9 h that this
module's speeds give; the latest is common practice, no source."""

SCATTERED, SCATTERED_LATEST = 1.5, 4.0
"""Further factors where the stack rebuilds by file or by age and not in disk order: our choice,
because published resilver tests grow faster than the used bytes."""

SHINGLED, SHINGLED_LATEST = 4.0, 14.0
"""Factors for filling a shingled drive: latest from one published test (nine days against sixteen
hours, from memory), likely our choice."""

KERNEL_LIMIT = 200_000 * 1024.0
"""Bytes per second and member that the kernel lets a rebuild of md or LVM use unless somebody
raised it (``speed_limit_max``; kernel messages, "not more than 200000 KB/sec"). Flash could go
several times as fast and does not."""

SMALLEST_SHARE_LEFT = 0.05
"""However busy the users are, the rebuild keeps this share: md keeps a minimum speed too."""

_UNKNOWN_CAPACITY = (4e12, 12e12, 24e12)
"""Bytes per member when nothing is known of its size: a wide guess of drives in use; our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What else the drives must do during a rebuild, and what the kernel allows it."""

    busy_share: float = 0.2  # share of the drives' time that users take, 0 to 1
    limit_bytes_per_second: float | None = None  # set in the kernel, per member

    def __post_init__(self) -> None:
        """Check the numbers."""
        require_not_negative(self.busy_share, "busy_share")
        if self.busy_share > 1.0:
            raise ValueError(f"busy_share is a share of 1, got {self.busy_share}")
        if self.limit_bytes_per_second is not None and self.limit_bytes_per_second <= 0:
            raise ValueError("a limit of nothing would never end; use None for no limit")


def outer_speed(drive_class: DriveClass, capacity_bytes: float) -> float:
    """Give the outermost sustained speed of a drive, in bytes per second.

    Between the table's capacities in a straight line, beyond its ends the end's value. An unknown
    class counts as a hard disk, the slower one.
    """
    if drive_class is DriveClass.FLASH:
        return FLASH_SPEED
    if drive_class is DriveClass.NVME:
        return NVME_SPEED
    below = OUTER_SPEEDS[0]
    for above in OUTER_SPEEDS:
        if capacity_bytes <= above[0]:
            if above is below:
                return above[1]
            part = (capacity_bytes - below[0]) / (above[0] - below[0])
            return below[1] + part * (above[1] - below[1])
        below = above
    return below[1]


def curve_ratio(drive_class: DriveClass) -> float:
    """Give inner over outer speed: even for flash, 0.5 for anything that may turn."""
    return EVEN if drive_class in {DriveClass.FLASH, DriveClass.NVME} else INNER_TO_OUTER


def drive_pass_hours(
    drive_class: DriveClass, capacity_bytes: float, limit: float | None = None
) -> float:
    """Give the hours of one whole pass over a drive that does nothing else."""
    return pass_hours(
        capacity_bytes, outer_speed(drive_class, capacity_bytes), curve_ratio(drive_class), limit
    )


def reads_whole_device(kind: PoolKind) -> bool:
    """Tell whether a rebuild covers the whole device, used or not."""
    return kind in {PoolKind.MD, PoolKind.LVM, PoolKind.DECLARED}


_BY_THE_KERNEL = frozenset({PoolKind.MD, PoolKind.LVM})


def used_share(pool: Pool) -> float:
    """Give which share of a member a rebuild or a scrub must cover (0 to 1); 1 when not known."""
    if reads_whole_device(pool.kind) or pool.used_bytes is None or not pool.capacity_bytes:
        return 1.0
    return min(1.0, pool.used_bytes / pool.capacity_bytes)


def member_capacity(pool: Pool, member: Member | None, life: DriveLife | None) -> int | None:
    """Give the bytes of a member: its own, its drive's, or the largest that another one has."""
    if member is not None and member.capacity_bytes:
        return member.capacity_bytes
    if life is not None and life.capacity_bytes:
        return life.capacity_bytes
    known = [other.capacity_bytes for other in pool.in_tree if other.capacity_bytes]
    return max(known) if known else None


def rebuild_span(
    pool: Pool, load: Load, *, capacity_bytes: float | None, new: DriveLife | None
) -> Span:
    """Give how long filling one member takes, in hours.

    ``new`` is the drive that is filled, when it is known; its class and recording decide the
    speed. An unknown capacity gives a wide span, never a short one. Where no limit of the kernel is
    told, the usual one holds but for the earliest end: it may have been raised.
    """
    drive_class = new.drive_class if new else DriveClass.UNKNOWN
    shingled = new is not None and new.recording is Recording.SHINGLED
    share = used_share(pool)
    sizes = _UNKNOWN_CAPACITY if capacity_bytes is None else (capacity_bytes,) * 3
    told = load.limit_bytes_per_second
    usual = KERNEL_LIMIT if told is None and pool.kind in _BY_THE_KERNEL else told
    early, likely, late = (
        drive_pass_hours(drive_class, size, limit) * share
        for size, limit in zip(sizes, (told, usual, usual), strict=True)
    )
    left = max(SMALLEST_SHARE_LEFT, 1.0 - load.busy_share)
    early, likely, late = early * QUIET, likely * ORDINARY / left, late * BUSY / left
    if not reads_whole_device(pool.kind):
        likely, late = likely * SCATTERED, late * SCATTERED_LATEST / BUSY * ORDINARY
    if shingled:
        likely, late = likely * SHINGLED, late * SHINGLED_LATEST
    return Span.about(early, likely, max(late, likely))


def scrub_span(pool: Pool, load: Load, *, capacity_bytes: float | None, like: DriveLife) -> Span:
    """Give how long reading and comparing everything takes, in hours: a rebuild with no writing."""
    conventional = Recording.CONVENTIONAL
    reader = DriveLife(drive=like.drive, drive_class=like.drive_class, recording=conventional)
    return rebuild_span(pool, load, capacity_bytes=capacity_bytes, new=reader)


def burn_in_hours(
    drive_class: DriveClass, capacity_bytes: float, *, passes: int, self_test: bool
) -> float:
    """Give the hours of a burn-in: ``passes`` times a full write and a full read-back.

    An extended self-test is one more reading of everything. A test with four patterns, each
    written and read, is ``passes=4``: eight passes over the drive (badblocks(8), option -w).
    """
    turns = 2 * passes + (1 if self_test else 0)
    return turns * drive_pass_hours(drive_class, capacity_bytes)
