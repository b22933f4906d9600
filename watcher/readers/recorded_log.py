"""The kernel's ring and a log file of a machine that is not here, and the recording of them.

As with ``recorded``: a refusal is kept as its error number and comes again.
"""

from __future__ import annotations

import errno
import os

from watcher.readers.kernel_raw import LogFile, Records


def _again(number: int, path: str) -> OSError:
    """Make the error that was met when it was recorded; OSError chooses the right class."""
    return OSError(number, os.strerror(number), path)


class RecordedRing:
    """Gives recorded records of /dev/kmsg, each once."""

    def __init__(self, records: tuple[bytes, ...] | int) -> None:
        """Take the records, or the number of the error that was met instead."""
        self._records = records
        self._given = 0

    def take(self, most: int) -> tuple[bytes, ...]:
        """Give the records not yet given; raises OSError as on the box."""
        if isinstance(self._records, int):
            raise _again(self._records, "/dev/kmsg")
        piece = self._records[self._given : self._given + most]
        self._given += len(piece)
        return piece


class RecordingRing:
    """Stands before a ring and keeps what it gave."""

    def __init__(self, ring: Records) -> None:
        """Stand before a ring."""
        self._ring = ring
        self.kept: tuple[bytes, ...] | int = ()

    def take(self, most: int) -> tuple[bytes, ...]:
        """Pass on and keep."""
        try:
            taken = self._ring.take(most)
        except OSError as error:
            self.kept = error.errno or errno.EIO
            raise
        if not isinstance(self.kept, int):
            self.kept = (*self.kept, *taken)
        return taken


class RecordedLogFile:
    """A recorded log file, never rotated."""

    def __init__(self, content: bytes | int) -> None:
        """Take the content, or the number of the error that was met instead."""
        self._content = content

    def inode(self) -> int:
        """Give the one file's number; raises OSError as on the box."""
        if isinstance(self._content, int):
            raise _again(self._content, "the log file")
        return 1

    def read(self, inode: int, offset: int, most: int) -> bytes | None:
        """Give a piece; None for any file but this."""
        if isinstance(self._content, int):
            raise _again(self._content, "the log file")
        return self._content[offset : offset + most] if inode == self.inode() else None


class RecordingLogFile:
    """Stands before a log file that is read from its start, and keeps what was read."""

    def __init__(self, log: LogFile) -> None:
        """Stand before a log file."""
        self._log = log
        self._pieces: dict[int, bytes] = {}
        self._error: int | None = None

    @property
    def kept(self) -> bytes | int:
        """The content as far as it was read, or the number of the error that was met."""
        if self._error is not None:
            return self._error
        return b"".join(self._pieces[offset] for offset in sorted(self._pieces))

    def inode(self) -> int:
        """Pass on; a refusal is kept."""
        try:
            return self._log.inode()
        except OSError as error:
            self._error = error.errno or errno.EIO
            raise

    def read(self, inode: int, offset: int, most: int) -> bytes | None:
        """Pass on and keep, whole lines only: each piece begins where the last line ended."""
        try:
            piece = self._log.read(inode, offset, most)
        except OSError as error:
            self._error = error.errno or errno.EIO
            raise
        if piece:
            whole = piece[: piece.rfind(b"\n") + 1]
            self._pieces[offset] = whole or (piece if len(piece) >= most else b"")
        return piece
