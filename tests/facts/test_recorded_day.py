"""One recorded day."""

from __future__ import annotations

from datetime import UTC, datetime

from watcher.facts.drive import Metric
from watcher.facts.recorded_day import RecordedDay


def test_days_are_equal_by_what_they_say() -> None:
    """A value, not an object."""
    at = datetime(2026, 3, 1, tzinfo=UTC)
    one, other = (
        RecordedDay(at, "X1", "Altair A8", None, {Metric.PENDING_SECTORS: 1}) for _ in range(2)
    )
    assert one == other
