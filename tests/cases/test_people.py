"""What people say: refused with what would be right, or done and written down."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

import pytest

from tests.cases.build import ORCHARD, START, Desk, finding
from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Observation,
    Silenced,
    SilenceLifted,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.policy import Hours, Person, Policy
from watcher.cases.state import Expectation, ExpectKind, ScopeKind
from watcher.facts.finding import Urgency
from watcher.facts.identity import about_pool

HOUR = timedelta(hours=1)
GONE = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="orchard")
WORK = WorkAnnounced(
    by="ada",
    reason="w",
    begins=START,
    ends=START + HOUR,
    expects=(Expectation(kind=ExpectKind.REBUILD),),
)


def open_desk() -> Desk:
    desk = Desk(policy=Policy(people=(Person(name="ada"), Person(name="ben"))))
    desk.survey(GONE)
    return desk


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (replace(WORK, by=" "), "who does the work"),
        (replace(WORK, expects=()), "for instance"),
        (replace(WORK, ends=START), "end after it begins"),
        (replace(WORK, begins=START - 3 * HOUR, ends=START - HOUR), "in the future"),
        (replace(WORK, ends=START + timedelta(days=200)), "at most"),
        (replace(WORK, repeat="now and then"), "is no rule"),
        (replace(WORK, repeat="daily", ends=START + timedelta(days=1)), "nothing would ever sound"),
        (WorkEnded(number=7, by="ada"), "no planned work 7"),
        (SilenceLifted(number=7, by="ada"), "no silence 7"),
        (HandedOver(case=9, by="ada", to="ben"), "no open case 9"),
        (HandedOver(case=1, by="ada", to="zed"), "known are: ada, ben"),
    ],
)
def test_what_cannot_be_done_is_refused_and_changes_nothing(said: Observation, reason: str) -> None:
    desk = open_desk()
    book = desk.book
    desk.tell(said)
    assert reason in desk.refused[-1]
    assert desk.book == book


def test_what_may_last_so_long_may_last_exactly_so_long() -> None:
    """An answer 30 days, a silence and planned work 90 days; a second more is refused."""
    second = timedelta(seconds=1)
    silenced = Silenced(scope=ScopeKind.RULE, key="x", by="ada", reason="r", until=START)
    for days, said in (
        (30, Acknowledged(case=1, by="ada", until=START)),
        (90, silenced),
        (90, WORK),
    ):
        desk = open_desk()
        end = START + timedelta(days=days)
        for until in (end + second, end):
            is_work = isinstance(said, WorkAnnounced)
            more = replace(said, ends=until) if is_work else replace(said, until=until)
            desk.tell(more)
            assert len(desk.refused) == 1, more
        assert f"{days} d" in desk.refused[0]


def test_a_case_that_is_over_or_silent_needs_no_answer() -> None:
    desk = open_desk()
    until = desk.now + HOUR
    desk.tell(Silenced(scope=ScopeKind.POOL, key=ORCHARD, by="ada", reason="r", until=until))
    desk.tell(HandedOver(case=1, by="ada", to="ben"))
    assert "needs an answer" in desk.refused[-1]
    desk.survey()
    desk.now += timedelta(minutes=20)
    desk.survey()
    desk.tell(Acknowledged(case=1, by="ada", until=until))
    assert "is over already" in desk.refused[-1]


def test_an_answer_of_the_same_person_takes_the_place_of_the_first_and_tells_nobody_again() -> None:
    desk = open_desk()
    for hours in (1, 5):
        desk.tell(Acknowledged(case=1, by="ben", until=desk.now + hours * HOUR))
    desk.wait(timedelta(minutes=2))
    assert desk.heard().count(("ada", ("taken",))) == 1
    case = desk.book.open_cases[0]
    assert case.answer is not None
    assert case.answer.until == START + 5 * HOUR
    assert len(case.answers) == 2


def test_work_ended_early_is_compared_at_once() -> None:
    desk = open_desk()
    desk.tell(WORK)
    desk.tell(WorkEnded(number=1, by="ada"))
    desk.wait(timedelta(minutes=2))
    assert ("ada", ("work-ended",)) in desk.heard()
    desk.tell(WorkEnded(number=1, by="ada"))
    assert desk.refused


def test_a_lifted_silence_lets_the_case_sound_at_once() -> None:
    desk = Desk()
    desk.tell(Silenced(scope=ScopeKind.BOX, key="attic", by="a", reason="r", until=START + HOUR))
    desk.survey(GONE)
    desk.tell(SilenceLifted(number=1, by="a"))
    assert desk.heard() == [("ada", ("silence-ended",))]


def night() -> Desk:
    """Three in the morning; ada sleeps until seven and is woken by ``now``, ben is up."""
    quiet = (Hours(begin=time(22, 0), end=time(7, 0)),)
    policy = Policy(people=(Person(name="ada", quiet=quiet), Person(name="ben")))
    return Desk(policy=policy, now=START.replace(hour=3))


def test_who_was_woken_hears_in_the_night_that_somebody_has_it() -> None:
    desk = night()
    desk.survey(GONE)
    desk.tell(Acknowledged(case=1, by="ben", until=desk.now + 5 * HOUR))
    desk.wait(timedelta(minutes=2))
    assert desk.heard() == [("ada", ("opened",)), ("ben", ("opened",)), ("ada", ("taken",))]


@pytest.mark.parametrize(
    ("ago", "wakes"), [(2 * HOUR, True), (2 * HOUR + timedelta(seconds=1), False)]
)
def test_after_two_hours_they_may_sleep_again(ago: timedelta, *, wakes: bool) -> None:
    desk = night()
    desk.survey(GONE)
    desk.now += timedelta(minutes=14)
    desk.book = replace(
        desk.book,
        cases=tuple(
            replace(c, last_told=tuple(replace(t, at=desk.now - ago) for t in c.last_told))
            for c in desk.book.cases
        ),
    )
    desk.tell(Acknowledged(case=1, by="ben", until=desk.now + 9 * HOUR))
    desk.wait(HOUR)
    assert (("ada", ("taken",)) in desk.heard()) is wakes
    desk.wait(3 * HOUR)
    assert ("ada", ("taken",)) in desk.heard()


def test_who_never_heard_of_a_case_hears_nothing_of_its_end() -> None:
    desk = night()
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    assert desk.heard() == [("ben", ("opened",))]
    for _ in range(3):
        desk.now += timedelta(minutes=10)
        desk.survey()
    desk.wait(8 * HOUR)
    assert desk.heard() == [("ben", ("opened",)), ("ben", ("all-clear",))]
