"""A clock that moves only when a test tells it to, and never back."""

from __future__ import annotations

from datetime import datetime, timedelta


class ManualClock:
    """Stands still until it is moved."""

    def __init__(self, start: datetime) -> None:
        self._now = start
        self._started = start

    def now(self) -> datetime:
        return self._now

    def monotonic(self) -> float:
        return (self._now - self._started).total_seconds()

    def move_to(self, moment: datetime) -> None:
        """Go on to ``moment``; a moment in the past changes nothing."""
        self._now = max(self._now, moment)

    def pass_by(self, span: timedelta) -> None:
        self.move_to(self._now + span)
