"""What the book refuses to hold, and what a case is named for."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.cases.build import START, Desk, finding
from watcher.cases.draft import Draft
from watcher.cases.state import (
    Answer,
    Book,
    BrokenInvariant,
    Expectation,
    ExpectKind,
    Maintenance,
    ScopeKind,
    Silence,
)
from watcher.facts.identity import BoxId

HOUR = timedelta(hours=1)


def test_nothing_ends_before_it_begins() -> None:
    with pytest.raises(ValueError, match="an answer ends"):
        Answer(by="ada", at=START, until=START)
    with pytest.raises(ValueError, match="a silence ends"):
        Silence(
            number=1, scope=ScopeKind.BOX, key="x", by="a", reason="r", begins=START, until=START
        )
    with pytest.raises(ValueError, match="planned work ends"):
        Maintenance(
            number=1,
            by="a",
            reason="r",
            begins=START,
            ends=START,
            expects=(Expectation(kind=ExpectKind.REBUILD),),
        )


def test_a_silence_is_explained_and_work_announces_something() -> None:
    for by, reason in (("", "r"), ("a", "")):
        with pytest.raises(ValueError, match="a name and a reason"):
            Silence(
                number=1,
                scope=ScopeKind.BOX,
                key="x",
                by=by,
                reason=reason,
                begins=START,
                until=START + HOUR,
            )
    with pytest.raises(ValueError, match="announces"):
        Maintenance(number=1, by="a", reason="r", begins=START, ends=START + HOUR, expects=())


def test_a_calm_case_is_still_named_for_what_held_last() -> None:
    desk = Desk()
    desk.survey(finding())
    assert desk.book.cases[0].weightiest.rule == "sectors-in-doubt"
    assert desk.book.cases[0].says == desk.book.cases[0].weightiest.sentence
    desk.now += timedelta(minutes=1)
    desk.survey()
    case = desk.book.cases[0]
    assert case.standing == ()
    assert case.weightiest.rule == "sectors-in-doubt"
    assert case.says == f"It was: {case.weightiest.sentence}"
    assert desk.book.case(9) is None


def test_a_case_that_must_be_there_and_is_not_is_a_fault_of_ours() -> None:
    """The desk does not pretend."""
    draft = Draft(Book(box=BoxId("attic")), Desk().policy, START)
    with pytest.raises(BrokenInvariant, match="case 7"):
        draft.case(7)
