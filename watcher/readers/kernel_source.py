"""Which kernel log is read: the journal where there is one, else the kernel's ring, else a file.

With ``auto`` the first that answers is taken, and kept as long as it answers; what the others
said is told only when none does. A position belongs to the source it came from: another source
begins anew.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Literal

from watcher.facts.drive import Unread
from watcher.readers.errors import CannotRead, ReadError
from watcher.readers.host import Host
from watcher.readers.kernel_log import SOURCE, Batch, Position, read_journal
from watcher.readers.kernel_prefix import Dating
from watcher.readers.kernel_raw import LogFile, Records, read_file, read_kmsg

Choice = Literal["auto", "journal", "kmsg", "file", "none"]

_BOOT_ID = "/proc/sys/kernel/random/boot_id"
_UPTIME = "/proc/uptime"


def booted_at(host: Host, now: datetime) -> datetime:
    """Say when the machine was started; raises CannotRead when the kernel does not tell."""
    try:
        seconds = float(host.read_text(_UPTIME).split()[0])
    except (OSError, ValueError, IndexError) as error:
        raise CannotRead(
            SOURCE, Unread.VANISHED, f"{_UPTIME} cannot be read, so kernel lines have no time"
        ) from error
    return now - timedelta(seconds=seconds)


def boot_id(host: Host) -> str:
    """Give the name of this boot, "" when the kernel does not tell."""
    try:
        return host.read_text(_BOOT_ID).strip()
    except OSError:
        return ""


class KernelLog:
    """Reads the kernel log from where the owner wants it, or from wherever it can be had."""

    def __init__(
        self,
        choice: Choice = "auto",
        *,
        ring: Callable[[], Records] | None = None,
        file: Callable[[str], LogFile] | None = None,
        path: str = "",
    ) -> None:
        """Set the sources: the ring and the file are real ends, absent for a recorded box."""
        self.choice = choice
        self._make_ring = ring
        self._ring: Records | None = None
        self._make_file = file
        self._path = path
        self._found: Choice | None = None

    @property
    def is_off(self) -> bool:
        """Whether the owner wants no kernel log read."""
        return self.choice == "none"

    def read(self, host: Host, position: Position | None, now: datetime) -> Batch:
        """Read what came after a position; raises ReadError when no source answers."""
        wanted: tuple[Choice, ...] = (self.choice,)
        if self.choice == "auto":
            wanted = (self._found,) if self._found else ("journal", "kmsg", "file")
        errors: list[ReadError] = []
        for source in wanted:
            try:
                batch = self._read(source, host, position, now)
            except ReadError as error:
                errors.append(error)
                continue
            self._found = source
            return batch
        self._found = None
        # a log that is there and may not be read is worth more than one that is not there
        errors.sort(key=lambda error: not _is_forbidden(error))
        raise next(
            iter(errors), CannotRead(SOURCE, Unread.VANISHED, "there is no kernel log to read")
        )

    def _read(self, source: Choice, host: Host, position: Position | None, now: datetime) -> Batch:
        """Read one source; a position of another source is not used."""
        mine = position if position is not None and position.source == source else None
        if source == "journal":
            return _journal_even_if_emptied(host, mine)
        if source == "kmsg" and self._make_ring is not None:
            self._ring = self._ring or self._make_ring()
            return read_kmsg(self._ring, mine, boot=boot_id(host), booted_at=booted_at(host, now))
        if source == "file" and self._make_file is not None:
            dating = Dating(now=now, booted_at=booted_at(host, now))
            return read_file(self._make_file(self._path), self._path, mine, dating)
        raise CannotRead(SOURCE, Unread.VANISHED, f"this box has no {source} to read")


def _is_forbidden(error: ReadError) -> bool:
    return isinstance(error, CannotRead) and error.why is Unread.FORBIDDEN


def _journal_even_if_emptied(host: Host, position: Position | None) -> Batch:
    """Read the journal; when the entry at the position is gone, begin anew and say so."""
    try:
        return read_journal(host, position)
    except CannotRead as error:
        if position is None or error.why is not Unread.VANISHED:
            raise
        batch = read_journal(host, None)
        doubt = "The journal was emptied or rotated; kernel lines before that may be lost."
        return replace(batch, doubts=(*batch.doubts, doubt))
