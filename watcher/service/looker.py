"""The thread that looks at the box, apart from the one that decides.

A dying drive may hold a look for a minute, or for ever. Whatever comes of a look is reported to who
decides; one that does not come back is left to itself, and another thread looks from then on.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Protocol

from watcher.facts.units import say_span
from watcher.readers.kernel_log import Position
from watcher.readers.taken import Taken
from watcher.service.our_fault import name_fault

LONGEST_LOOK = timedelta(minutes=30)
"""A look that lasts longer is not waited for any more. Our choice: two hundred drives of which
sixty hang need about five minutes."""

NOT_BACK = (
    f"A look at the box has not come back for {say_span(LONGEST_LOOK)} and is not waited "
    "for any more; the next one is tried as planned."
)


class Looks(Protocol):
    """The surveyor, as far as the loop needs it."""

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        """Look at everything once."""


_Wanted = queue.SimpleQueue[tuple[str, datetime, Position | None, bool] | None]
"""The looks to be taken, in order; None ends the looker."""


class Looker:
    """Looks when it is asked to, one look at a time."""

    def __init__(self, surveyor: Looks, report: Callable[[Taken | str], None]) -> None:
        """Begin with no thread.

        ``report`` is called from the thread that looks, with what was seen or a sentence on why
        not; whoever hears it says so by ``is_looking``.
        """
        self._surveyor = surveyor
        self._report = report
        self._wanted: _Wanted = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        self._began = 0.0  # monotonic
        self.is_looking = False

    def start(self) -> None:
        """Start a thread that looks, with a queue of its own."""
        self._wanted = queue.SimpleQueue()
        thread = threading.Thread(
            target=self._look_on, args=(self._wanted,), name="look", daemon=True
        )
        self._threads.append(thread)
        thread.start()

    def look(
        self, name: str, now: datetime, position: Position | None, *, deep: bool, monotonic: float
    ) -> None:
        """Have the box looked at, when no look is under way."""
        self.is_looking = True
        self._began = monotonic
        self._wanted.put((name, now, position, deep))

    def gives_up(self, monotonic: float) -> bool:
        """Leave a look that has not come back for too long, and tell so."""
        if not self.is_looking or monotonic - self._began < LONGEST_LOOK.total_seconds():
            return False
        self.is_looking = False
        self.stop()
        self.start()
        return True

    def stop(self) -> None:
        """Let the thread end after the look it is at."""
        self._wanted.put(None)

    @property
    def is_held_up(self) -> bool:
        """Whether a look is still not back a second later."""
        for thread in self._threads:
            thread.join(1.0)
        return any(thread.is_alive() for thread in self._threads)

    def _look_on(self, wanted_here: _Wanted) -> None:
        """Look whenever asked to, in a thread that lives as long as the watch.

        A thread for each look would do where memory is plenty; where it is not, waiting for a new
        one to begin can last for ever.
        """
        while (wanted := wanted_here.get()) is not None:
            name, now, position, deep = wanted
            try:
                self._report(self._surveyor.take(name, now, position=position, deep=deep))
            except Exception as error:  # noqa: BLE001 - the outermost ring: said, and the watch goes on
                self._report(
                    f"A look at the box failed by a fault of ours ({name_fault(error)}); the next "
                    "one is tried as planned."
                )
