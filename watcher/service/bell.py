"""The bell: hears at once when the kernel says something grave, so that the next look comes early.

It listens to the kernel's ring (/dev/kmsg), whatever source the surveys read, or, where that may
not be read, to the journal as it is written. It only rings: what was said is read, with its
position kept, by the survey that follows. Where neither may be read there is no bell, and news
waits for the next look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime

from watcher.facts.kernel_event import Category
from watcher.readers.errors import ReadError
from watcher.readers.kernel_lines.story import Story, Told
from watcher.readers.kernel_log import Follow, Position, parse_journal
from watcher.readers.kernel_raw import Records, read_kmsg

APART_SECONDS = 30.0
"""At least so long between two rings. Our choice: a storm of a dying drive is one look each half
minute, which is about what a look at it may take."""

JOURNAL_FROM_NOW = (
    "journalctl",
    "--no-pager",
    "--output=json",
    "--output-fields=MESSAGE,PRIORITY,_SOURCE_MONOTONIC_TIMESTAMP,_BOOT_ID",
    "--lines=0",
    "--follow",
    "_TRANSPORT=kernel",
)
"""Writes each kernel line as it comes, beginning with the next (journalctl(1))."""


class _Pace:
    """Lets a bell ring at most once in ``APART_SECONDS``; what came meanwhile waits for that."""

    def __init__(self) -> None:
        self._rang_at: float | None = None
        self._waiting = False

    def rings(self, monotonic: float, *, grave: bool) -> bool:
        """Tell whether it rings now."""
        self._waiting = grave or self._waiting
        if not self._waiting:
            return False
        if self._rang_at is not None and monotonic - self._rang_at < APART_SECONDS:
            return False
        self._rang_at, self._waiting = monotonic, False
        return True


class KernelBell:
    """Rings when the kernel said something that is not noise since the last time it was asked."""

    def __init__(self, open_ring: Callable[[], Records], *, boot: str, booted_at: datetime) -> None:
        """Begin from now: what the ring holds already is for the first survey."""
        self._boot = boot
        self._booted_at = booted_at
        self._story = Story()
        self._position: Position | None = None
        self._pace = _Pace()
        self._ring: Records | None = None
        with suppress(OSError, ReadError):
            self._ring = open_ring()
            self._listen()

    @property
    def is_deaf(self) -> bool:
        """Whether the ring cannot be read."""
        return self._ring is None

    def rings(self, monotonic: float) -> bool:
        """Tell whether a look should come early; at most once in ``APART_SECONDS``."""
        grave = False
        try:
            grave = self._listen()
        except ReadError:
            self._ring = None
        return self._pace.rings(monotonic, grave=grave)

    def _listen(self) -> bool:
        """Read what is new; True when something in it is grave."""
        if self._ring is None:
            return False
        grave = False
        more = True
        while more:
            batch = read_kmsg(
                self._ring, self._position, boot=self._boot, booted_at=self._booted_at
            )
            self._position, more = batch.position, batch.more
            grave = _is_grave(self._story.read(batch.lines)) or grave
        return grave


class JournalBell:
    """Rings when the journal got a kernel line that is not noise since it was last asked."""

    def __init__(self, follow: Callable[[], Follow]) -> None:
        """Begin from now; ``follow`` starts a program that writes each new line of the journal."""
        self._story = Story()
        self._pace = _Pace()
        self._follow: Follow | None = None
        with suppress(OSError):
            self._follow = follow()

    @property
    def is_deaf(self) -> bool:
        """Whether the journal cannot be followed."""
        return self._follow is None

    def rings(self, monotonic: float) -> bool:
        """Tell whether a look should come early; at most once in ``APART_SECONDS``."""
        grave = False
        if self._follow is not None:
            with suppress(ReadError):
                lines = parse_journal(self._follow.take()).lines
                grave = _is_grave(self._story.read(lines))
            if self._follow.ended is not None:
                self.close()
        return self._pace.rings(monotonic, grave=grave)

    def close(self) -> None:
        """End the program that follows."""
        if self._follow is not None:
            self._follow.stop()
            self._follow = None


def _is_grave(told: Iterable[Told]) -> bool:
    return any(one.meaning.category is not Category.NOISE for one in told)
