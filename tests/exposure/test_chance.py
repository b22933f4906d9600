"""From rates to chances, and from many chances to one."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.chance import any_of, count_chances, happens_within, more_than

CHANCES = st.lists(st.floats(0, 1), max_size=8)


def by_hand(chances: list[float], count: int) -> float:
    """Add up every combination: slow and plain."""
    total = 0.0
    for happened in product((True, False), repeat=len(chances)):
        weight = 1.0
        for yes, chance in zip(happened, chances, strict=True):
            weight *= chance if yes else 1 - chance
        if sum(happened) > count:
            total += weight
    return total


@given(CHANCES, st.integers(0, 4))
def test_tail_equals_the_sum_over_all_combinations(chances: list[float], count: int) -> None:
    assert more_than(chances, count) == pytest.approx(by_hand(chances, count), abs=1e-12)


@given(CHANCES, st.integers(0, 4), st.floats(0, 1))
def test_one_more_drive_never_lowers_the_tail(
    chances: list[float], count: int, another: float
) -> None:
    assert more_than([*chances, another], count) >= more_than(chances, count) * (1 - 1e-12)


@given(CHANCES, st.integers(0, 4))
def test_less_margin_never_lowers_the_tail(chances: list[float], count: int) -> None:
    assert more_than(chances, count - 1) >= more_than(chances, count) * (1 - 1e-12)


@given(CHANCES, st.integers(0, 5))
def test_counts_add_up_to_one(chances: list[float], upto: int) -> None:
    assert sum(count_chances(chances, upto)) == pytest.approx(1.0, abs=1e-12)


def test_a_tail_of_tiny_chances_keeps_all_its_digits() -> None:
    assert more_than([1e-9] * 4, 1) == pytest.approx(6e-18, rel=1e-6)
    assert more_than([1e-17] * 24, 0) == pytest.approx(24e-17, rel=1e-9)


def test_certain_things() -> None:
    assert any_of([0.2, 1.0]) == 1.0
    assert any_of([]) == 0.0
    assert more_than([0.1], -1) == 1.0
    assert happens_within(1.0, 1e9) == 1.0
    assert happens_within(0.0, 100.0) == 0.0
