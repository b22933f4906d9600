"""Numbers in a person's words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.units import (
    between_words,
    capital,
    say_bytes,
    say_count,
    say_day,
    say_done,
    say_percent,
    say_span,
)


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (None, "size unknown"),
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1_000, "1 kB"),
        (8_001_563_222_016, "8 TB"),
        (1_500_000, "1.5 MB"),
        (99_900_000, "99.9 MB"),
        (100_400_000, "100 MB"),
        (1_500_301_910_016, "1.5 TB"),
        (1_200_000_000_000_000, "1.2 PB"),
        (500_107_862_016, "500 GB"),
        (16_000_900_661_248, "16 TB"),
        (999_653_638_144, "1 TB"),
        (999_400_000_000, "999 GB"),
    ],
)
def test_sizes_are_said_as_drives_are_sold(count: int | None, said: str) -> None:
    assert say_bytes(count) == said


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (timedelta(seconds=12), "12 s"),
        (timedelta(minutes=40), "40 min"),
        (timedelta(hours=3, minutes=5), "3 h 5 min"),
        (timedelta(hours=24), "1 day"),
        (timedelta(days=2, hours=3), "2 days 3 h"),
        (timedelta(days=13, hours=1), "13 days 1 h"),
        (timedelta(days=14, hours=23), "14 days"),
        (timedelta(days=40, hours=3), "40 days"),
        (-timedelta(hours=1), "1 h"),
    ],
)
def test_spans_are_said_in_their_largest_units(span: timedelta, said: str) -> None:
    assert say_span(span) == said


def test_a_day_says_by_which_clock_it_is_meant() -> None:
    assert say_day(datetime(2026, 2, 1, 23, 30, tzinfo=UTC)) == "2026-02-01 (UTC)"
    tokyo = timezone(timedelta(hours=9))
    assert say_day(datetime(2026, 2, 2, 8, 30, tzinfo=tokyo)) == "2026-02-01 (UTC)"


def test_counts_agree_with_their_noun() -> None:
    assert [say_count(n, "drive") for n in (0, 1, 2)] == ["0 drives", "1 drive", "2 drives"]
    assert say_count(2, "try", "tries") == "2 tries"


@given(st.floats(0, 1))
def test_a_small_share_never_becomes_nothing(share: float) -> None:
    said = say_percent(share)
    assert said.endswith("%")
    assert not said.startswith("0%")
    assert (said == "100%") is (share == 1)


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0009, "under 0.1%"),
        (0.001, "0.1%"),
        (0.004, "0.4%"),
        (0.00999, "1%"),
        (0.015, "1.5%"),
        (0.0999, "10%"),
        (0.12, "12%"),
        (0.999, "99.9%"),
        (0.9896, "99%"),
        (0.9912, "99.1%"),
        (0.99, "99%"),
        (0.996, "99.6%"),
        (0.9995, "over 99.9%"),
    ],
)
def test_small_shares_do_not_vanish_and_nearly_all_is_not_all(share: float, said: str) -> None:
    assert say_percent(share) == said


@given(st.floats(0, 1))
def test_work_is_never_said_to_be_further_than_it_is(share: float) -> None:
    said = float(say_done(share).removesuffix("%"))
    assert said <= share * 100 + 1e-6
    assert share * 100 - said < (1.0 if share >= 0.1 else 0.1) + 1e-6


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "0%"), (0.004, "0.4%"), (0.0461, "4.6%"), (0.29, "29%"), (0.996, "99%"), (1.0, "100%")],
)
def test_how_far_work_is_is_rounded_down(share: float, said: str) -> None:
    assert say_done(share) == said


def test_a_clause_begins_a_sentence_and_keeps_its_other_capitals() -> None:
    assert capital("the half that reads SMART") == "The half that reads SMART"
    assert capital("") == ""


def test_a_command_with_dashes_stays_in_one_piece_at_the_edge() -> None:
    assert between_words("If so: midwatch retire --pool mw-real-3.", 34) == (
        "If so: midwatch retire --pool\nmw-real-3."
    )
    assert between_words("/var/lib/midwatch/midwatch.db", 20) == "/var/lib/midwatch/midwatch.db"
