"""Planned work in time: begun, warned of, compared, and planned again."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest

from tests.cases.build import ORCHARD, START, Desk, finding, pool_seen
from watcher.cases.decide import next_deadline
from watcher.cases.observations import WorkAnnounced, WorkEnded
from watcher.cases.policy import Hours, Person, Policy
from watcher.cases.state import Expectation, ExpectKind, PoolSeen, Stands
from watcher.facts.finding import Urgency
from watcher.facts.identity import DriveId, PoolId, about_drive, about_pool
from watcher.facts.pool import Protection

HOUR = timedelta(hours=1)
GONE = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="orchard")
REPLACE = Expectation(kind=ExpectKind.REPLACE, drive=DriveId("D3"), said="replace bay 3")


def seen(
    *drives: str, protection: Protection = Protection.WHOLE, margin: int | None = 1
) -> PoolSeen:
    lost = () if protection is Protection.WHOLE else ("D3",)
    return replace(
        pool_seen(protection, lost),
        stands=tuple(Stands(drive=DriveId(d), label=f"the drive {d}") for d in drives),
        margin=margin,
        full_margin=1,
    )


def announce(desk: Desk, *expects: Expectation, hours: int = 3, **more: object) -> None:
    given = {
        "by": "ada",
        "reason": "new drive",
        "begins": desk.now,
        "ends": desk.now + hours * HOUR,
        "expects": expects or (REPLACE,),
        "pool": ORCHARD,
        "pool_name": "orchard",
    }
    desk.tell(WorkAnnounced(**(given | more)))  # type: ignore[arg-type]


def about(desk: Desk) -> str:
    return desk.said[-1][1].items[-1].about


def test_the_summary_names_margins_drives_signs_and_surprises() -> None:
    desk = Desk()
    desk.survey(pools=(seen("D1", "D3"),))
    announce(desk)
    gone = finding("drive-gone")
    ails = [
        finding("x", about_drive(DriveId(f"D{n}")), Urgency.NOW, label=f"bay {n}")
        for n in range(5, 10)
    ]
    then = " It belongs to the pool orchard, which cannot lose any drive."  # it can, by the end
    ails[0] = replace(ails[0], sentence=ails[0].sentence + then)
    desk.survey(gone, GONE, *ails, pools=(seen("D1", protection=Protection.BARE, margin=0),))
    desk.survey(*ails, pools=(seen("D1", "D9"),))
    desk.wait(3 * HOUR + timedelta(minutes=1))
    (item,) = [i for _, tell in desk.said for i in tell.items if i.kind.value == "work-ended"]
    assert item.about.splitlines() == [
        "new drive: nothing is left open",
        "orchard: margin was 1, is 1 of 1.",
        "Out: the drive D3.",
        "In: the drive D9.",
        "2 announced signs came and stayed quiet.",
        "Meanwhile, not announced: bay 5: x holds",
        "Meanwhile, not announced: bay 6: x holds",
        "Meanwhile, not announced: bay 7: x holds",
        "and 2 more that was not announced.",
    ]


def test_many_drives_are_counted_and_an_unknown_margin_is_said_to_be() -> None:
    desk = Desk()
    desk.survey(pools=(seen("D1", "D2", "D3", "D4", "D5", margin=None),))
    announce(desk)
    desk.survey(pools=(seen("D5", margin=None),))
    desk.wait(4 * HOUR)
    assert "margin was not known, is not known of 1." in about(desk)
    assert "Out: the drive D1, the drive D2, the drive D3 and 1 more." in about(desk)
    assert "Nothing of what was announced was seen." in about(desk)


@pytest.mark.parametrize("others", [(), (replace(pool_seen(), pool=PoolId("md:b"), name="barn"),)])
def test_of_a_pool_that_no_survey_shows_any_more_it_is_not_said_that_nothing_is_left_open(
    others: tuple[PoolSeen, ...],
) -> None:
    """An array whose last leg went vanishes from its stack's list (md, kernel 6.1)."""
    for pool in (ORCHARD, None):
        desk = Desk()
        desk.survey(pools=(seen("D1", "D3"), *others))
        announce(desk, pool=pool)
        desk.survey(pools=others)
        desk.wait(2 * HOUR + timedelta(minutes=50))
        assert about(desk) == "new drive: orchard cannot be seen"
        desk.wait(HOUR)
        told = about(desk).splitlines()
        assert told[0] == "new drive: orchard cannot be seen"
        assert "orchard: margin was 1, is not known of 1." in told
        assert "Out:" not in about(desk)
        assert desk.said[-1][1].items[-1].urgency is Urgency.TODAY
        again = Desk()
        again.survey(pools=(seen("D1", "D3"), *others))
        announce(again, pool=pool)
        again.survey(pools=others)
        again.survey(pools=(seen("D1", "D3"), *others))
        again.wait(4 * HOUR)
        assert about(again).splitlines()[0] == "new drive: nothing is left open"


def test_a_pool_that_appeared_meanwhile_has_nothing_to_be_compared_with() -> None:
    desk = Desk()
    announce(desk, Expectation(kind=ExpectKind.REBUILD), pool=None, reason="")
    desk.survey(pools=(replace(seen("D1"), full_margin=None),))
    desk.wait(4 * HOUR)
    assert about(desk).splitlines()[0] == "orchard: nothing is left open"
    assert "margin was" not in about(desk)


def test_a_pool_built_without_margin_is_as_it_should_be() -> None:
    """Nothing is left open, though the next loss would cost data."""
    desk = Desk()
    bare = replace(seen("D1", protection=Protection.BARE, margin=0), full_margin=0)
    desk.survey(pools=(bare,))
    announce(desk)
    desk.wait(4 * HOUR)
    assert "nothing is left open" in about(desk)


def test_work_on_the_box_alone_compares_no_pool() -> None:
    desk = Desk()
    desk.survey(pools=(seen("D1", protection=Protection.BARE, margin=0),))
    announce(desk, Expectation(kind=ExpectKind.BOX_OFF), pool=None)
    desk.wait(4 * HOUR)
    assert about(desk).splitlines()[0] == "new drive: nothing is left open"


@pytest.mark.parametrize(
    ("away", "told"),
    [((), ["ada", "ben"]), (("ben",), ["ada"]), (("ada", "ben"), ["ada", "ben"])],
)
def test_when_nobody_knows_who_does_the_work_all_who_are_not_on_leave_hear_of_it(
    away: tuple[str, ...], told: list[str]
) -> None:
    people = (
        Person(name=name, away_until=START + timedelta(days=9) if name in away else None)
        for name in ("ada", "ben")
    )
    desk = Desk(policy=Policy(people=tuple(people)))
    announce(desk, by="the electrician")
    desk.wait(4 * HOUR)
    assert [person for person, _ in desk.heard()] == told


@pytest.mark.parametrize(("full", "said"), [(1, "has margin 0 of 1"), (None, "is bare")])
def test_an_overrun_without_a_reason_names_the_pool_and_its_margin(
    full: int | None, said: str
) -> None:
    desk = Desk()
    announce(desk, reason="")
    short = replace(seen("D1", protection=Protection.BARE, margin=0), full_margin=full)
    desk.survey(GONE, pools=(short,))
    desk.wait(2 * HOUR + timedelta(minutes=50))
    assert about(desk) == f"orchard {said}"


def test_planned_work_begins_by_itself_and_covers_from_then_on() -> None:
    """What stood before is hushed when the work begins, and compared with how it was then."""
    desk = Desk()
    announce(desk, begins=desk.now + 2 * HOUR, ends=desk.now + 4 * HOUR)
    desk.survey(GONE, pools=(seen("D1", protection=Protection.BARE, margin=0),))
    assert desk.heard() == [("ada", ("opened",))]
    desk.wait(2 * HOUR)
    assert desk.book.open_cases[0].hushed
    assert desk.book.works[0].begun is not None


def test_work_that_comes_again_is_planned_when_one_ends() -> None:
    """Each Monday at noon; what was slept through is left out; the year's end is written down."""
    desk = Desk()
    announce(desk, hours=2, repeat="weekly", reason="check")
    desk.wait(3 * HOUR)
    (following,) = [w for w in desk.book.works if not w.over]
    assert following.begins == START + timedelta(days=7)
    assert following.ends - following.begins == 2 * HOUR
    desk.now += timedelta(days=40)  # asleep
    desk.wait(HOUR)
    (following,) = [w for w in desk.book.works if not w.over]
    assert following.begins == datetime(2026, 4, 13, 12, 0, tzinfo=UTC)
    assert "work-planned" in {r.what for r in desk.records}
    desk.wait(timedelta(days=400))
    assert [w for w in desk.book.works if not w.over] == []
    assert desk.records[-1].what == "work-plan-over"


def test_work_that_began_before_it_was_written_down_comes_again_as_long_as_announced() -> None:
    desk = Desk()
    announce(desk, begins=START - HOUR, ends=START + HOUR, repeat="daily")
    desk.wait(2 * HOUR)
    (following,) = [w for w in desk.book.works if not w.over]
    assert (following.begins, following.ends) == (START + 23 * HOUR, START + 25 * HOUR)


def test_a_count_ends_a_plan() -> None:
    desk = Desk()
    announce(desk, hours=2, repeat="FREQ=DAILY;COUNT=2")
    desk.wait(timedelta(days=4))
    assert [kinds for _, kinds in desk.heard()] == [("work-ended",), ("work-ended",)]


def test_long_lists_of_surprises_are_bounded() -> None:
    desk = Desk()
    announce(desk)
    many = [
        finding("x", about_drive(DriveId(f"D{n}")), Urgency.NOW, label=f"bay {n}")
        for n in range(300)
    ]
    desk.survey(*many)
    assert len(desk.book.works[0].surprises) == 200
    book = desk.book
    desk.survey(*many)
    assert desk.book.works == book.works


def test_a_surprise_names_its_drive_once() -> None:
    desk = Desk()
    announce(desk)
    here = about_drive(DriveId("D1"))
    one = finding("x", here, Urgency.NOW, label="bay 4")
    desk.survey(replace(one, sentence="The drive bay 4 is gone."), replace(one, rule="y"))
    surprises = desk.book.works[0].surprises
    assert "The drive bay 4 is gone." in surprises
    assert f"bay 4: {one.sentence}" in surprises


def test_work_that_was_called_off_before_it_began_has_no_summary() -> None:
    desk = Desk()
    announce(desk, begins=desk.now + 2 * HOUR, ends=desk.now + 4 * HOUR)
    desk.tell(WorkEnded(number=1, by="ada"))
    assert about(desk) == "new drive: nothing is left open"


NIGHT = Hours(begin=time(22, 0), end=time(7, 0))
ASLEEP = Policy(people=(Person(name="ada", quiet=(NIGHT,)), Person(name="ben", quiet=(NIGHT,))))


def told_at(desk: Desk) -> list[tuple[str, str, int]]:
    """Who was told what of planned work, and at which hour."""
    return [
        (tell.person, item.kind.value, at.hour)
        for at, tell in desk.said
        for item in tell.items
        if item.kind.value.startswith("work-")
    ]


def at_night(**more: object) -> Desk:
    """A desk at 23:00, before which the pool lost a member that nobody puts back."""
    desk = Desk(policy=ASLEEP)
    desk.wait(START.replace(hour=23) - START)
    desk.survey(pools=(seen("D1", "D3"),))
    announce(desk, hours=2, **more)
    desk.survey(GONE, pools=(seen("D1", protection=Protection.BARE, margin=0),))
    desk.wait(12 * HOUR)
    return desk


def test_who_works_this_night_is_up_and_told_at_once() -> None:
    assert told_at(at_night()) == [("ada", "work-overruns", 0), ("ada", "work-ended", 1)]


def test_work_that_comes_again_wakes_nobody() -> None:
    """In the morning it is over, and that it was about to end is no news."""
    assert told_at(at_night(repeat="weekly")) == [("ada", "work-ended", 7)]


def test_who_has_nothing_to_do_with_the_work_is_not_woken_for_it() -> None:
    assert told_at(at_night(by="the plumber")) == [
        ("ada", "work-ended", 7),
        ("ben", "work-ended", 7),
    ]


@pytest.mark.parametrize(
    ("lasts", "before"),
    [(3 * HOUR, timedelta(minutes=15)), (timedelta(minutes=20), timedelta(minutes=5))],
)
def test_that_work_ends_soon_is_said_once_in_time_for_its_length(
    lasts: timedelta, before: timedelta
) -> None:
    desk = Desk()
    announce(desk, ends=START + lasts)
    desk.survey(GONE, pools=(seen("D1", protection=Protection.BARE, margin=0),))
    desk.wait(lasts - timedelta(seconds=1))
    assert [(at, t.items[0].kind.value) for at, t in desk.said] == [
        (START + lasts - before, "work-overruns")
    ]


def test_planned_work_wakes_the_desk_as_it_begins_and_counts_only_what_came_then() -> None:
    """What was announced and held already, before it began, is no announced sign that came."""
    desk = Desk()
    begins = START + 2 * HOUR
    announce(desk, begins=begins, ends=begins + HOUR, repeat="daily")
    desk.survey(finding(urgency=Urgency.NOTE), pools=(seen("D1", "D3"),))
    assert next_deadline(desk.book, desk.policy, desk.now) == begins
    assert desk.book.works[0].came == ()
    desk.wait(2 * HOUR)
    desk.survey(finding("drive-gone"), pools=(seen("D1", protection=Protection.BARE, margin=0),))
    assert desk.book.works[0].came == (finding("drive-gone").key,)
    desk.wait(HOUR)
    over, following = desk.book.works
    assert (over.over, over.warned) == (True, True)
    fresh = replace(over, begins=begins + 24 * HOUR, ends=begins + 25 * HOUR, number=2)
    assert following == replace(fresh, begun=None, came=(), warned=False, over=False)
    desk.wait(24 * HOUR - timedelta(seconds=1))
    assert [work.number for work in desk.book.works] == [1, 2]
    desk.wait(timedelta(seconds=1))
    assert [work.number for work in desk.book.works] == [2, 3], "forgotten a day after its end"
