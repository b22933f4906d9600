from dataclasses import replace
from datetime import UTC, datetime, timedelta
from urllib.parse import parse_qs, urlsplit
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.store.made import case, pool
from watcher.facts.drive import Metric, Unread
from watcher.facts.finding import Urgency
from watcher.facts.pool import MemberState, Work, WorkKind, WorkState
from watcher.web.words import (
    MEMBER,
    UNREAD,
    URGENCY,
    Clockwork,
    address,
    few_signs,
    say_margin,
    say_metric,
    say_standing,
    say_work,
    sentence,
)

NOW = datetime(2026, 3, 8, 2, 40, tzinfo=UTC)
CLOCK = Clockwork(now=NOW, zone=ZoneInfo("Europe/Oslo"))


def test_every_state_has_a_word() -> None:
    assert set(MEMBER) == set(MemberState)
    assert set(UNREAD) == set(Unread)
    assert set(URGENCY) == set(Urgency)
    assert all(say_metric(metric) for metric in Metric)


def test_a_unit_stands_behind_its_metric_as_a_sign() -> None:
    names = [say_metric(metric) for metric in Metric]
    assert not [name for name in names if name.endswith((" celsius", " percent"))]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(
    ("signs", "said"),
    [
        ("no sign", "no sign"),
        ("to know: a; b; c", "to know: a; b; c"),
        ("a; b; c; d", "a; b; 2 more"),
        ("a; b; c; d; e", "a; b; 3 more"),
    ],
)
def test_of_many_signs_the_first_stand_in_a_bay_and_the_rest_is_counted(
    signs: str, said: str
) -> None:
    assert few_signs(signs) == said


def test_what_cannot_be_seen_is_called_blind_and_never_well() -> None:
    for why in set(Unread) - {Unread.ASLEEP, Unread.VANISHED}:
        assert UNREAD[why].startswith("blind")


def test_moments_are_said_in_the_person_s_zone() -> None:
    assert CLOCK.when(NOW) == "03:40 today"
    assert CLOCK.stamp(NOW) == "2026-03-08T03:40+01:00"
    assert CLOCK.local(NOW) == "2026-03-08T03:40"


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (timedelta(seconds=20), "just now"),
        (timedelta(hours=2), "2 h ago"),
        (timedelta(days=-1), "in 1 day"),
    ],
)
def test_how_long_ago_is_said_in_words(span: timedelta, said: str) -> None:
    assert CLOCK.ago(NOW - span) == said


def test_work_is_rounded_down() -> None:
    work = Work(kind=WorkKind.REBUILD, state=WorkState.RUNNING, done_fraction=0.999)
    assert say_work(work) == "Rebuild running, 99% done"


@pytest.mark.parametrize(
    ("lost", "said"),
    [
        (0, "Can lose 2 more drives: its full margin."),
        (1, "Can lose 1 more drive of the 2 it was built to lose."),
        (2, "Can lose no drive more (built to lose 2). The next loss costs data."),
        (3, "Data is lost or out of reach already."),
    ],
)
def test_a_margin_is_a_sentence(lost: int, said: str) -> None:
    assert say_margin(pool(lost=lost, bears=2)) == said


def test_a_closed_case_is_over() -> None:
    assert say_standing(case(1, closed=True), CLOCK).startswith("over since")


def test_what_is_only_to_know_is_not_said_to_wait_for_somebody() -> None:
    """Nobody is told of it but in the regular message: that is no message that failed."""
    grave = replace(case(1), told=(), climb=None)
    assert say_standing(grave, CLOCK) == "nobody was told"
    assert say_standing(replace(grave, only_notes=True), CLOCK) == "needs no answer"


def test_a_sentence_begins_with_a_capital_and_ends() -> None:
    assert sentence(" put it back ") == "Put it back."
    assert sentence("Why?") == "Why?"
    assert sentence("") == ""


@given(word=st.text(min_size=1, max_size=30).filter(lambda t: t.isprintable()))
def test_any_word_comes_through_an_address(word: str) -> None:
    parts = urlsplit(address("/pool", pool=word, box=""))
    assert parts.path == "/pool"
    assert parse_qs(parts.query, keep_blank_values=True) == {"pool": [word]}


def test_a_word_of_an_address_may_have_any_name() -> None:
    assert address("/pool", path="x", self="y") == "/pool?path=x&self=y"
