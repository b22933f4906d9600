"""The one place that reads the clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import time_machine

from watcher.service.clock import StepWatch, SystemClock, raw_wall_clock

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def test_time_stands_still_for_a_small_step_back_and_follows_a_real_one() -> None:
    """Twenty seconds back: it waits until the clock caught up; an hour back: it goes along."""
    with time_machine.travel(START, tick=False) as travel:
        clock = SystemClock()
        assert clock.now() == START
        travel.shift(timedelta(seconds=-20))
        assert clock.now() == START
        travel.shift(timedelta(seconds=25))
        assert clock.now() == START + timedelta(seconds=5)
        travel.shift(timedelta(hours=-1))
        assert clock.now() == START + timedelta(seconds=5) - timedelta(hours=1)
        assert raw_wall_clock() == clock.now()


def test_a_step_is_noticed_and_drift_is_not() -> None:
    """Wall time that ran ahead of the monotonic clock by more than 30 s is a step (or sleep)."""
    watch = StepWatch(START, 100.0)
    assert watch.look(START + timedelta(seconds=60), 160.0) is None
    assert watch.look(START + timedelta(seconds=80), 170.0) is None
    assert watch.look(START + timedelta(days=1, seconds=80), 170.0) == timedelta(days=1)
    assert watch.look(START + timedelta(seconds=90), 180.0) == timedelta(days=-1)
