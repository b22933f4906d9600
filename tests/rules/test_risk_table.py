"""The fitted table: sound, and true to its sources."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from watcher.rules import risk_table
from watcher.rules.risk import OTHER_SIGNS, SIGNS, model_key

PUBLISHED = (
    Path(__file__).resolve().parents[2].parent / "shared" / "data" / "afr_tables" / "afr.csv"
)


@pytest.mark.parametrize("table", [risk_table.BASE, risk_table.FACTORS, risk_table.MODELS])
def test_rows_rise_in_their_start_and_hold_their_number_in_an_interval(
    table: dict[str, risk_table.Rows],
) -> None:
    """(from, number, low, high)."""
    for name, rows in table.items():
        starts = [row[0] for row in rows]
        assert starts == sorted(set(starts)), name
        for _, number, low, high in rows:
            assert 0 < low <= number <= high, name


def test_factors_never_fall_and_start_at_one_at_least() -> None:
    """More of a sign never means less risk."""
    for name, rows in risk_table.FACTORS.items():
        numbers = [row[1] for row in rows]
        assert numbers == sorted(numbers), name
        assert numbers[0] >= 1, name
        assert rows[0][0] >= 1, name


def test_every_factor_belongs_to_a_sign_and_every_likeness_to_a_factor() -> None:
    """No row is dead, and no sign leans on a row that is not there."""
    assert risk_table.FACTORS.keys() <= {sign.name for sign in SIGNS} | OTHER_SIGNS.keys()
    for sign in SIGNS:
        if sign.like is not None:
            assert sign.like in risk_table.FACTORS


def test_each_class_starts_at_age_zero() -> None:
    """So that every drive finds a row."""
    for rows in (*risk_table.BASE.values(), *risk_table.MODELS.values()):
        assert rows[0][0] == 0
    assert risk_table.BASE.keys() == {"small", "large", "flash"}
    assert 0 < risk_table.SIGNLESS_SHARE <= 1


def test_the_first_pending_sector_agrees_with_published_work_in_order() -> None:
    """FAST 2007 section 3.5.4 has 16 times for the first; ours, beside other signs, is less."""
    (row,) = risk_table.FACTORS["pending"]
    assert 2 < row[1] < 16


def test_model_rates_are_those_of_the_published_table() -> None:
    """Backblaze lifetime data up to 2024 Q2 (skipped where the table is not beside us)."""
    if not PUBLISHED.exists():
        pytest.skip("the folder shared/data is not beside the repository")
    with PUBLISHED.open(newline="") as file:
        rows = [r for r in csv.DictReader(file) if not r["source"].startswith("computed")]
    checked = 0
    for row in rows:
        kept = risk_table.MODELS.get(model_key(row["model"]))
        if kept is None or len(kept) > 1:
            continue
        if kept[0][1] == pytest.approx(float(row["afr_pct"]) / 100, rel=0.006):
            checked += 1
    assert checked >= 25
