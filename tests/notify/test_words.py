"""Times as a person says them, and text that is cut to fit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.notify.words import (
    clean,
    cut,
    gist,
    say_long,
    say_when,
    short_label,
    split_at,
    whole_sentences,
)

NOW = datetime(2031, 3, 6, 22, 30, tzinfo=UTC)  # Thursday; Friday 07:30 in Tokyo


@pytest.mark.parametrize(
    ("hours", "zone", "text"),
    [
        (1, "UTC", "23:30 today"),
        (2, "UTC", "00:30 tomorrow"),
        (-24, "UTC", "22:30 yesterday"),
        (72, "UTC", "Sun 22:30"),
        (24 * 6, "UTC", "Wed 22:30"),
        (-24 * 6, "UTC", "Fri 22:30"),
        (24 * 7, "UTC", "13 Mar 22:30"),
        (-24 * 70, "UTC", "26 Dec 2030 22:30"),
        (1, "Asia/Tokyo", "08:30 today"),
    ],
)
def test_a_moment_is_said_by_its_local_day(hours: int, zone: str, text: str) -> None:
    assert say_when(NOW + timedelta(hours=hours), NOW, ZoneInfo(zone)) == text


@pytest.mark.parametrize(
    ("span", "text"),
    [
        (timedelta(seconds=20), "about a minute"),
        (timedelta(seconds=89), "about a minute"),
        (timedelta(seconds=90), "2 minutes"),
        (timedelta(minutes=90), "90 minutes"),
        (timedelta(minutes=119), "119 minutes"),
        (timedelta(hours=2), "2 hours"),
        (timedelta(hours=47), "47 hours"),
        (timedelta(hours=48), "2 days"),
        (timedelta(days=9, hours=13), "10 days"),
    ],
)
def test_how_long_it_lasted_is_said_roughly(span: timedelta, text: str) -> None:
    assert say_long(span) == text


@given(st.text(), st.integers(1, 300))
def test_a_cut_text_is_never_longer_than_asked(text: str, longest: int) -> None:
    assert len(cut(text, longest)) <= longest
    assert "\n" not in cut(text, longest)


@given(st.text(), st.integers(20, 300))
def test_splitting_loses_no_word(text: str, longest: int) -> None:
    first, rest = split_at(text, longest)
    assert len(first) <= longest
    joined = f"{first.removesuffix('…')} {rest.removeprefix('…')}" if rest else first
    assert joined.replace(" ", "") == clean(text).replace(" ", "")


def test_control_and_direction_characters_are_dropped() -> None:
    assert clean("a\x1b[31mb\u202ec\td\n\u0000e") == "a[31mbc d e"


def test_the_short_label_is_what_a_person_says() -> None:
    assert short_label("bay 3 (Altair A8, 8 TB, serial X)") == "bay 3"
    assert short_label("(odd)") == "(odd)"


@pytest.mark.parametrize(
    ("text", "longest", "said"),
    [
        ("x" * 50, 10, "x" * 9 + "…"),
        ("ab cd", 5, "ab cd"),
        ("ab cdefgh", 6, "ab cd…"),
        ("abcd efgh", 7, "abcd…"),
        ("abc, defgh", 6, "abc…"),
    ],
)
def test_what_is_cut_fills_its_place_and_says_that_it_was_cut(
    text: str, longest: int, said: str
) -> None:
    assert cut(text, longest) == said


def test_the_gist_leaves_out_how_the_pool_stands() -> None:
    """A line of its own says the margin; the rest of the sentence stays whole."""
    said = (
        "Some sectors are in doubt. It belongs to the pool orchard, which can lose 2 more drives."
    )
    assert gist(said) == "Some sectors are in doubt."
    assert gist(f"{said.replace('orchard', 'tank.v2')} And more.") == (
        "Some sectors are in doubt. And more."
    )
    assert gist("The drive is gone.") == "The drive is gone."


def test_long_text_ends_with_a_whole_sentence_where_one_fits() -> None:
    """Only when not even one sentence fits is it cut at a word."""
    text = "Check the cable first. Then look at the power. Replace the drive if it stays away."
    assert whole_sentences(text, 60) == "Check the cable first. Then look at the power."
    assert whole_sentences(text, 12) == "Check the…"
    assert split_at("Check the cable and the power", 12) == ("Check the…", "…cable and the power")
    assert split_at(f"Check {'x' * 20}", 12) == ("Check xxxxx…", f"…{'x' * 15}")
    assert split_at(text, 30) == (
        "Check the cable first.",
        "Then look at the power. Replace the drive if it stays away.",
    )
