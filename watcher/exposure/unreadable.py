"""Unreadable sectors: the chance of meeting one when every survivor must be read end to end.

Three sources, the best that is known: the drive's own pending sectors, the age of the last scrub,
and the specification class (a bound that makers promise, not an estimate).
"""

from __future__ import annotations

import math

from watcher.exposure.figure import NONE, Figure
from watcher.exposure.life import HOURS_PER_YEAR, DriveClass, DriveLife

BITS_PER_BYTE = 8  # drives are specified per bit

DESKTOP_DISK_RATE = 1e-14
"""Unreadable sectors per bit read that desktop hard disks are specified for (product manuals:
1 sector per 1e14 bits; nearline disks 1e15; 10k and 15k SAS disks 1e16)."""
CLIENT_FLASH_RATE = 1e-15
ENTERPRISE_FLASH_RATE = 1e-16
"""Per bit read: JEDEC JESD218, the two classes."""

LATENT_PER_HOUR = Figure(
    low=-math.log1p(-0.0146) / HOURS_PER_YEAR,
    likely=-math.log1p(-0.0315) / HOURS_PER_YEAR,
    high=1.08e-4,
)
"""Rate at which a hard disk gets its first unread bad sector, per hour.

Low and likely: 1.46% of enterprise and 3.15% of nearline disks within their first 12 months, 1.53
million disks (Bairavasundaram et al., SIGMETRICS 2007, second hand). High: 1 in 9,259 h, 8e-14
errors per byte at 1.35e9 bytes read per hour (Elerath and Pecht, DSN 2007, base case)."""

FLASH_UNREADABLE_RATE = Figure(low=1e-17, likely=ENTERPRISE_FLASH_RATE, high=CLIENT_FLASH_RATE)
"""Per bit read. High and likely: JESD218 classes. Low: our choice, one class better."""

PENDING_IS_REAL = Figure(low=0.5, likely=0.9, high=1.0)
"""Chance that a pending sector is truly lost when it is read again: our choice; some are read or
rewritten in the end. Too low: a rebuild over known bad sectors looks safer than it is."""


def meets_unreadable(bytes_read: float, rate_per_bit: float) -> float:
    """Give the chance of at least one unreadable sector in ``bytes_read``.

    ``1 - (1 - rate)**bits``, computed as ``-expm1(bits * log1p(-rate))``: the plain form gives 0
    at a rate of 1e-17 and 11% too much at 1e-16. 12.5 TB at 1e-14 is 63.2% (1 - 1/e).
    """
    if rate_per_bit >= 1.0:
        return 1.0 if bytes_read > 0 else 0.0
    return -math.expm1(bytes_read * BITS_PER_BYTE * math.log1p(-rate_per_bit))


def expected_unreadable(bytes_read: float, rate_per_bit: float) -> float:
    """Give the expected number of unreadable sectors in ``bytes_read`` (24 TB at 1e-14: 1.9)."""
    return bytes_read * BITS_PER_BYTE * rate_per_bit


def latent_rate(errors_per_byte: float, bytes_per_hour: float) -> float:
    """Give the hourly rate of new latent defects (Elerath and Pecht): errors times usage."""
    return errors_per_byte * bytes_per_hour


def _pending(pending: int, read_share: float) -> Figure:
    """Give the chance that at least one of the pending sectors is in the way and lost."""
    if pending == 0:
        return NONE

    def one(real: float) -> float:
        inside = real * read_share
        return 1.0 if inside >= 1.0 else -math.expm1(pending * math.log1p(-inside))

    low, likely, high = (one(real) for real in PENDING_IS_REAL.ends)
    return Figure.chance(low, likely, high)


def unreadable(
    life: DriveLife,
    *,
    read_bytes: float | None,
    read_share: float = 1.0,
    scrub_age_hours: float | None = None,
) -> Figure:
    """Give the chance that this drive has an unreadable sector where it must be read.

    ``read_share`` is the part of the drive that must be read (0 to 1), ``read_bytes`` how many
    bytes that is (None: not known). ``scrub_age_hours`` is the time since everything was last read;
    None means never or not known, and then the drive's whole age counts. A drive of unknown age is
    taken as three years old.
    """
    pending = life.pending_sectors or 0
    found = _pending(pending, read_share)
    if life.drive_class in {DriveClass.FLASH, DriveClass.NVME}:
        size = float(read_bytes if read_bytes is not None else _UNKNOWN_BYTES)
        hidden = [meets_unreadable(size, rate) for rate in FLASH_UNREADABLE_RATE.ends]
    else:
        hidden = _latent(life, read_bytes, read_share, scrub_age_hours)
    ends = (
        known + (1.0 - known) * unseen for known, unseen in zip(found.ends, hidden, strict=True)
    )
    low, likely, high = ends
    return Figure.chance(low, likely, high)


_UNKNOWN_BYTES = 8e12
"""Bytes read when the size is not known: an ordinary drive of today; our choice."""

_UNKNOWN_AGE_HOURS = 3 * HOURS_PER_YEAR


def _latent(
    life: DriveLife,
    read_bytes: float | None,
    read_share: float,
    scrub_age_hours: float | None,
) -> list[float]:
    """Give the three ends of the chance of a bad sector that nobody has met yet."""
    age = life.age_hours if life.age_hours is not None else _UNKNOWN_AGE_HOURS
    unread = age if scrub_age_hours is None else scrub_age_hours
    ends = [-math.expm1(-rate * unread * read_share) for rate in LATENT_PER_HOUR.ends]
    if scrub_age_hours is None:
        size = float(read_bytes if read_bytes is not None else _UNKNOWN_BYTES)
        ends[2] = max(ends[2], meets_unreadable(size, DESKTOP_DISK_RATE))
    return ends
