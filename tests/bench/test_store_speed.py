"""The promised size and speed, with room for a busy machine (figures: tests/bench/store.py)."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from tests.bench.hub import yardstick
from tests.bench.store import DRIVES, END, Box, live, measure, moments
from watcher.store.database import open_store

FEW, MORE = 2, 4
YEARS = 5


@pytest.mark.slow
def test_five_years_of_24_drives_stay_under_50_mib(tmp_path: Path) -> None:
    """Lived with two drives and with four: what a drive adds counts 24 times, the rest once."""

    def lived(drives: int) -> int:
        path = tmp_path / f"{drives}.db"
        with open_store(path, now=END) as store:
            live(store, Box(drives=drives), YEARS * 365)
            with store.transaction() as tx:
                tx.roll_up(END)
        return path.stat().st_size

    few, more = lived(FEW), lived(MORE)
    size = few + (more - few) / (MORE - FEW) * (DRIVES - FEW)
    assert size < 50 * 2**20, f"{size / 2**20:.1f} MiB"


def test_a_survey_costs_a_few_milliseconds_and_no_more_with_years_behind_it(
    tmp_path: Path,
) -> None:
    """In processor time, the better of two tries each, against a fixed piece of work.

    Two years are held against the two months that the questions look back.
    """

    def cost(days: int) -> tuple[float, float]:
        with open_store(tmp_path / f"{days}.db", now=END) as store:
            box = Box()
            for day in range(1, days):
                at = END - timedelta(days=days - day)
                with store.transaction() as tx:
                    tx.take_survey(box.survey(at, 1), at)
            take, ask = zip(measure(store, box), measure(store, box), strict=True)
        return min(take), min(ask)

    yard = min(yardstick() for _ in range(40)) * 1000
    before, after = cost(60), cost(700)
    assert after[0] < 20 * yard  # 9 when this was written
    assert after[1] < 35 * yard  # 15; a drive that moves its counters twice a day is a sick one
    assert after[0] < 2 * before[0]
    assert after[1] < 2 * before[1]


def test_the_times_that_are_lived_through_are_those_that_are_kept() -> None:
    spans = [(at, per_day) for at, per_day in moments(130)]
    assert [per_day for _, per_day in spans[:: len(spans) - 1]] == [2, 144]
    assert all(one[0] < other[0] for one, other in pairwise(spans))
