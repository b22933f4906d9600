"""When a message that did not arrive is tried again."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.service.retry import LONGEST_GAP, PERMANENT_GAP, SPREAD, next_try

NOW = datetime(2031, 3, 6, tzinfo=UTC)


@pytest.mark.parametrize(
    ("attempt", "seconds"), [(1, 30), (2, 60), (3, 120), (4, 240), (5, 480), (6, 900), (99, 900)]
)
def test_the_gap_doubles_from_half_a_minute_to_a_quarter_of_an_hour(
    attempt: int, seconds: int
) -> None:
    assert next_try(attempt, NOW, 0.5) == NOW + timedelta(seconds=seconds)


def test_a_failure_of_our_own_is_tried_again_at_once() -> None:
    assert next_try(1, NOW, 0.5, ours=True) == NOW + timedelta(seconds=2)
    assert next_try(99, NOW, 0.5, ours=True) == NOW + LONGEST_GAP


def test_a_refusal_for_good_is_tried_again_seldom() -> None:
    assert next_try(1, NOW, 0.5, permanent=True) == NOW + PERMANENT_GAP


@given(st.integers(1, 10**9), st.floats(0, 1), st.booleans(), st.booleans())
def test_every_gap_is_bounded(attempt: int, chance: float, permanent: bool, ours: bool) -> None:
    gap = next_try(attempt, NOW, chance, permanent=permanent, ours=ours) - NOW
    assert timedelta(seconds=1) < gap <= PERMANENT_GAP * (1 + SPREAD)
    if not permanent:
        assert gap <= LONGEST_GAP * (1 + SPREAD)


@given(st.integers(1, 40), st.floats(0, 1))
def test_a_later_attempt_never_comes_sooner(attempt: int, chance: float) -> None:
    assert next_try(attempt, NOW, chance) <= next_try(attempt + 1, NOW, chance)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="counted from 1"):
        next_try(0, NOW, 0.5)
    with pytest.raises(ValueError, match="between 0 and 1"):
        next_try(1, NOW, 1.5)
