"""Lengths of time that are not known exactly."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.span import LONGEST_HOURS, NO_TIME, VALUES, Span, lasting

HOURS = st.floats(0, 1e5, allow_subnormal=False)


@st.composite
def spans(draw: st.DrawFn) -> Span:
    earliest, likely, latest = sorted(draw(st.lists(HOURS, min_size=3, max_size=3)))
    return Span.about(earliest, likely, latest)


@pytest.mark.parametrize(("early", "mid", "late"), [(1, 3, 10), (0, 5, 8), (2, 2, 6), (3, 4, 4)])
def test_gives_back_the_three_points_it_was_made_of(early: float, mid: float, late: float) -> None:
    span = Span.about(early, mid, late)
    assert span.earliest == pytest.approx(early, rel=0.01, abs=0.2)
    assert span.likely == pytest.approx(mid, rel=0.02)
    assert span.latest == pytest.approx(late, rel=0.02)


@given(spans(), spans())
def test_means_add_exactly_and_the_order_does_not_matter(one: Span, other: Span) -> None:
    both = one.plus(other)
    assert both.mean == pytest.approx(one.mean + other.mean, rel=1e-9, abs=1e-9)
    assert both.values == pytest.approx(other.plus(one).values)
    assert len(both.values) <= VALUES


def test_a_sum_matches_a_large_sample() -> None:
    """Against 200,000 seeded draws from the same two distributions."""
    one, other = Span.about(2, 5, 20), Span.about(10, 12, 18)
    both = one.plus(other)
    chance = random.Random(5)
    sample = sorted(chance.choice(one.values) + chance.choice(other.values) for _ in range(200_000))
    for share in (0.1, 0.5, 0.9):
        assert both.quantile(share) == pytest.approx(sample[int(share * len(sample))], rel=0.02)


@given(spans(), HOURS)
def test_a_certain_length_only_shifts(span: Span, hours: float) -> None:
    moved = span.plus(Span.exactly(hours))
    assert moved.values == tuple(value + hours for value in span.values)
    assert span.plus(NO_TIME) == span


@given(spans(), st.sampled_from([1, 4, 8, 7]))
def test_nodes_keep_the_mean(span: Span, count: int) -> None:
    nodes = span.nodes(count)
    if VALUES % count == 0:
        assert sum(nodes) / len(nodes) == pytest.approx(span.mean, rel=1e-9)
    assert list(nodes) == sorted(nodes)


@given(spans(), spans(), st.floats(0, 1))
def test_a_mixture_lies_between_its_parts(one: Span, other: Span, share: float) -> None:
    mixed = one.or_else(other, share)
    assert min(one.values[0], other.values[0]) <= mixed.values[0] * (1 + 1e-9) + 1e-9
    assert mixed.values[-1] <= max(one.values[-1], other.values[-1]) * (1 + 1e-9) + 1e-9


def test_a_mixture_has_the_mixed_mean() -> None:
    mixed = Span.exactly(10.0).or_else(Span.exactly(110.0), 0.25)
    assert mixed.mean == pytest.approx(35.0)


@pytest.mark.parametrize("values", [(), (-1.0,), (2.0, 1.0), (float("inf"),)])
def test_refuses_what_is_no_length(values: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="span"):
        Span(values)


def test_refuses_points_out_of_order() -> None:
    with pytest.raises(ValueError, match="want 0"):
        Span.about(3, 2, 5)


def test_a_length_that_passes_the_calendar_is_a_hundred_years() -> None:
    """datetime ends with the year 9999, and a size that was misread takes longer."""
    assert lasting(1.5) == timedelta(minutes=90)
    assert lasting(1e30) == timedelta(hours=LONGEST_HOURS) == -lasting(-1e30)
