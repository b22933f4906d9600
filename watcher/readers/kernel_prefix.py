"""Takes the prefix off a line of a saved kernel log, and reads the time out of it.

Understood, alone or one after the other:

* ``<6>`` and RFC 5424 (``<6>1 2026-11-25T13:22:01.1Z box kernel - - - …``);
* classic syslog (``Nov 25 13:22:01 box kernel: …``), whose time has no year and no zone;
* ISO times (``2026-11-25T13:22:01+0100 box kernel: …``; dmesg writes a comma before fractions);
* ``[  123.456789]``, seconds since the start of the machine, with or without ``[T123]`` or
  ``[C1]`` (who spoke) behind it; ``[Wed Nov 25 13:22:01 2026]`` of ``dmesg -T``;
* a record of ``/dev/kmsg`` (``6,1234,123456789,-;…``; kernel document ABI/testing/dev-kmsg).

Lines of other programs in a mixed file are not the kernel's and give None.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

from watcher.readers.kernel_lines.screen import pieces
from watcher.readers.kernel_lines.setting import Line

LONGEST = 2048
"""Characters of a line that are looked at. The kernel writes records of at most 1024 (printk.c,
LOG_LINE_MAX, and PRINTKRB_RECORD_MAX); the rest of a longer line is left unread."""


class Severity(IntEnum):
    """How grave the speaker held a message to be (RFC 5424, table 2)."""

    EMERGENCY = 0
    ALERT = 1
    CRITICAL = 2
    ERROR = 3
    WARNING = 4
    NOTICE = 5
    INFORMATIONAL = 6
    DEBUG = 7


def split_priority(number: int) -> tuple[int, Severity] | None:
    """Split a PRI value into facility and severity; None when it is none (0 to 191).

    RFC 5424 section 6.2.1: PRI = 8 x facility + severity.
    """
    if not 0 <= number <= 191:
        return None
    return number // 8, Severity(number % 8)


class Stripped(NamedTuple):
    """A message without its prefix, and what the prefix said. A tuple, as a line is."""

    text: str
    at: datetime | None = None  # aware, UTC; None when the prefix has no date
    since_boot: float | None = None  # seconds
    severity: Severity | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)  # a key that is quick to hash
class Dating:
    """What is needed to date a line whose prefix leaves something open."""

    now: datetime  # a time without a year is the last such time not after this
    zone: tzinfo = UTC  # of times without a zone
    booted_at: datetime | None = None  # dates lines that have only seconds since then


_PRI = re.compile(r"<(\d{1,3})>(?:1 )?")
_CLASSIC = re.compile(
    r"(?P<month>\w{3}) +(?P<day>\d{1,2}) (?:(?P<year>\d{4}) )?(?P<time>\d\d:\d\d:\d\d(?:\.\d+)?) "
    r"(?:(?P<host>\S+) )?(?P<who>kernel(?:\[\d+\])?): ?"
)
_USUAL = re.compile(
    r"([A-Z][a-z]{2}) +(\d{1,2}) (\d\d:\d\d:\d\d) \S+ kernel: \[ *(\d{1,12}\.\d{1,9})\] (?=[^\s\[])"
)
_DATE = re.compile(r"([A-Z][a-z]{2}) +(\d{1,2}) (\d\d:\d\d:\d\d)")
_CLASSIC_OTHER = re.compile(
    r"\w{3} +\d{1,2} (?:\d{4} )?\d\d:\d\d:\d\d(?:\.\d+)? \S+ [\w./@()-]+(?:\[\d+\])?:"
)
_ISO = re.compile(
    r"(?P<date>\d{4}-\d\d-\d\d)[T ](?P<time>\d\d:\d\d:\d\d)(?:(?P<mark>[.,])(?P<fraction>\d+))?"
    r" ?(?P<zone>Z|[+-]\d\d:?\d\d)? "
)
_ISO_WHO = re.compile(r"(?:\S+ )?kernel(?:\[\d+\])?:? (?:\S+ \S+ - )?(?:- - - )?")
_ISO_OTHER = re.compile(r"\S+ [\w./@()-]+(?:\[\d+\]|(?<=[a-z]))?: ")
_KERNEL = re.compile(r"kernel: ?")
_SINCE_BOOT = re.compile(r"\[ *(\d{1,12}\.\d{1,9})\] ?(?:\[ *[TC]\d+\] ?)?")
_HUMAN = re.compile(r"\[\w{3} (\w{3}) +(\d{1,2}) (\d\d:\d\d:\d\d) (\d{4})\] ?")
_KMSG = re.compile(r"(\d{1,6}),(\d{1,20}),(\d{1,20}),[^;]{0,40};")
_MONTH_NAMES = "JanFebMarAprMayJunJulAugSepOctNovDec"
_MONTHS = {_MONTH_NAMES[3 * n : 3 * n + 3]: n + 1 for n in range(12)}


def _after(moment: datetime, seconds: float) -> datetime | None:
    """Give when so many seconds have passed; None when no calendar goes so far."""
    try:
        return moment + timedelta(seconds=seconds)
    except OverflowError:
        return None


def strip_prefix(line: str, dating: Dating) -> Stripped | None:
    """Give a line without its prefix; None for an empty line or another program's.

    A prefix that is not understood stays part of the text: nothing is thrown away.
    """
    text = line[:LONGEST].rstrip("\r\n")
    found = _USUAL.match(text)
    if found:
        month, day, clock, seconds = found.groups()
        return Stripped(
            text[found.end() :], _classic_time(month, day, None, clock, dating), float(seconds)
        )
    at: datetime | None = None
    since_boot: float | None = None
    severity: Severity | None = None
    found = _KMSG.match(text)
    if found:
        split = split_priority(int(found.group(1)))
        severity = split[1] if split else None
        since_boot = int(found.group(3)) / 1e6
        text = text[found.end() :]
    found = _PRI.match(text)
    if found:
        split = split_priority(int(found.group(1)))
        severity = split[1] if split else severity
        text = text[found.end() :]
    dated = _strip_date(text, dating)
    if dated is None:
        return None
    text, at = dated
    found = _SINCE_BOOT.match(text)
    if found:
        since_boot = float(found.group(1))
        text = text[found.end() :]
    if at is None and since_boot is not None and dating.booted_at is not None:
        at = _after(dating.booted_at, since_boot)
    if not text.strip():
        return None
    return Stripped(text=text, at=at, since_boot=since_boot, severity=severity)


def read_line(raw: str, dating: Dating) -> Line | None:
    """Give a line of a saved log as a message with its time; None as :func:`strip_prefix` does."""
    stripped = strip_prefix(raw, dating)
    if stripped is None:
        return None
    text, at, since_boot, _ = stripped
    seconds = since_boot
    if seconds is None and at is not None:
        seconds = at.timestamp()
    return Line(text, at, seconds, since_boot)


def read_block(block: bytes, dating: Dating) -> list[Line]:
    """Give the lines of a piece of a log file that may mean something, as :func:`read_line` does.

    The usual form is read here without a call for each line, since a storm is all of it.
    """
    lines: list[Line] = []
    moments: dict[bytes, tuple[bool, datetime | None]] = {}  # neighbours share their second
    for whole, date, seconds, message in pieces(block):
        if date and len(whole) <= LONGEST:
            moment = moments.get(date)
            if moment is None:
                moment = moments[date] = _usual_time(date, dating)
            if moment[0]:
                since_boot = float(seconds)
                text = message.decode("utf-8", "replace").rstrip("\r")
                lines.append(Line(text, moment[1], since_boot, since_boot))
                continue
        line = read_line(whole[:LONGEST].decode("utf-8", "replace"), dating)
        if line is not None:
            lines.append(line)
    return lines


def _usual_time(date: bytes, dating: Dating) -> tuple[bool, datetime | None]:
    """Tell whether this is a date without a year, and the moment as far as it can be told."""
    found = _DATE.fullmatch(date.decode("utf-8", "replace"))
    if found is None:
        return False, None
    month, day, clock = found.groups()
    return True, _classic_time(month, day, None, clock, dating)


def _strip_date(text: str, dating: Dating) -> tuple[str, datetime | None] | None:
    found = _CLASSIC.match(text)
    if found:
        return text[found.end() :], _classic_time(
            *found.group("month", "day", "year", "time"), dating
        )
    if _CLASSIC_OTHER.match(text):
        return None
    found = _ISO.match(text)
    if found:
        rest = text[found.end() :]
        who = _ISO_WHO.match(rest)
        if who is None and found.group("mark") != "," and _ISO_OTHER.match(rest):
            return None
        return rest[who.end() :] if who else rest, _iso_time(found, dating.zone)
    found = _HUMAN.match(text)
    if found:
        month, day, clock, year = found.groups()
        return text[found.end() :], _moment(int(year), month, day, clock, dating.zone)
    found = _KERNEL.match(text)
    if found:
        return text[found.end() :], None
    return text, None


@lru_cache(maxsize=64)  # neighbours in a log share their second
def _classic_time(
    month: str, day: str, year: str | None, clock: str, dating: Dating
) -> datetime | None:
    if year:
        return _moment(int(year), month, day, clock, dating.zone)
    this = dating.now.astimezone(dating.zone).year
    latest = dating.now + timedelta(days=1)  # clocks and zones may be off by that much
    first = this + 1 if month == "Jan" else this
    for candidate in range(first, this - 5, -1):  # far enough back for a 29 February
        moment = _moment(candidate, month, day, clock, dating.zone)
        if moment is not None and moment <= latest:
            return moment
    return None


def _moment(year: int, month: str, day: str, clock: str, zone: tzinfo) -> datetime | None:
    number = _MONTHS.get(month)
    if number is None:
        return None
    try:
        moment = datetime.fromisoformat(f"{year:04d}-{number:02d}-{int(day):02d}T{clock[:15]}")
        return moment.replace(tzinfo=zone).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _iso_time(found: re.Match[str], zone: tzinfo) -> datetime | None:
    offset = (found.group("zone") or "").replace("Z", "+00:00")
    fraction = (found.group("fraction") or "0")[:6].ljust(6, "0")
    try:
        moment = datetime.fromisoformat(
            f"{found.group('date')}T{found.group('time')}.{fraction}{offset}"
        )
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=zone)
        return moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
