"""How likely a drive is to fail."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.exposure.pools import life
from watcher.exposure.chance import happens_within
from watcher.exposure.figure import ONE, Figure
from watcher.exposure.life import (
    CLUSTERING,
    HARD_DISK_AFR,
    HOURS_PER_YEAR,
    DriveClass,
    DriveLife,
    Kinship,
    age_factor,
    base_afr,
    clustered_hours,
    hazard,
    hazard_from_afr,
    is_worn,
    kinship,
)
from watcher.facts.identity import DriveId

AGES = st.one_of(st.none(), st.floats(0, 200_000))
CLASSES = st.sampled_from(DriveClass)
TABLE = Path(__file__).resolve().parents[2] / ".." / "shared" / "data" / "afr_tables" / "afr.csv"


def test_the_pooled_rate_is_that_of_the_published_table() -> None:
    """Recomputed from the table of models wherever it is at hand."""
    if not TABLE.exists():
        pytest.skip("the published table of models (shared/data/afr_tables) is not here")
    with TABLE.open() as lines:
        rows = [
            row
            for row in csv.DictReader(lines)
            if "2013" not in row["source"] and "SSD" not in row["model"]
        ]
    days = sum(float(row["drive_days"]) for row in rows)
    failures = sum(int(row["failures"]) for row in rows)
    assert (round(days), failures) == (469_559_586, 21_582)
    assert HARD_DISK_AFR.likely == pytest.approx(365 * failures / days, abs=6e-5)
    rates = sorted(
        (365 * int(row["failures"]) / float(row["drive_days"]), float(row["drive_days"]))
        for row in rows
    )
    passed = 0.0
    ends: list[float] = []
    for rate, weight in rates:
        ends += [rate for p in (0.1, 0.9) if passed < p * days <= passed + weight]
        passed += weight
    assert (HARD_DISK_AFR.low, HARD_DISK_AFR.high) == pytest.approx(ends, abs=6e-5)


def test_age_factors_at_the_published_ages() -> None:
    """3.0 times at ten years and three months, 5.1 over 1.4 early, 11.8 over 1.4 late (upper)."""
    two, ten = 2 * HOURS_PER_YEAR, 10.25 * HOURS_PER_YEAR
    assert age_factor(DriveClass.HARD_DISK, two) == ONE
    assert age_factor(DriveClass.HARD_DISK, ten).likely == pytest.approx(4.25 / 1.4, abs=0.05)
    assert age_factor(DriveClass.HARD_DISK, 100.0).high == pytest.approx(5.1 / 1.4, abs=0.05)
    assert age_factor(DriveClass.HARD_DISK, ten).high == pytest.approx(11.8 / 1.4, abs=0.05)
    assert age_factor(DriveClass.FLASH, ten) == ONE


@given(st.floats(3 * 8760, 200_000), st.floats(0, 50_000))
def test_past_three_years_a_disk_gets_no_safer(age: float, more: float) -> None:
    young = age_factor(DriveClass.HARD_DISK, age)
    old = age_factor(DriveClass.HARD_DISK, age + more)
    assert old.likely >= young.likely
    assert old.high >= young.high


@given(CLASSES, AGES, st.floats(1, 100), st.floats(1, 10))
def test_worse_signs_never_lower_the_hazard(
    drive_class: DriveClass, age: float | None, risk: float, worse: float
) -> None:
    one = life(1, drive_class=drive_class, age_hours=age, risk=Figure.exactly(risk))
    other = life(1, drive_class=drive_class, age_hours=age, risk=Figure.exactly(risk * worse))
    assert hazard(other).likely >= hazard(one).likely


def test_a_relative_risk_of_39_within_sixty_days_stays_a_chance() -> None:
    """Pinheiro et al., FAST 2007 (second hand): 39 times after a first scan error.

    With an AFR of 1.7% the 60-day base is 0.279%; as a hazard 10.3%, and never above 1.
    """
    rate = hazard_from_afr(0.017)
    base = happens_within(rate, 60 * 24)
    assert 100 * base == pytest.approx(0.279, abs=0.001)
    assert 100 * happens_within(39 * rate, 60 * 24) == pytest.approx(10.3, abs=0.1)
    assert happens_within(39_000 * rate, 60 * 24) <= 1.0


@given(CLASSES, AGES)
def test_what_is_not_known_is_never_safer_than_a_sound_drive_of_three_years(
    drive_class: DriveClass, age: float | None
) -> None:
    unknown = base_afr(DriveClass.UNKNOWN, None)
    if age is not None and age <= 3 * HOURS_PER_YEAR:
        assert unknown.likely >= base_afr(drive_class, age).likely
    assert unknown.high >= base_afr(DriveClass.HARD_DISK, 2 * HOURS_PER_YEAR).high


def test_worn_flash_counts_as_riskier() -> None:
    fresh = life(1, drive_class=DriveClass.FLASH, wear_percent=89.0)
    worn = life(1, drive_class=DriveClass.FLASH, wear_percent=90.0)
    assert not is_worn(fresh)
    assert is_worn(worn)
    assert hazard(worn).likely > hazard(fresh).likely
    assert hazard(worn).low == hazard(fresh).low


@pytest.mark.parametrize("field", ["age_hours", "capacity_bytes", "pending_sectors"])
def test_refuses_numbers_below_zero(field: str) -> None:
    with pytest.raises(ValueError, match=field):
        DriveLife(drive=DriveId("x"), **{field: -1})  # type: ignore[arg-type]


def test_kinship_takes_the_careful_side() -> None:
    twins = [life(1, model="A", age_hours=5000.0), life(2, model="A", age_hours=5900.0)]
    apart = [life(1, model="A", age_hours=5000.0), life(2, model="A", age_hours=9000.0)]
    unlike = [life(1, model="A"), life(2, model="B")]
    nameless = [life(1, model=None), life(2, model="B")]
    assert kinship(twins) is Kinship.SAME_BATCH
    assert kinship(apart) is Kinship.SAME_MODEL
    assert kinship(unlike) is Kinship.UNLIKE
    assert kinship(nameless) is Kinship.SAME_MODEL
    assert kinship([*unlike, *twins]) is Kinship.SAME_BATCH
    order = [CLUSTERING[kin].likely for kin in Kinship]
    assert order == sorted(order)


@given(st.floats(0, 5000), st.floats(0, 5000), st.floats(1, 200), st.floats(0, 500))
def test_clustering_only_ever_adds(hours: float, since: float, factor: float, more: float) -> None:
    worth = clustered_hours(hours, since, factor)
    assert hours * (1 - 1e-9) <= worth <= hours * factor * (1 + 1e-9)
    assert clustered_hours(hours + more, since, factor) >= worth * (1 - 1e-12)
    assert clustered_hours(hours, since + more, factor) <= worth * (1 + 1e-12)
