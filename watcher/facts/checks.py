"""Checks that every fact makes on itself when it is built."""

from __future__ import annotations

from datetime import UTC, datetime


def require_utc(moment: datetime, what: str) -> None:
    """Raise ValueError unless ``moment`` is aware and in UTC."""
    if moment.tzinfo is None or moment.utcoffset() != UTC.utcoffset(None):
        raise ValueError(f"{what} must be an aware UTC time, not {moment!r}")


def require_not_negative(value: float | None, what: str) -> None:
    """Raise ValueError when ``value`` is known and below zero."""
    if value is not None and value < 0:
        raise ValueError(f"{what} must not be negative, got {value!r}")


def require_fraction(value: float | None, what: str) -> None:
    """Raise ValueError when ``value`` is known and outside 0 to 1."""
    if value is not None and not 0.0 <= value <= 1.0:
        raise ValueError(f"{what} must lie between 0 and 1, got {value!r}")
