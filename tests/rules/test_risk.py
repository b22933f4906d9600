"""Chance of failing: base rate times factors, bounded, with an interval."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.rules.build import DAY, T0, identity
from watcher.facts.drive import Medium, Metric, Trace
from watcher.rules import risk_table
from watcher.rules.risk import (
    CHANCE_BOUND,
    FACTOR_BOUND,
    LOG_MEDIA,
    MONTH,
    OTHER_SIGNS,
    OWN_VERDICT,
    SIGN_WORDS,
    SIGNS,
    Part,
    base_rows,
    believable_hours,
    chance_30_days,
    chance_from,
    chance_within,
    class_of,
    model_key,
    rate_at,
    relative_risk,
    together,
    values_of,
)

PENDING, MOVED = Metric.PENDING_SECTORS, Metric.REALLOCATED_SECTORS
NEW = identity("a", model="Altair A8")


def part(factor: float, sign: str = "pending", *, width: float = 2.0) -> Part:
    """Make a factor with an interval."""
    return Part(sign=sign, factor=factor, low=factor / width, high=factor * width)


def test_a_rate_makes_the_chance_of_a_month() -> None:
    """1 - exp(-rate x time): REFERENCES trap 14, 0.876% a year linear is 0.872% (1 million h)."""
    year = timedelta(days=365.25)
    assert chance_within(8766 / 1_000_000, year) == pytest.approx(0.00873, abs=2e-5)
    assert chance_within(0.05, MONTH) == pytest.approx(1 - math.exp(-0.05 * 30 / 365.25))
    assert chance_within(0.0, MONTH) == 0.0
    assert chance_within(1e9, MONTH) == CHANCE_BOUND


def test_scan_errors_of_2007_stay_below_certainty() -> None:
    """REFERENCES 3.1: 39 times the rate at 1.7% a year is 10.3% in 60 days, never 39 x p."""
    assert chance_within(39 * 0.017, timedelta(days=60)) == pytest.approx(0.103, abs=0.001)


def test_factors_of_signs_that_were_fitted_together_multiply() -> None:
    """With a bound; the interval adds up in the logarithm."""
    assert together(()) == (1.0, 1.0, 1.0)
    assert together((part(4.0),)) == pytest.approx((4.0, 2.0, 8.0))
    centre, low, high = together((part(4.0), part(3.0, "reallocated")))
    spread = math.exp(math.log(2) * math.sqrt(2))
    assert (centre, low, high) == pytest.approx((12.0, 12.0 / spread, 12.0 * spread))
    assert together((part(100.0), part(100.0, "unreadable")))[0] == pytest.approx(FACTOR_BOUND)


def test_other_signs_do_not_multiply_the_strongest_counts() -> None:
    """The log, a self-test and the counters often tell of the same sector."""
    assert together((part(39.0, LOG_MEDIA), part(6.0)))[0] == pytest.approx(39.0)
    assert together((part(39.0, LOG_MEDIA), part(50.0)))[0] == pytest.approx(50.0)
    assert together((part(39.0, LOG_MEDIA), part(50.0, OWN_VERDICT)))[0] == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("model", "key"),
    [
        ("WDC WD30EFRX-68AX9N0", "WD30EFRX"),
        ("WDC  WUH721816ALE6L4", "WUH721816ALE6L4"),
        ("st3000dm001", "ST3000DM001"),
        ("ST3000DM001-1CH166", "ST3000DM001"),
        ("", ""),
    ],
)
def test_a_model_is_known_by_its_makers_number(model: str, key: str) -> None:
    """Owners' tools put makers before it and revisions behind."""
    assert model_key(model) == key


@pytest.mark.parametrize(
    ("facts", "kind"),
    [
        ({"medium": Medium.FLASH}, "flash"),
        ({"capacity_bytes": 4 * 10**12}, "large"),
        ({"capacity_bytes": 4 * 10**12 - 1}, "small"),
        ({"capacity_bytes": None, "medium": Medium.UNKNOWN}, "large"),
        ({"capacity_bytes": 5 * 10**11, "medium": Medium.FLASH}, "flash"),
    ],
)
def test_a_drive_of_an_unknown_model_is_known_by_its_class(
    facts: dict[str, object], kind: str
) -> None:
    """Flash, small or large."""
    assert class_of(identity("a", **facts)) == kind


def test_the_rate_follows_age_and_forgives_an_unknown_one() -> None:
    """Rows hold from their age on; equal counts; no age is the first row; hours must be true."""
    rows = ((0.0, 0.1, 0.1, 0.1), (2.0, 0.2, 0.2, 0.2))
    for hours, rate in ((None, 0.1), (0, 0.1), (17_531, 0.1), (17_532, 0.2), (900_000, 0.1)):
        assert rate_at(rows, hours)[1] == rate
    assert believable_hours(-1) is None


def test_a_known_model_has_its_own_rate_less_the_share_of_drives_with_signs() -> None:
    """Backblaze lifetime data up to 2024 Q2: ST12000NM0007 2.148% a year."""
    known = identity("a", model="ST12000NM0007")
    assert base_rows(known)[0][1] == pytest.approx(0.0215 * risk_table.SIGNLESS_SHARE, rel=0.01)
    assert base_rows(NEW) == risk_table.BASE["large"]


def test_signs_that_are_not_known_are_absent() -> None:
    """Not zero: an absent metric, or a rise without history."""
    metrics = {PENDING: 4, MOVED: 0}
    assert values_of(metrics, lambda _metric, _window: None) == {
        "pending": 4,
        "reallocated": 0,
        "reallocated-rise": 0,
    }


def test_an_offline_count_that_repeats_the_pending_one_counts_once() -> None:
    """197 and 198 are one counter on one large maker's drives (BASELINE, point 4)."""
    both = {PENDING: 8, Metric.OFFLINE_UNCORRECTABLE: 8}
    assert values_of(both, lambda _m, _w: None)["offline-unreadable"] == 0
    more = {PENDING: 8, Metric.OFFLINE_UNCORRECTABLE: 11}
    assert values_of(more, lambda _m, _w: None)["offline-unreadable"] == 3


def test_a_chance_names_what_raised_it_strongest_first() -> None:
    """Interpretable: sign by sign."""
    chance = chance_30_days(
        identity=NEW,
        metrics={PENDING: 24, MOVED: 4000, Metric.POWER_ON_HOURS: 9000},
        traces={MOVED: Trace(metric=MOVED, points=((T0 - 60 * DAY, 0), (T0, 4000)))},
        now=T0,
        others=(LOG_MEDIA,),
    )
    names = [p.sign for p in chance.parts]
    assert set(names) == {"log-media", "pending", "reallocated", "reallocated-rise"}
    assert [p.factor for p in chance.parts] == sorted(
        (p.factor for p in chance.parts), reverse=True
    )
    assert chance.low < chance.p < chance.high
    assert chance.base == risk_table.BASE["large"][0][1]


def test_with_no_sign_the_chance_is_the_base_and_not_zero() -> None:
    """No sign is never called healthy."""
    chance = chance_30_days(identity=NEW, metrics={}, traces={}, now=T0)
    assert chance.parts == ()
    assert chance.p == pytest.approx(chance_within(risk_table.BASE["large"][0][1], MONTH))
    assert chance.p > 0


COUNTS = st.integers(0, 70_000)


@given(COUNTS, COUNTS, COUNTS, st.integers(0, 70_000))
def test_more_of_a_sign_never_means_less_risk(
    pending: int, moved: int, unreadable: int, more: int
) -> None:
    """Each factor rises or stays with its value, also within the interval's bounds."""
    signs = {PENDING: pending, MOVED: moved, Metric.REPORTED_UNCORRECTABLE: unreadable}
    low = relative_risk(metrics=signs, traces={}, now=T0)[0]
    assert 1.0 <= low <= FACTOR_BOUND + 1e-6
    for metric, value in signs.items():
        raised = signs | {metric: value + more}
        assert relative_risk(metrics=raised, traces={}, now=T0)[0] >= low


@given(st.lists(st.floats(1.0, 100.0), max_size=8))
def test_a_chance_is_a_chance(factors: list[float]) -> None:
    """Between 0 and its bound, inside its interval."""
    parts = tuple(part(f) for f in factors)
    chance = chance_from(NEW, 9000, parts)
    assert 0 < chance.low <= chance.p <= chance.high <= CHANCE_BOUND


def test_every_sign_has_words() -> None:
    """For the person who asks what raised it."""
    assert set(SIGN_WORDS) == {sign.name for sign in SIGNS} | set(OTHER_SIGNS)
