"""Planned work that comes again: recurrence rules and lengths, by the standards.

Rules are those of the calendar standard (RFC 5545, section 3.3.10), read by python-dateutil.
Lengths are ISO 8601 durations by the grammar of RFC 3339, appendix A. A rule holds for the local
time of day: work at 22:00 stays at 22:00 when the clocks change. A time that a change skips is
counted on from before the gap (02:30 is 03:30 then; section 3.3.5); one that comes twice is taken
the first time.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr

_FREQUENCIES = ("FREQ=DAILY", "FREQ=WEEKLY", "FREQ=MONTHLY", "FREQ=YEARLY")
_LOOKED_AT_MOST = 5_000
"""Occurrences that are walked through at most; our choice: thirteen years of days."""
_COMES_WITHIN = timedelta(days=_LOOKED_AT_MOST)
"""A rule by which nothing comes for so long (30 February) is none: it must not be searched for."""

_DAY = "(?:MO|TU|WE|TH|FR|SA|SU)"
_IN_MONTH, _IN_YEAR = "[+-]?0?[1-5]", "[+-]?(?:0?[1-9]|[1-4][0-9]|5[0-3])"
_IN_366 = "[+-]?0{0,2}(?:[1-9]|[1-9][0-9]|[12][0-9]{2}|3[0-5][0-9]|36[0-6])"
_VALUES = {
    "FREQ": "[A-Z]+",
    "UNTIL": "(?!9999)[0-9]{8}(?:T[0-9]{6}Z?)?",
    "COUNT": "[1-9][0-9]{0,5}",
    "INTERVAL": "[1-9][0-9]{0,2}",
    "WKST": _DAY,
    "BYMONTH": "(?:0?[1-9]|1[0-2])",
    "BYMONTHDAY": "[+-]?(?:0?[1-9]|[12][0-9]|3[01])",
    "BYYEARDAY": _IN_366,
    "BYWEEKNO": _IN_YEAR,
    "BYSETPOS": _IN_366,
    "BYDAY": f"(?:{_IN_MONTH})?{_DAY}",
}
"""The parts of a rule and the values that they take (RFC 5545, section 3.3.10), but those for times
of day. Those that begin with BY take lists. Our choice: how long COUNT and INTERVAL may be, and
that the last year that can be written (9999) is no end, since in some zone it lies beyond."""

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
    if not any(part.startswith("FREQ=") for part in rule.split(";")):
        raise NotUnderstood(
            f"“{text}” is no rule. Write daily, weekly, monthly, or a rule of the calendar "
            "standard (RFC 5545), for instance FREQ=MONTHLY;BYDAY=1SA"
        )
    parts = [(name, value) for name, _, value in (p.partition("=") for p in rule.split(";"))]
    if any(name in {"BYHOUR", "BYMINUTE", "BYSECOND"} for name, _ in parts):
        raise NotUnderstood(f"“{text}” names a time of day; that is given by the first beginning")
    given = dict(parts)
    wrong = next((name for name, value in parts if not _fits(name, value, given)), None)
    if wrong is not None or len(given) != len(parts) or {"COUNT", "UNTIL"} <= given.keys():
        raise NotUnderstood(
            f"“{text}” is no rule of the calendar standard ({wrong or 'a part is one too many'})"
        )
    if f"FREQ={given['FREQ']}" not in _FREQUENCIES:
        raise NotUnderstood(f"“{text}” comes too often; planned work comes once a day at most")
    try:
        rrulestr(_with_local_until(rule, ZoneInfo("UTC")), dtstart=_SOME_DAY)
    except (ValueError, TypeError, KeyError, AttributeError, IndexError) as error:
        raise NotUnderstood(f"“{text}” is no rule of the calendar standard ({error})") from error
    if not _ever_comes(given):
        raise NotUnderstood(f"“{text}” names a day that does not come")
    return rule


_SOME_DAY = datetime(2026 + 19 * 400, 1, 1)  # noqa: DTZ001 - only to see whether a rule comes
"""The calendar repeats itself every 400 years, weekdays and all. Where nothing comes, the library
walks on to its last year, 9999, whatever the end of the rule: from here that is not far."""


def _fits(name: str, value: str, given: Mapping[str, str]) -> bool:
    """Tell whether a part of a rule is one of the standard's."""
    known = _VALUES.get(name)
    if known is None:
        return False
    if name == "BYDAY" and given["FREQ"] == "YEARLY" and "BYMONTH" not in given:
        known = f"(?:{_IN_YEAR})?{_DAY}"  # the 20th Monday of the year
    more = f"(?:,{known})*" if name.startswith("BY") else ""
    return re.fullmatch(known + more, value) is not None


def _ever_comes(given: Mapping[str, str]) -> bool:
    """Tell whether anything comes by a rule, had it no end, in the years that are looked at."""
    endless = {name: value for name, value in given.items() if name not in {"COUNT", "UNTIL"}}
    endless["UNTIL"] = f"{_SOME_DAY + _COMES_WITHIN:%Y%m%dT%H%M%S}"
    words = ";".join(f"{name}={value}" for name, value in endless.items())
    return next(iter(rrulestr(words, dtstart=_SOME_DAY)), None) is not None


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
