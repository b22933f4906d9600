"""The promised speed, with room for a busy machine (figures: tests/bench/exposure.py)."""

from __future__ import annotations

import random

import pytest

from tests.bench.exposure import DRIVES, PLAN, median_ms, pools
from tests.exposure.pools import NOW, parity, pool
from watcher.exposure.estimate import estimate
from watcher.exposure.years import over_the_years


@pytest.mark.parametrize("words", list(pools()))
def test_a_full_answer_for_24_drives_takes_under_50_ms(words: str) -> None:
    """The best of several runs, in processor time: the work, not the machine's other load."""
    subject = pools()[words]
    best = min(median_ms(lambda: estimate(subject, DRIVES, PLAN, NOW), times=1) for _ in range(7))
    assert best < 50


def test_the_plan_over_the_years_takes_under_3_s() -> None:
    whole = pool(parity(24, 2), scrubbed_at=None)
    took = median_ms(
        lambda: over_the_years(whole, DRIVES, PLAN, NOW, chance=random.Random(1)), times=1
    )
    assert took < 3000
