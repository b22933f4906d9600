"""What can go wrong while reading.

ReadError
├── CannotParse     the source answered with something that we do not understand
└── CannotRead      the source did not answer: missing, forbidden, hung (see ``why``)

The caller turns either into a blind spot (a ``Blindness`` or a ``DriveUnread``): it never becomes
an empty result. Any other exception out of a reader is a bug.
"""

from __future__ import annotations

from watcher.facts.drive import Unread


class ReadError(Exception):
    """A source could not be read."""


class CannotParse(ReadError):
    """A source answered with something that is not understood."""

    def __init__(self, source: str, reason: str, *, line: str = "") -> None:
        """Name the source, what was wrong, and the line (cut to 200 characters) where."""
        self.source = source
        self.reason = reason
        self.line = line[:200]
        super().__init__(f"{source}: {reason}" + (f" in {self.line!r}" if self.line else ""))


class CannotRead(ReadError):
    """A source did not answer."""

    def __init__(self, source: str, why: Unread, detail: str, *, remedy: str = "") -> None:
        """Name the source, the kind of failure, what was seen and what to do."""
        self.source = source
        self.why = why
        self.detail = detail
        self.remedy = remedy
        super().__init__(f"{source}: {why.value}: {detail}")
