"""Where kernel lines come from: the journal here, ``/dev/kmsg`` or a file in ``kernel_raw``.

Programs: ``journalctl`` of systemd 233 and up (``--output-fields``), called with the arguments of
:func:`journal_command`; its JSON is described in systemd's docs/JOURNAL_EXPORT_FORMATS.md and
systemd.journal-fields(7).

Every source gives a ``Batch``: the lines that may mean something, in order, and the ``Position``
after the last line looked at. The caller keeps the position together with what came of the batch,
so that nothing is lost or told twice over a restart.

Traps:

* ``journalctl -k`` means "of this boot only" (journalctl(1)): with it, what was written between the
  last look and a crash would be lost. The match ``_TRANSPORT=kernel`` has no such limit.
* MESSAGE may be a list of byte values (not UTF-8), null (too large) or hold a newline: the second
  line is a message of its own, for instance the ``res …`` of a SATA command.
* The machine's own programs may write to the kernel log; they begin with a name and a number in
  brackets and match no pattern.
* A machine without a journal gives status 0 and no line at all. A boot without one kernel line does
  not exist, and the entry at the position always comes again: so an empty answer is a blind spot.
* A reader without rights gets no error but fewer lines; only a hint on standard error says so.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Protocol

from watcher.facts.drive import Unread
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Ended, Host, require_exited
from watcher.readers.kernel_lines.screen import worth_reading_json
from watcher.readers.kernel_lines.setting import Line
from watcher.readers.kernel_prefix import LONGEST

SOURCE = "kernel-log"

LIMIT_SECONDS = 60.0
"""How long the journal may take; our choice: a day of a storm on a slow disk."""
_OTHER_ROWS = re.compile(r"\n(?![{\n]|-- |\Z)")  # "-- No entries --" is no entry
_FORBIDDEN_HINTS = ("not seeing messages", "insufficient permissions", "Permission denied")
_REMEDY_RIGHTS = (
    "Run as root, or add the user to the group systemd-journal: "
    "usermod -a -G systemd-journal USER, then log in anew."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """How far a log was read. Only the fields of its source are set."""

    source: str  # "journal", "kmsg" or "file"
    cursor: str = ""  # of the journal's last entry
    boot: str = ""  # kmsg: the boot the sequence number belongs to
    sequence: int = -1  # kmsg: of the last record
    inode: int = 0  # file: which one
    offset: int = 0  # file: bytes read

    def to_text(self) -> str:
        """Give a form to be stored."""
        return json.dumps(
            {name: getattr(self, name) for name in self.__slots__}, separators=(",", ":")
        )

    @classmethod
    def from_text(cls, text: str) -> Position:
        """Read the stored form; raises CannotParse."""
        try:
            fields = json.loads(text)
        except ValueError as why:
            raise CannotParse(SOURCE, "a stored position is not JSON", line=text) from why
        known_sources = ("journal", "kmsg", "file")  # not a set: what stands there may be a list
        if not isinstance(fields, dict) or fields.get("source") not in known_sources:
            raise CannotParse(SOURCE, "a stored position names no source", line=text)
        known = {name: fields[name] for name in cls.__slots__ if name in fields}
        for name, value in known.items():
            wanted = str if name in {"source", "cursor", "boot"} else int
            if not isinstance(value, wanted) or isinstance(value, bool):
                raise CannotParse(SOURCE, f"a stored position has a wrong {name}", line=text)
        return cls(**known)


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A run of kernel lines."""

    lines: tuple[Line, ...]  # those that may mean something
    position: Position  # after the last line looked at, kept or not
    lost: int = 0  # lines known to be lost before they could be read
    unreadable: int = 0  # lines that could not be taken apart
    more: bool = False  # there is more to read at once
    doubts: tuple[str, ...] = ()  # sentences for the owner


# -- the journal


def journal_command(position: Position | None) -> tuple[str, ...]:
    """Give the command for all kernel lines from a position on; of this boot without one.

    The entry at the position comes again, and is passed over: an answer without it shows that the
    journal is gone, which would otherwise look like no news.
    """
    return (
        "journalctl",
        "--no-pager",
        "--output=json",
        "--output-fields=MESSAGE,PRIORITY,_SOURCE_MONOTONIC_TIMESTAMP,_BOOT_ID",
        *((f"--cursor={position.cursor}",) if position and position.cursor else ("--boot",)),
        "_TRANSPORT=kernel",
    )


def parse_journal(text: str, position: Position | None = None) -> Batch:
    """Read journal JSON; raises CannotParse when not one line of it can be read.

    A line that is cut or garbled is counted; it hides none of its neighbours. The position is
    that of the last entry that could be read.
    """
    last = _last_cursor(text)
    passed = position.cursor if position else ""
    lines: list[Line] = []
    unreadable = 0
    for entry in worth_reading_json(text):
        read = _entry_lines(entry, passed)
        if read is None:
            unreadable += 1
        else:
            lines.extend(read)
    begun = text.count("\n{") + text.startswith("{")
    ended = text.count("}\n") + text.endswith("}")
    unreadable = max(unreadable, begun - ended)  # cut ones, which may have lost their message
    other = sum(1 for _ in _OTHER_ROWS.finditer("\n" + text))
    if last is None and (other or text.strip()[:1] == "{"):
        raise CannotParse(SOURCE, "the journal's answer is not JSON", line=text.strip())
    return Batch(
        lines=tuple(lines),
        position=Position(source="journal", cursor=last)
        if last is not None
        else position or Position(source="journal"),
        unreadable=unreadable + other,
    )


def _last_cursor(text: str) -> str | None:
    """Give the cursor of the last entry that can be read."""
    end = len(text)
    while end > 0:
        start = text.rfind("\n", 0, end) + 1
        cursor = _cursor_of(text[start:end])
        if cursor is not None:
            return cursor
        end = start - 1
    return None


def _cursor_of(entry: str) -> str | None:
    if not entry.startswith("{"):
        return None
    try:
        fields = json.loads(entry)
    except (ValueError, RecursionError):
        return None
    cursor = fields.get("__CURSOR") if isinstance(fields, dict) else None
    return cursor if isinstance(cursor, str) and cursor else None


def _entry_lines(entry: str, passed: str) -> tuple[Line, ...] | None:
    try:
        fields = json.loads(entry)
    except (ValueError, RecursionError):
        return None
    if not isinstance(fields, dict):
        return None
    if passed and fields.get("__CURSOR") == passed:
        return ()
    message = _message_text(fields.get("MESSAGE"))
    if message is None:
        return None
    at = _micros(fields.get("__REALTIME_TIMESTAMP"))
    since_boot = _number(fields.get("_SOURCE_MONOTONIC_TIMESTAMP"))
    if since_boot is None:
        since_boot = _number(fields.get("__MONOTONIC_TIMESTAMP"))
    return tuple(
        Line(
            text=part[:LONGEST],
            at=at,
            seconds=at.timestamp() if at else None,
            since_boot=None if since_boot is None else since_boot / 1e6,
        )
        for part in message.split("\n")
        if part.strip()
    )


def _message_text(message: object) -> str | None:
    """Give a message as text: a string, a list of byte values, or a list of repeated fields."""
    if isinstance(message, str):
        return message
    if not isinstance(message, list):
        return None
    if all(isinstance(one, int) and 0 <= one <= 255 for one in message):
        return bytes(message).decode("utf-8", "replace")
    parts = [_message_text(one) for one in message[:16] if not isinstance(one, int)]
    known = [part for part in parts if part is not None]
    return "\n".join(known) if known else None


def _number(value: object) -> int | None:
    if isinstance(value, str) and value.isascii() and value.isdigit() and len(value) < 19:
        return int(value)
    return None


def _micros(value: object) -> datetime | None:
    number = _number(value)
    if number is None:
        return None
    try:
        return datetime.fromtimestamp(0, UTC) + timedelta(microseconds=number)
    except OverflowError:
        return None


def read_journal(host: Host, position: Position | None) -> Batch:
    """Read all that came after a position, or of this boot; raises CannotRead or CannotParse.

    More than the output limit is read in pieces: what came so far is given, with ``more`` set.
    When the journal was emptied the error is ``VANISHED``; a caller may then begin anew without a
    position.
    """
    ran = host.run(journal_command(position), limit_seconds=LIMIT_SECONDS, lane=SOURCE)
    too_long = ran.ended is Ended.TOO_LONG and bool(ran.stdout)
    if not too_long:
        require_exited(
            SOURCE, ran, remedy="Without a journal, /dev/kmsg or a log file can be read instead."
        )
    hint = next((line for line in ran.stderr.splitlines() if _is_forbidden(line)), None)
    if hint is not None:
        raise CannotRead(
            SOURCE,
            Unread.FORBIDDEN,
            f"the journal shows us no kernel lines: {hint[:150]}",
            remedy=_REMEDY_RIGHTS,
        )
    said = (ran.stderr.strip().splitlines() or ["no word why"])[0][:150]
    if ran.status != 0 and not ran.stdout.strip() and "No journal files" not in ran.stderr:
        raise CannotRead(
            SOURCE,
            Unread.GARBLED,
            f"journalctl ended with status {ran.status}: {said}",
            remedy="Run journalctl --verify to see whether the journal is damaged.",
        )
    if _last_cursor(ran.stdout) is None and not ran.stdout.strip().startswith("{"):
        raise CannotRead(
            SOURCE,
            Unread.VANISHED,
            "the journal holds no kernel line, not even the last one we read"
            if position
            else "the journal holds no kernel line of this boot",
            remedy="Start systemd-journald, or let /dev/kmsg or a log file be read.",
        )
    text = ran.stdout[: ran.stdout.rfind("\n") + 1] if too_long else ran.stdout
    batch = parse_journal(text, position)
    doubts = tuple(
        line[:200] for line in ran.stderr.splitlines() if "orrupt" in line or "runcated" in line
    )[:5]
    if position and position.cursor and f'"{position.cursor}"' not in text[: text.find("\n")]:
        doubts = (
            "The journal no longer holds the place where we stopped; lines may be missing.",
            *doubts,
        )
    return replace(batch, more=too_long, doubts=doubts)


def _is_forbidden(line: str) -> bool:
    return any(hint in line for hint in _FORBIDDEN_HINTS)


# -- following the journal


class Follow(Protocol):
    """A program that keeps on writing; see ``kernel_follow.ChildFollow``."""

    def take(self) -> str:
        """Give the whole lines written since the last call, without waiting."""

    @property
    def ended(self) -> str | None:
        """Tell why it ended, None while it runs."""

    def stop(self) -> None:
        """End it."""
