"""The one place that reads the clock.

Wall-clock time is for people and for what is stored; spans within one run are measured with the
monotonic clock. ``SystemClock.now`` stands still while the machine's clock is a little behind, so
that nothing fires twice. A real step back is followed: standing still for an hour would be an hour
in which nobody is told, and the commands, which are other processes, would live in another time.
The case book moves its terms back with it (``watcher/cases/timeshift.py``).
"""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What time it is, and how to wait."""

    def now(self) -> datetime:
        """Give the time as aware UTC."""

    def monotonic(self) -> float:
        """Give seconds that only grow, for measuring spans within this run."""


class SystemClock:
    """The machine's clock."""

    def __init__(self) -> None:
        """Begin with no answer given."""
        self._last = datetime.min.replace(tzinfo=UTC)
        self._lock = threading.Lock()

    def now(self) -> datetime:
        """Give the time as aware UTC; stands still while the machine's clock is a little behind."""
        with self._lock:
            wall = datetime.now(UTC)
            if wall > self._last or self._last - wall > StepWatch.TOLERANCE:
                self._last = wall
            return self._last

    def monotonic(self) -> float:
        """Give the monotonic clock."""
        return time.monotonic()


class StepWatch:
    """Notices that the wall clock was stepped, by comparing it with the monotonic clock."""

    TOLERANCE = timedelta(seconds=30)
    """Smaller differences are drift and the slewing of a time service. Our choice."""

    def __init__(self, wall: datetime, monotonic: float) -> None:
        """Begin with both clocks as they stand."""
        self._wall = wall
        self._monotonic = monotonic

    def look(self, wall: datetime, monotonic: float) -> timedelta | None:
        """Give by how much the wall clock was stepped since the last look, or None.

        Positive: it went ahead (or the machine slept, which the monotonic clock does not count).
        """
        went = wall - self._wall
        passed = timedelta(seconds=monotonic - self._monotonic)
        self._wall, self._monotonic = wall, monotonic
        step = went - passed
        return step if abs(step) > self.TOLERANCE else None


def raw_wall_clock() -> datetime:
    """Give the machine's wall clock as it is, even when it was stepped back."""
    return datetime.now(UTC)
