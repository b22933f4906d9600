"""A folder of saved smartctl reports (plain text of ``smartctl -x`` or ``-a``), or a single one.

Every file below the folder is looked at, hidden ones and links aside, in the order of their names.
A file that is no smartctl report at all is passed over and counted; one that is, and cannot be
read, is named with its reason: it never simply goes missing.

The time of a report is what it says itself ("Local Time is"), else a date at the front of or in its
file name (2026-03-02, 20260302), else when the file was last written. A zone that is told by
letters only is not looked up, since the same letters mean different zones: the time counts as UTC
and may be off by up to 14 hours.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from watcher.facts.drive import DriveReading, DriveUnread, Unread
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.smartctl_text import parse_text

SOURCE: Final = "saved reports"
LARGEST_BYTES: Final = 4 << 20
"""Of one report. Our choice: the longest open report has under 200 KB."""
MOST_FILES: Final = 200_000

_MARK = "smartctl "
_SAID = re.compile(
    r"^Local Time is: +[A-Z][a-z]{2} ([A-Z][a-z]{2} [ \d]\d \d\d:\d\d:\d\d \d{4})\b", re.MULTILINE
)
_NAMED = re.compile(r"(?<!\d)(20\d\d)-?([01]\d)-?([0-3]\d)(?!\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A report that could not be read."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedReports:
    """What a folder of reports gave."""

    readings: tuple[DriveReading, ...] = ()
    unread: tuple[DriveUnread, ...] = ()
    refused: tuple[Refused, ...] = ()
    passed_over: int = 0  # files that are no report


def time_of(text: str, name: str, written: datetime) -> datetime:
    """Give the time of a report, in UTC; ``written`` when neither text nor file name tells."""
    if said := _SAID.search(text):
        try:
            return datetime.strptime(said[1], "%b %d %H:%M:%S %Y").replace(tzinfo=UTC)
        except ValueError:
            return written
    if named := _NAMED.search(name):
        try:
            return datetime(int(named[1]), int(named[2]), int(named[3]), tzinfo=UTC)
        except ValueError:
            return written
    return written


def written_at(path: Path) -> datetime:
    """Tell when a file was last written, to the second."""
    return datetime.fromtimestamp(int(path.stat().st_mtime), UTC)


def _files(path: Path) -> Iterator[Path]:
    """Name the files, in order."""
    if not path.is_dir():
        yield path
        return
    for number, file in enumerate(sorted(path.rglob("*"))):
        if number >= MOST_FILES:
            raise CannotRead(SOURCE, Unread.GARBLED, f"{path} holds more than {MOST_FILES} files")
        hidden = any(part.startswith(".") for part in file.relative_to(path).parts)
        if not hidden and not file.is_symlink() and file.is_file():
            yield file


def read(path: Path) -> SavedReports:
    """Read a folder or one file; raises ``CannotRead`` when it cannot be opened."""
    readings: list[DriveReading] = []
    unread: list[DriveUnread] = []
    refused: list[Refused] = []
    passed_over = 0
    try:
        for file in _files(path):
            name = str(file.relative_to(path)) if file != path else file.name
            with file.open("rb") as opened:
                content = opened.read(LARGEST_BYTES + 1)
            text = content.decode("utf-8", "replace")
            if _MARK not in text[:4096] or len(content) > LARGEST_BYTES:
                passed_over += 1
                continue
            written = written_at(file)
            try:
                read = parse_text(text, node=name, observed_at=time_of(text, name, written))
            except CannotParse as error:
                refused.append(Refused(file=name, reason=error.reason))
                continue
            if isinstance(read, DriveReading):
                readings.append(read)
            else:
                unread.append(read)
    except PermissionError as fault:
        raise CannotRead(SOURCE, Unread.FORBIDDEN, f"{fault.filename} may not be read") from fault
    except OSError as fault:
        raise CannotRead(SOURCE, Unread.VANISHED, f"{path}: {fault.strerror}") from fault
    return SavedReports(
        readings=tuple(readings),
        unread=tuple(unread),
        refused=tuple(refused),
        passed_over=passed_over,
    )
