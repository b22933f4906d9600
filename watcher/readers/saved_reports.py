"""A folder of saved smartctl reports, as a past that can be run through the rules.

Each file is one answer of ``smartctl -a`` or ``-x``, as JSON (``--json``) or as text, plain or
gzipped. When it was made is told by the report itself: ``local_time.time_t`` in JSON, the line
``Local Time is:`` in text; otherwise by a date in the file's name (2026-03-01 or 20260301).

Traps: the time in a text is local and its zone is an abbreviation that may mean several, so it is
taken as UTC: wrong by hours, never by more than a day. A report that tells no time and has no date
in its name is refused, and so is everything that is no whole report; each with its reason, so that
nobody takes a file that was left out for a day on which all was well.
"""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from watcher.facts.drive import DriveReading, Unread
from watcher.readers import smartctl
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.smartctl_text import parse_text

SOURCE: Final = "saved reports"
GZIP: Final = b"\x1f\x8b"
NODE: Final = "saved"

_LOCAL = re.compile(
    r"^Local Time is:\s+\w{3} (?P<month>\w{3})\s+(?P<day>\d{1,2}) "
    r"(?P<hour>\d{2}):(?P<minute>\d{2}):(?P<second>\d{2}) (?P<year>\d{4})\b",
    re.MULTILINE,
)
_IN_NAME = re.compile(r"(?<!\d)(20\d\d)-?([01]\d)-?([0-3]\d)(?!\d)")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedReports:
    """What a folder held: readings by time, and what was left out with its reason."""

    readings: tuple[DriveReading, ...]
    left_out: tuple[tuple[str, str], ...] = ()  # (name of the file, why)


def made_at(text: str, name: str) -> datetime | None:
    """Tell when a report was made: from itself, else from its file's name; None when neither."""
    if text.lstrip().startswith("{"):
        try:
            document: Any = json.loads(text)
        except ValueError:
            document = {}
        local = document.get("local_time") if isinstance(document, dict) else None
        seconds = local.get("time_t") if isinstance(local, dict) else None
        if isinstance(seconds, int) and not isinstance(seconds, bool) and 0 < seconds < 2**32:
            return datetime.fromtimestamp(seconds, tz=UTC)
    elif (found := _LOCAL.search(text)) and found["month"] in _MONTHS:
        month = _MONTHS.index(found["month"]) + 1
        parts = [int(found[part]) for part in ("day", "hour", "minute", "second")]
        return _moment(int(found["year"]), month, *parts)
    if dated := _IN_NAME.search(name):
        return _moment(int(dated[1]), int(dated[2]), int(dated[3]))
    return None


def _moment(*parts: int) -> datetime | None:
    """Make a time in UTC, or None of parts that are none."""
    try:
        return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]
    except ValueError:
        return None


def parse(text: str, *, name: str) -> DriveReading:
    """Read one saved report; raises ``CannotParse`` for anything that is not a whole one."""
    at = made_at(text, name)
    if at is None:
        raise CannotParse(SOURCE, "neither the report nor the file's name tells its date")
    if text.lstrip().startswith("{"):
        seen = smartctl.parse(text, node=NODE, observed_at=at)
    else:
        seen = parse_text(text, node=NODE, observed_at=at)
    if not isinstance(seen, DriveReading):
        raise CannotParse(SOURCE, f"the drive was not read: {seen.detail}")
    return seen


def read_reports(folder: Path) -> SavedReports:
    """Read all files of a folder, not those below it; raises ``CannotRead`` for the folder."""
    try:
        files = sorted(path for path in folder.iterdir() if path.is_file())
    except PermissionError as fault:
        raise CannotRead(SOURCE, Unread.FORBIDDEN, f"{folder} may not be read") from fault
    except OSError as fault:
        raise CannotRead(SOURCE, Unread.VANISHED, f"{folder}: {fault.strerror}") from fault
    readings: list[DriveReading] = []
    left_out: list[tuple[str, str]] = []
    for path in files:
        try:
            data = path.read_bytes()
            plain = gzip.decompress(data) if data.startswith(GZIP) else data
            readings.append(parse(plain.decode("utf-8", "replace"), name=path.name))
        except CannotParse as fault:
            left_out.append((path.name, fault.reason))
        except (OSError, EOFError) as fault:
            left_out.append((path.name, str(fault) or "the file is cut"))
    readings.sort(key=lambda seen: (seen.observed_at, seen.identity.drive))
    return SavedReports(readings=tuple(readings), left_out=tuple(left_out))
