from __future__ import annotations

import itertools
from datetime import timedelta

import pytest

from tests.store.made import DAY, HOUR, MINUTE, NOW, drive_id, reading, survey
from watcher.facts.drive import Metric
from watcher.facts.identity import DriveId
from watcher.store.database import Store

CELSIUS = Metric.TEMPERATURE_CELSIUS


def fill(store: Store, count: int, every: timedelta = 10 * MINUTE) -> Store:
    """A drive that was read so often until NOW, a degree warmer at the hottest look."""
    for number in range(count):
        at = NOW - every * (count - 1 - number)
        with store.transaction() as tx:
            celsius = 60 if number == count // 2 else 30 + number % 3
            one = survey(f"s{number}", at, drives=(reading(1, at, temperature_celsius=celsius),))
            tx.take_survey(one, at)
    return store


@pytest.mark.parametrize("most", [1, 7, 1000])
def test_the_stretches_say_what_the_whole_series_says(store: Store, most: int) -> None:
    with fill(store, 100).snapshot() as tx:
        since = NOW - DAY
        points = tx.series(drive_id(1), CELSIUS, since, NOW)
        found = tx.stretches(drive_id(1), CELSIUS, since, NOW, most=most)
    assert len(found) <= min(most + 1, len(points))
    assert max(s.high for s in found) == max(p.highest for p in points) == 60
    assert min(s.low for s in found) == min(p.lowest for p in points)
    assert found[-1].last == points[-1].last
    assert found[0].begins == max(points[0].at, since)
    for one, after in itertools.pairwise(found):
        assert one.begins < one.ends <= after.begins


def test_it_says_the_same_after_the_series_was_rolled_up(store: Store) -> None:
    fill(store, 60, every=6 * HOUR)
    with store.transaction() as tx:
        before = tx.stretches(drive_id(1), CELSIUS, NOW - 20 * DAY, NOW, most=10)
        tx.roll_up(NOW + 200 * DAY)
        after = tx.stretches(drive_id(1), CELSIUS, NOW - 20 * DAY, NOW, most=10)
    assert {(s.low, s.high) for s in before} == {(s.low, s.high) for s in after}


def test_where_nothing_was_measured_there_is_no_stretch(store: Store) -> None:
    with fill(store, 3).snapshot() as tx:
        assert tx.stretches(drive_id(1), CELSIUS, NOW - 9 * DAY, NOW - 8 * DAY, most=10) == ()
        assert tx.stretches(DriveId("stranger"), CELSIUS, NOW - DAY, NOW, most=10) == ()
        assert tx.stretches(drive_id(1), Metric.WEAR_PERCENT, NOW - DAY, NOW, most=10) == ()
