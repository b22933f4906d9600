"""A number with its interval."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.figure import (
    NONE,
    ONE,
    Figure,
    chance_of_any,
    say_alike,
    say_chance,
    say_likely,
)


@st.composite
def chances(draw: st.DrawFn) -> Figure:
    low, likely, high = sorted(draw(st.lists(st.floats(0, 1), min_size=3, max_size=3)))
    return Figure(low=low, likely=likely, high=high)


@pytest.mark.parametrize("ends", [(2, 1, 3), (0, 2, 1), (-1, 0, 1), (0, 1, float("inf"))])
def test_refuses_ends_that_are_out_of_order(ends: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="low <= likely <= high"):
        Figure(low=ends[0], likely=ends[1], high=ends[2])


def test_multiplies_end_with_end() -> None:
    one = Figure(low=1, likely=2, high=3)
    assert one.times(one) == Figure(low=1, likely=4, high=9)
    assert one.scaled(2) == Figure(low=2, likely=4, high=6)
    assert one.times(ONE) == one
    assert one.times(NONE) == NONE


@given(st.lists(chances(), max_size=6))
def test_any_of_several_is_a_chance_and_no_smaller_than_the_largest(several: list[Figure]) -> None:
    either = chance_of_any(several)
    assert 0 <= either.low <= either.likely <= either.high <= 1
    for one in several:
        assert either.likely >= one.likely * (1 - 1e-12)


def test_tiny_chances_do_not_vanish_when_combined() -> None:
    tiny = Figure.exactly(1e-17)
    assert chance_of_any([tiny, tiny]).likely == pytest.approx(2e-17)


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (0.0, "none"),
        (1.0, "almost certain"),
        (0.25, "25%"),
        (0.012, "1.2%"),
        (0.0025, "1 in 400"),
        (1 / 12_345, "1 in 12,000"),
        (1e-9, "less than 1 in a million"),
    ],
)
def test_says_small_chances_so_that_they_can_be_compared(chance: float, text: str) -> None:
    assert say_chance(chance) == text


@given(st.floats(min_value=5e-324, max_value=1.0))
def test_never_says_that_what_can_happen_cannot(chance: float) -> None:
    assert say_chance(chance) != "none"
    assert "under 0.1%" not in say_chance(chance)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (1.6e-6, 0.012, ("1 in 620,000", "1 in 83")),
        (0.002, 0.19, ("1 in 500", "1 in 5")),
        (0.002, 0.2, ("1 in 500", "20%")),
        (0.02, 0.05, ("2%", "5%")),
        (0.0, 0.05, ("none", "5%")),
    ],
)
def test_both_ends_of_an_interval_are_said_alike(
    low: float, high: float, said: tuple[str, str]
) -> None:
    assert say_alike(low, high) == said


def test_a_chance_and_its_interval_are_said_in_one_manner() -> None:
    assert say_likely(0.0018, 0.00033, 0.012) == "1 in 560 (1 in 3,000 to 1 in 83)"
    assert say_likely(0.03, 0.005, 0.3) == "3% (1 in 200 to 30%)"
    assert say_likely(0.9999, 0.999, 1.0) == "almost certain"
