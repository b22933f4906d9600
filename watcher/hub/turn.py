"""Whose turn it is to write, among the processes of one hub on one file.

A process that finds SQLite's file taken asks again after pauses that grow to a tenth of a second
(sqlite.org/c3ref/busy_timeout.html), so a file that is free lies idle: two processes took in 199
surveys a second, and 230 by turns (measured at rest). A process that is killed gives its turn up
(flock(2)). Nothing rests on it: who does not get a turn in time, or can make no file for it, waits
as SQLite has it.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path
from time import monotonic, sleep  # noqa: TID251 - half a millisecond between two tries

from watcher.store.connection import BUSY_MILLISECONDS

ASK_AGAIN_SECONDS = 0.0005
"""Between two tries; our choice: a sixth of what a survey holds the file for."""


class Turn:
    """An empty file beside the store, which one process holds at a time."""

    def __init__(self, store: Path | None) -> None:
        """Make it beside a store's file; without one, or where it cannot be made, all go."""
        self._file = -1
        if store is not None:
            kind = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
            with contextlib.suppress(OSError):
                self._file = os.open(store.with_name("turn"), kind, 0o600)

    @contextlib.contextmanager
    def taken(self) -> Iterator[None]:
        """Wait for one's turn, and have it for a while."""
        mine = self._file >= 0 and self._wait()
        try:
            yield
        finally:
            if mine:
                fcntl.flock(self._file, fcntl.LOCK_UN)

    def _wait(self) -> bool:
        """Tell whether a turn came as soon as SQLite itself would have given up."""
        until = monotonic() + BUSY_MILLISECONDS / 1000
        while True:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if monotonic() >= until:
                    return False
                sleep(ASK_AGAIN_SECONDS)
            except OSError:  # a file system without such locks
                return False
            else:
                return True
