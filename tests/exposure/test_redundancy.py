"""Closed forms: properties (published figures are in tests/reference)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.redundancy import Repair, chain, chance_within, together

HOURS = st.floats(1e3, 1e7)
REPAIRS = st.floats(0.1, 1e3)


@given(HOURS, REPAIRS, st.integers(2, 24), st.integers(0, 3), st.sampled_from(Repair))
def test_more_members_and_less_parity_never_help(
    mttf: float, mttr: float, drives: int, bears: int, repair: Repair
) -> None:
    if bears >= drives:
        return
    one = chain(mttf, mttr, drives, bears, repair)
    assert chain(mttf, mttr, drives + 1, bears, repair) < one
    if bears:
        assert chain(mttf, mttr, drives, bears - 1, repair) < one
    assert chain(mttf, 2 * mttr, drives, bears, repair) <= one


@given(st.lists(HOURS, min_size=1, max_size=5))
def test_causes_side_by_side_are_shorter_than_the_shortest(causes: list[float]) -> None:
    assert together(causes) <= min(causes) * (1 + 1e-12)


@given(HOURS, st.floats(0, 1e9))
def test_a_chance_is_a_chance(mttdl: float, hours: float) -> None:
    assert 0.0 <= chance_within(mttdl, hours) <= 1.0


def test_a_group_cannot_bear_the_loss_of_all() -> None:
    with pytest.raises(ValueError, match="cannot bear"):
        chain(1e5, 10, 3, 3)
