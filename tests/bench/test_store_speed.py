"""The promised size and speed, with room for a busy machine (figures: tests/bench/store.py)."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from tests.bench.store import DRIVES, END, Box, live, measure, moments
from watcher.store.database import open_store

FEW = 3
YEARS = 5


@pytest.mark.slow
def test_five_years_of_24_drives_stay_under_50_mib(tmp_path: Path) -> None:
    """Lived with three drives, and scaled: almost all of it is series of drives."""
    path = tmp_path / "m.db"
    with open_store(path, now=END) as store:
        live(store, Box(drives=FEW), YEARS * 365)
        with store.transaction() as tx:
            tx.roll_up(END)
    assert path.stat().st_size / FEW * DRIVES < 50 * 2**20


def test_a_survey_costs_a_few_milliseconds_and_no_more_with_history_behind_it(
    tmp_path: Path,
) -> None:
    """In processor time, the better of two tries each: the work, not the machine's other load."""
    with open_store(tmp_path / "old.db", now=END) as old:
        box = Box()
        for day in range(1, 700):
            at = END - timedelta(days=700 - day)
            with old.transaction() as tx:
                tx.take_survey(box.survey(at, 1), at)
        after = [min(pair) for pair in zip(measure(old, box), measure(old, box), strict=True)]
    with open_store(tmp_path / "new.db", now=END) as new:
        box = Box()
        before = [min(pair) for pair in zip(measure(new, box), measure(new, box), strict=True)]
    take, ask = after
    assert take < 25
    assert ask < 15
    assert take < 2 * before[0]
    assert ask < 3 * before[1]


def test_the_times_that_are_lived_through_are_those_that_are_kept() -> None:
    spans = [(at, per_day) for at, per_day in moments(130)]
    assert [per_day for _, per_day in spans[:: len(spans) - 1]] == [2, 144]
    assert all(one[0] < other[0] for one, other in pairwise(spans))
