"""A clock that is set back lengthens nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cases.build import ORCHARD, START, Desk, finding
from watcher.cases.decide import next_deadline
from watcher.cases.observations import Acknowledged, Silenced, TimePassed, WorkAnnounced
from watcher.cases.policy import Hours, Person, Policy
from watcher.cases.state import (
    Book,
    Climb,
    Expectation,
    ExpectKind,
    NoticeKind,
    Pending,
    ScopeKind,
)
from watcher.cases.timeshift import STANDS_STILL_FOR, follow_clock, moved_back
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, about_pool

GONE = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="orchard")
HOUR = timedelta(hours=1)


def busy() -> Desk:
    """A desk with a case taken, one climbing, a silence, work under way and work ahead."""
    desk = Desk()
    alone = finding("drive-condemns-itself", pool=None, urgency=Urgency.NOW)
    desk.survey(GONE, alone)
    desk.tell(Acknowledged(case=1, by="ada", until=desk.now + 2 * HOUR))
    until = desk.now + 5 * HOUR
    desk.tell(Silenced(scope=ScopeKind.RULE, key="x", by="ada", reason="r", until=until))
    for ahead in (0, 9):
        begins = desk.now + ahead * HOUR
        desk.tell(
            WorkAnnounced(
                by="ada",
                reason="w",
                begins=begins,
                ends=begins + HOUR,
                expects=(Expectation(kind=ExpectKind.REBUILD),),
            )
        )
    return desk


def test_every_span_in_the_book_stays_as_it_was() -> None:
    """The next deadline is as far away as before the step, whatever it is."""
    desk = busy()
    due = next_deadline(desk.book, desk.policy, desk.now)
    assert due is not None
    back = timedelta(days=3)
    later = next_deadline(desk.book, desk.policy, desk.now - back)
    assert later == due - back
    desk.now -= back
    before = len(desk.said)
    desk.tell(TimePassed())
    assert len(desk.said) == before, "nothing fires because of the step"
    assert [r.what for r in desk.records][-1] == "clock-set-back"
    case = desk.book.case(1)
    assert case is not None
    assert case.answer is not None
    assert case.answer.until - desk.now == 2 * HOUR
    assert desk.book.silences[0].until - desk.now == 5 * HOUR


def moments(thing: object, where: str = "") -> Iterator[tuple[str, datetime]]:
    """Give every moment within, with the way to it."""
    if isinstance(thing, datetime):
        yield where, thing
    elif isinstance(thing, tuple):
        for number, part in enumerate(thing):
            yield from moments(part, f"{where}[{number}]")
    elif is_dataclass(thing):
        for field in fields(thing):
            yield from moments(getattr(thing, field.name), f"{where}.{field.name}")


def full() -> Book:
    """A book in which every moment that it can remember is set."""
    desk = busy()
    desk.now += HOUR
    desk.survey()
    book = desk.book
    at = iter(desk.now + timedelta(minutes=n) for n in range(99))
    cases = [
        replace(
            case,
            held=tuple(replace(held, cleared_at=next(at)) for held in case.held),
            told_of=tuple(replace(told, low_since=next(at)) for told in case.told_of),
            told_at=next(at),
            grows_at=next(at),
            climb=Climb(rung=0, next_at=next(at), since=next(at)),
            calm_since=next(at),
            closed_at=next(at),
        )
        for case in book.cases
    ]
    waits = Pending(
        person="ada",
        kind=NoticeKind.OPENED,
        case=1,
        urgency=Urgency.NOW,
        not_before=next(at),
        number=1,
    )
    return replace(book, cases=tuple(cases), pending=(waits,), digest_at=next(at))


STAYS = re.compile(r"observed_at$|^\.works\[1\]|\.first$")
"""What was seen keeps its time, and so does what is only planned."""


def test_no_moment_in_the_book_is_forgotten() -> None:
    book, back = full(), 3 * HOUR
    before, after = dict(moments(book)), dict(moments(moved_back(book, back)))
    kinds = {re.sub(r"\[\d+\]", "", where) for where in before}
    known = {f"{where}.{name}" for where, names in MOMENTS.items() for name in names}
    assert kinds >= known, known - kinds
    assert before.pop(".digest_at") > START
    moved = {
        where: moment if STAYS.search(where) else moment - back for where, moment in before.items()
    }
    assert after == moved


MOMENTS = {
    ".cases": ("opened_at", "told_at", "grows_at", "calm_since", "closed_at"),
    ".cases.held": ("since", "seen_at", "cleared_at"),
    ".cases.told_of": ("low_since",),
    ".cases.last_told": ("at",),
    ".cases.climb": ("next_at", "since"),
    ".cases.answer": ("at", "until"),
    ".cases.answers": ("at", "until"),
    ".silences": ("begins", "until"),
    ".works": ("begins", "ends"),
    ".pending": ("not_before",),
    ".sent": ("at",),
    "": ("digest_at", "last_survey_at", "decided_at"),
}


def test_work_under_way_moves_and_planned_work_keeps_its_time_of_day() -> None:
    desk = busy()
    moved = moved_back(desk.book, HOUR)
    on, ahead = desk.book.works
    assert moved.works[0].begins == on.begins - HOUR
    assert moved.works[1] == ahead


def test_a_small_step_back_stands_still() -> None:
    """Two processes that decide in turn, or a clock that is slewed."""
    book = Book(box=BoxId("attic"), decided_at=START)
    soon = START - STANDS_STILL_FOR + timedelta(seconds=1)
    assert follow_clock(book, soon) == (book, START, timedelta(0))
    assert follow_clock(book, START) == (book, START, timedelta(0))
    assert follow_clock(book, START - HOUR)[1:] == (START - HOUR, HOUR)
    fresh = Book(box=BoxId("attic"))
    assert follow_clock(fresh, START) == (fresh, START, timedelta(0))


@pytest.mark.parametrize(
    ("ahead", "leaves"),
    [(1, 7), (4, 19)],  # it was 22:00, which is night, and 19:00, which is not
)
def test_what_waits_for_the_morning_waits_for_the_one_by_the_clock_as_set(
    ahead: int, leaves: int
) -> None:
    """It is 23:00 by a clock that goes ahead, and is then set right."""
    quiet = (Hours(begin=time(22, 0), end=time(7, 0)),)
    desk = Desk(policy=Policy(people=(Person(name="ada", quiet=quiet),)))
    desk.now = START.replace(hour=23)
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    desk.now -= ahead * HOUR
    desk.tell(TimePassed())
    desk.wait(12 * HOUR)
    assert desk.said[0][0].hour == leaves


@given(st.integers(1, 10**6), st.integers(1, 10**6))
def test_moving_twice_is_moving_once(one: int, other: int) -> None:
    book = busy().book
    first, second = timedelta(seconds=one), timedelta(seconds=other)
    assert moved_back(moved_back(book, first), second) == moved_back(book, first + second)
