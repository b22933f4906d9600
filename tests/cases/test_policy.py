"""Hours, digests and ladders in local time, through the changes of the clocks.

The changes are those of the time zone database: Vienna goes from +1 to +2 on 29 March 2026 at 01:00
UTC and back on 25 October 2026 at 01:00 UTC.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cases.build import ORCHARD, finding
from watcher.cases.policy import (
    Digest,
    Hours,
    Ladder,
    LadderChoice,
    Person,
    Policy,
    Rung,
    plain_ladder,
)
from watcher.facts.finding import Urgency
from watcher.facts.identity import PoolId, about_pool
from watcher.facts.readiness import DRILL_MARK

VIENNA = ZoneInfo("Europe/Vienna")
NIGHT = Hours(begin=time(22, 0), end=time(7, 0))
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def utc(month: int, day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize(
    ("now", "end"),
    [
        (utc(1, 13, 2), utc(1, 13, 6)),
        (utc(1, 13, 12), None),
        (utc(1, 13, 21), utc(1, 14, 6)),
        (utc(3, 28, 22), utc(3, 29, 5)),  # an hour shorter
        (utc(10, 24, 21), utc(10, 25, 6)),  # an hour longer
        (utc(10, 25, 6), None),
    ],
)
def test_a_night_ends_at_seven_by_the_clock_on_the_wall(now: datetime, end: datetime) -> None:
    assert NIGHT.end_when_inside(now, VIENNA) == end


def test_hours_hold_on_the_weekdays_on_which_they_begin() -> None:
    """A night that begins on Sunday is over on Monday; the one of Monday is no such night."""
    sunday = Hours(begin=time(22, 0), end=time(7, 0), weekdays=(6,))
    assert sunday.end_when_inside(utc(3, 2, 3), UTC) == utc(3, 2, 7)
    assert sunday.end_when_inside(utc(3, 3, 3), UTC) is None


def test_an_end_that_is_skipped_is_counted_on_from_before_the_gap() -> None:
    early = Hours(begin=time(22, 0), end=time(2, 30))
    assert early.end_when_inside(utc(3, 28, 23), VIENNA) == utc(3, 29, 1, 30)


@given(st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31)), st.times(), st.times())  # noqa: DTZ001
def test_an_end_lies_ahead_and_less_than_a_day_and_an_hour(
    now: datetime, begin: time, end: time
) -> None:
    hours = Hours(begin=begin.replace(microsecond=0), end=end.replace(microsecond=0))
    at = now.replace(tzinfo=UTC)
    until = hours.end_when_inside(at, VIENNA)
    assert until is None or at < until <= at + timedelta(hours=25)


def test_now_is_never_held_and_the_longest_quiet_counts() -> None:
    late = Hours(begin=time(22, 0), end=time(9, 0))
    person = Person(name="ada", zone="Europe/Vienna", quiet=(NIGHT, late))
    assert person.held_until(Urgency.NOW, utc(1, 13, 2)) is None
    assert person.held_until(Urgency.TODAY, utc(1, 13, 2)) == utc(1, 13, 8)
    assert person.held_until(Urgency.TODAY, utc(1, 13, 12)) is None


def test_quiet_spans_that_meet_are_one() -> None:
    """Friday's night ends at seven, and Saturday is quiet until ten."""
    week = Hours(begin=time(22, 0), end=time(7, 0), weekdays=(0, 1, 2, 3, 4))
    weekend = Hours(begin=time(0, 0), end=time(10, 0), weekdays=(5, 6))
    person = Person(name="ada", zone="Europe/Vienna", quiet=(week, weekend))
    assert person.held_until(Urgency.TODAY, utc(3, 6, 22)) == utc(3, 7, 9)
    assert person.held_until(Urgency.TODAY, utc(3, 5, 22)) == utc(3, 6, 6)
    before = Hours(begin=time(22, 0), end=time(0, 0))
    after = Hours(begin=time(0, 0), end=time(7, 0))
    split = Person(name="ben", quiet=(before, after))
    assert split.held_until(Urgency.TODAY, utc(3, 5, 23)) == utc(3, 6, 7)


def test_quiet_spans_without_a_gap_hold_nothing_back_for_ever() -> None:
    day = Hours(begin=time(7, 0), end=time(22, 0))
    person = Person(name="ada", quiet=(Hours(begin=time(22, 0), end=time(7, 0)), day))
    assert person.held_until(Urgency.TODAY, utc(3, 5, 23)) == utc(3, 6, 7)


@given(st.lists(st.tuples(st.integers(0, 23), st.integers(0, 23), st.sets(st.integers(0, 6)))))
def test_what_was_held_is_free_to_leave_then(spans: list[tuple[int, int, set[int]]]) -> None:
    """When the time comes no quiet hour holds it, unless there is no end to them."""
    quiet = tuple(
        Hours(begin=time(b), end=time(e), weekdays=tuple(days)) for b, e, days in spans if b != e
    )
    person = Person(name="ada", quiet=quiet)
    until = person.held_until(Urgency.TODAY, utc(3, 4, 12))
    if until is not None and person.held_until(Urgency.TODAY, until) is not None:
        hours = [utc(3, 4, 12) + n * HOUR for n in range(7 * 24)]
        assert all(any(h.end_when_inside(at, UTC) for h in quiet) for at in hours)


def test_absence_ends() -> None:
    person = Person(name="ada", away_until=utc(3, 2, 12))
    assert person.is_away(utc(3, 2, 11))
    assert not person.is_away(utc(3, 2, 12))
    assert not Person(name="ben").is_away(utc(3, 2, 12))


def test_the_digest_stays_at_nine_when_the_clocks_change() -> None:
    weekly = Digest(at=time(9, 0), weekdays=(0,), zone="Europe/Vienna")
    assert weekly.next_after(utc(3, 23, 8)) == utc(3, 30, 7)
    assert weekly.next_after(utc(10, 19, 7)) == utc(10, 26, 8)


def test_a_digest_in_the_gap_comes_after_it_and_a_doubled_one_once() -> None:
    daily = Digest(at=time(2, 30), weekdays=(0, 1, 2, 3, 4, 5, 6), zone="Europe/Vienna")
    assert daily.next_after(utc(3, 28, 12)) == utc(3, 29, 1, 30)
    first = daily.next_after(utc(10, 24, 12))
    assert first == utc(10, 25, 0, 30)
    assert daily.next_after(first) == utc(10, 26, 1, 30)


def test_a_digest_without_a_weekday_is_refused() -> None:
    with pytest.raises(ValueError, match="weekday"):
        Digest(at=time(9, 0), weekdays=()).next_after(utc(3, 2, 12))


@pytest.mark.parametrize(("people", "wait"), [((), HOUR), (("ada",), timedelta(seconds=30))])
def test_a_rung_needs_people_and_time(people: tuple[str, ...], wait: timedelta) -> None:
    with pytest.raises(ValueError, match="rung"):
        Rung(people=people, wait=wait)
    assert Rung(people=("ada",), wait=timedelta(minutes=1)).people == ("ada",)


@pytest.mark.parametrize(("first", "longest"), [(timedelta(0), HOUR), (2 * HOUR, HOUR)])
def test_a_ladder_neither_nags_nor_falls_silent(first: timedelta, longest: timedelta) -> None:
    rung = Rung(people=("ada",), wait=HOUR)
    with pytest.raises(ValueError, match="repeat_first"):
        Ladder(rungs=(rung,), repeat_first=first, repeat_longest=longest)
    with pytest.raises(ValueError, match="a rung"):
        Ladder(rungs=(), repeat_first=HOUR, repeat_longest=HOUR)


@given(st.integers(0, 10_000))
def test_gaps_grow_and_stay_bounded(repeats: int) -> None:
    ladder = plain_ladder(("ada",), Urgency.NOW)
    gap, following = ladder.repeat_gap(repeats), ladder.repeat_gap(repeats + 1)
    assert ladder.repeat_first <= gap <= following <= ladder.repeat_longest


def test_the_first_ladder_that_fits_is_taken() -> None:
    """By urgency, pool, box and client; without one everybody is told at once."""

    def ladder(name: str) -> Ladder:
        rung = Rung(people=(name,), wait=HOUR)
        return Ladder(rungs=(rung,), repeat_first=HOUR, repeat_longest=HOUR)

    policy = Policy(
        people=(Person(name="ada"), Person(name="ben")),
        ladders=(
            LadderChoice(ladder=ladder("night"), urgencies=(Urgency.NOW,)),
            LadderChoice(ladder=ladder("pool"), pools=("orchard",)),
            LadderChoice(ladder=ladder("id"), pools=("md:other",)),
            LadderChoice(ladder=ladder("box"), boxes=("shed",)),
            LadderChoice(ladder=ladder("client"), clients=("Harbour Print Room",)),
        ),
    )
    pooled, own = finding(), finding("margin-gone", about_pool(ORCHARD), pool=None)
    today = Urgency.TODAY
    assert policy.ladder_for(pooled, Urgency.NOW, "attic", "orchard").rungs[0].people == ("night",)
    assert policy.ladder_for(own, today, "attic", "orchard").rungs[0].people == ("pool",)
    assert policy.ladder_for(finding(pool=None), today, "shed", "x").rungs[0].people == ("box",)
    other = finding(pool=PoolId("md:other"))
    assert policy.ladder_for(other, today, "attic", "x").rungs[0].people == ("id",)
    itself = finding("margin-gone", about_pool(PoolId("md:other")), pool=None)
    assert policy.ladder_for(itself, today, "attic", "x").rungs[0].people == ("id",)
    drill = policy.ladder_for(finding(pool=PoolId("x")), today, "attic", f"{DRILL_MARK}orchard")
    assert drill.rungs[0].people == ("pool",), "a rehearsal climbs the ladder of its pool"
    theirs = replace(policy, client="Harbour Print Room")
    assert theirs.ladder_for(finding(pool=None), today, "x", "x").rungs[0].people == ("client",)
    plain = policy.ladder_for(finding(pool=None), today, "attic", "x")
    assert plain.rungs[0].people == ("ada", "ben")
    assert Policy().ladder_for(pooled, today, "attic", "x").rungs[0].people == ("owner",)
    assert policy.person("zed") is None
