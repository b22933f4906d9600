"""Times in the store: whole microseconds since 1970-01-01 UTC, everywhere.

One integer keeps a Python ``datetime`` exactly, sorts and subtracts in plain SQL, and is the same
in SQLite and in PostgreSQL (``BIGINT``).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
MINUTE = 60_000_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


def to_micros(moment: datetime) -> int:
    """Give the microseconds since 1970 of an aware time; ValueError for a naive one."""
    if moment.tzinfo is None:
        raise ValueError(f"a stored time must be aware, not {moment!r}")
    return (moment - EPOCH) // MICROSECOND


def to_micros_or_none(moment: datetime | None) -> int | None:
    """Give the microseconds since 1970, or None for None."""
    return None if moment is None else to_micros(moment)


def from_micros(micros: int) -> datetime:
    """Give the UTC time of a number of microseconds since 1970."""
    return EPOCH + timedelta(microseconds=micros)


def from_micros_or_none(micros: int | None) -> datetime | None:
    """Give the UTC time, or None for None."""
    return None if micros is None else from_micros(micros)


def floor_to(micros: int, step: int) -> int:
    """Give the beginning of the span of ``step`` microseconds that holds a time, in UTC."""
    return micros - micros % step
