"""Planned work that comes again: recurrence rules and lengths, by the standards.

Rules are those of the calendar standard (RFC 5545, section 3.3.10), read by python-dateutil.
Lengths are ISO 8601 durations by the grammar of RFC 3339, appendix A. A rule holds for the local
time of day: work at 22:00 stays at 22:00 when the clocks change. A time that a change skips
becomes the first moment after the gap; one that comes twice is taken the first time.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr

_FREQUENCIES = ("FREQ=DAILY", "FREQ=WEEKLY", "FREQ=MONTHLY", "FREQ=YEARLY")
_LOOKED_AT_MOST = 5_000
"""Occurrences that are walked through at most; our choice: thirteen years of days. A rule
that fits almost no day (30 February) must not be searched for ever."""

_WORDS = {"daily": "FREQ=DAILY", "weekly": "FREQ=WEEKLY", "monthly": "FREQ=MONTHLY"}

_DURATION = re.compile(
    r"P(?:(?P<weeks>\d+(?:[.,]\d+)?)W"
    r"|(?:(?P<years>\d+)Y)?(?:(?P<months>\d+)M)?(?:(?P<days>\d+)D)?"
    r"(?P<time>T(?:(?P<hours>\d+(?:[.,]\d+)?)H)?(?:(?P<minutes>\d+(?:[.,]\d+)?)M)?"
    r"(?:(?P<seconds>\d+(?:[.,]\d+)?)S)?)?)"
)


class NotUnderstood(ValueError):
    """A rule or a length that cannot be used; the text says what would be right."""


def parse_length(text: str) -> timedelta:
    """Read an ISO 8601 duration: ``PT3H``, ``P1DT12H``, ``P2W``.

    Raises NotUnderstood for what names no length (``P``, ``PT``, ``P1DT``), for nothing (``PT0S``),
    and for years and months, which have no fixed length.
    """
    found = _DURATION.fullmatch(text.strip().upper())
    if found is None or text.strip().upper().endswith(("P", "T")):
        raise NotUnderstood(f"“{text}” is no length of time; write for instance PT3H or P1DT12H")
    if found["years"] or found["months"]:
        raise NotUnderstood(f"“{text}”: months and years have no fixed length; write days (P30D)")
    units = ("weeks", "days", "hours", "minutes", "seconds")
    try:
        parts = {unit: float((found[unit] or "0").replace(",", ".")) for unit in units}
        length = timedelta(**parts)
    except OverflowError:
        raise NotUnderstood(f"“{text}” is too long") from None
    if length <= timedelta(0):
        raise NotUnderstood(f"“{text}” is no time at all")
    return length


def check_rule(text: str) -> str:
    """Give a rule in the standard's words; ``daily``, ``weekly`` and ``monthly`` are understood.

    Raises NotUnderstood for anything else that is no rule, and for one that comes more often than
    once a day.
    """
    words = text.strip()
    rule = _WORDS.get(words.lower(), words.upper().removeprefix("RRULE:"))
    if not rule.startswith("FREQ=") and "FREQ=" not in rule:
        raise NotUnderstood(
            f"“{text}” is no rule. Write daily, weekly, monthly, or a rule of the calendar "
            "standard (RFC 5545), for instance FREQ=MONTHLY;BYDAY=1SA"
        )
    if not any(part in _FREQUENCIES for part in rule.split(";")):
        raise NotUnderstood(f"“{text}” comes too often; planned work comes once a day at most")
    if any(part.startswith(("BYHOUR", "BYMINUTE", "BYSECOND")) for part in rule.split(";")):
        raise NotUnderstood(f"“{text}” names a time of day; that is given by the first beginning")
    try:
        plain = _with_local_until(rule, ZoneInfo("UTC"))
        rrulestr(plain, dtstart=datetime(2026, 1, 1))  # noqa: DTZ001 - only to see whether it reads
    except (ValueError, TypeError, KeyError, AttributeError, IndexError) as error:
        raise NotUnderstood(f"“{text}” is no rule of the calendar standard ({error})") from error
    return rule


def next_after(rule: str, first: datetime, zone: str, moment: datetime) -> datetime | None:
    """Give the first occurrence strictly after ``moment`` in UTC, or None when there is none.

    ``first`` is when the first one begins (aware); the rule counts from there in local time.
    """
    return next(all_after(rule, first, zone, moment), None)


def all_after(rule: str, first: datetime, zone: str, moment: datetime) -> Iterator[datetime]:
    """Give all occurrences strictly after ``moment``, as ``next_after`` does; may have no end."""
    here = ZoneInfo(zone)
    start = first.astimezone(here).replace(tzinfo=None, fold=0)
    rule = _with_local_until(rule, here)
    for naive in islice(rrulestr(rule, dtstart=start), _LOOKED_AT_MOST):
        at = naive.replace(tzinfo=here).astimezone(UTC)
        if at > moment:
            yield at


def _with_local_until(rule: str, zone: ZoneInfo) -> str:
    """Write an end that is given in UTC (``UNTIL=…Z``) in local time, as the rest is counted."""
    parts = []
    for part in rule.split(";"):
        name, _, value = part.partition("=")
        if name == "UNTIL" and value.endswith("Z"):
            end = datetime.strptime(value, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
            parts.append(f"UNTIL={end.astimezone(zone):%Y%m%dT%H%M%S}")
        else:
            parts.append(part)
    return ";".join(parts)
