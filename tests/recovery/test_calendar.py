"""What is begun and stopped, by hand and over a simulated year."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.facts.identity import DriveId, PoolId
from watcher.recovery.calendar import (
    SPREAD_EVERY,
    TRY_AGAIN_AFTER,
    WARM_BY,
    Act,
    Calendar,
    DriveNow,
    Job,
    JobKind,
    Now,
    PoolNow,
    due_at,
    steps,
)

T0 = datetime(2026, 3, 1, 23, tzinfo=UTC)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
TANK, ATTIC = PoolId("md:tank"), PoolId("zfs:attic")
CALENDAR = Calendar()


def scrub(pool: PoolId = TANK, ago: float | None = 40, **more: object) -> Job:
    facts: dict[str, object] = {
        "kind": JobKind.SCRUB,
        "key": pool,
        "name": pool,
        "last_at": None if ago is None else T0 - ago * DAY,
        "known_since": T0 - 400 * DAY,
        "takes": 6 * HOUR,
        "pools": (pool,),
    }
    return Job(**(facts | more))  # type: ignore[arg-type]


def self_test(
    drive: str, pool: PoolId | None = TANK, ago: float | None = 100, **more: object
) -> Job:
    facts: dict[str, object] = {
        "kind": JobKind.SELF_TEST,
        "key": drive,
        "name": drive,
        "last_at": None if ago is None else T0 - ago * DAY,
        "known_since": T0 - 400 * DAY,
        "takes": 5 * HOUR,
        "pools": (pool,) if pool else (),
    }
    return Job(**(facts | more))  # type: ignore[arg-type]


def now(*jobs: Job, **more: object) -> Now:
    facts: dict[str, object] = {
        "at": T0,
        "jobs": jobs,
        "pools": (
            PoolNow(pool=TANK, is_whole=True, busy=False),
            PoolNow(pool=ATTIC, is_whole=True, busy=False),
        ),
        "drives": tuple(
            DriveNow(drive=DriveId(d), pools=(p,), celsius=35)
            for d, p in (("a", TANK), ("b", TANK), ("c", ATTIC), ("d", ATTIC))
        ),
        "in_busy_hours": False,
    }
    return Now(**(facts | more))  # type: ignore[arg-type]


def begun(at: Now, calendar: Calendar = CALENDAR) -> list[str]:
    return [f"{s.job.kind} {s.job.key}" for s in steps(at, calendar) if s.act is Act.BEGIN]


def stopped(at: Now) -> list[str]:
    return [s.why for s in steps(at, CALENDAR) if s.act is Act.STOP]


def test_what_is_due_is_begun_and_what_is_not_waits() -> None:
    assert begun(now(scrub(ago=30))) == [f"scrub {TANK}"]
    assert begun(now(scrub(ago=30 * SPREAD_EVERY))) == [f"scrub {TANK}"]
    assert begun(now(scrub(ago=30 * SPREAD_EVERY - 0.1))) == []
    assert begun(now(scrub(ago=None))) == [f"scrub {TANK}"]


def test_members_of_a_pool_are_tested_one_after_the_other() -> None:
    many = replace(CALENDAR, self_tests_at_once=4)
    jobs = (
        self_test("a", ago=120),
        self_test("b"),
        self_test("c", ATTIC, ago=110),
        self_test("d", ATTIC),
    )
    assert begun(now(*jobs), many) == ["self-test a", "self-test c"]
    assert begun(now(*jobs)) == ["self-test a"]


def test_a_scrub_and_a_self_test_never_share_a_pool_and_one_scrub_runs_at_a_time() -> None:
    assert begun(now(scrub(), self_test("a"))) == [f"scrub {TANK}"]
    assert begun(now(scrub(ago=60), scrub(ATTIC, ago=50), self_test("c", ATTIC, ago=91))) == [
        f"scrub {TANK}",
        "self-test c",
    ]
    assert begun(now(scrub(running=True), scrub(ATTIC))) == []


@pytest.mark.parametrize(("is_whole", "busy"), [(False, False), (True, True), (False, True)])
def test_nothing_is_begun_on_a_pool_without_full_margin_or_during_a_rebuild(
    is_whole: bool, busy: bool
) -> None:
    hurt = (PoolNow(pool=TANK, is_whole=is_whole, busy=busy),)
    assert begun(now(scrub(), self_test("a"), pools=hurt)) == []
    running = now(self_test("a", running=True, ours=True), pools=hurt)
    assert len(stopped(running)) == 1


def test_a_pool_that_cannot_be_seen_is_left_alone() -> None:
    assert begun(now(scrub(), self_test("a"), pools=())) == []
    assert begun(now(self_test("z", None))) == []  # the drive is not there


def test_nothing_is_begun_in_busy_hours_and_self_tests_end_when_they_begin() -> None:
    at = now(scrub(), self_test("c", ATTIC, running=True, ours=True), in_busy_hours=True)
    assert begun(at) == []
    assert stopped(at) == ["busy hours began"]


def test_what_would_run_into_busy_hours_waits_unless_a_scrub_is_late() -> None:
    soon = {"busy_begins_in": 5 * HOUR}
    assert begun(now(scrub(ago=31), **soon)) == []
    assert begun(now(scrub(ago=34), **soon)) == [f"scrub {TANK}"]
    assert begun(now(self_test("a", ago=300, takes=6 * HOUR), **soon)) == []
    assert begun(now(self_test("a", ago=100), **soon)) == ["self-test a"]


@pytest.mark.parametrize(("celsius", "stops"), [(60, False), (61, True), (None, False)])
def test_what_we_began_is_stopped_when_a_drive_passes_its_rating(
    celsius: int | None, stops: bool
) -> None:
    hot = (DriveNow(drive=DriveId("a"), pools=(TANK,), celsius=celsius, limit_celsius=60),)
    for job in (scrub(running=True, ours=True), self_test("a", running=True, ours=True)):
        assert bool(stopped(now(job, drives=hot))) == stops


def test_another_ones_work_is_never_stopped() -> None:
    hot = (DriveNow(drive=DriveId("a"), pools=(TANK,), celsius=90),)
    assert steps(now(scrub(running=True, ours=False), drives=hot), CALENDAR) == ()


def test_nothing_is_begun_on_a_warm_drive() -> None:
    def warm(celsius: int) -> Now:
        drives = (DriveNow(drive=DriveId("a"), pools=(TANK,), celsius=celsius),)
        return now(self_test("a"), drives=drives)

    assert begun(warm(60 - WARM_BY)) == ["self-test a"]
    assert begun(warm(60 - WARM_BY + 1)) == []


def test_what_was_stopped_is_left_alone_for_a_while() -> None:
    assert begun(now(scrub(tried_at=T0 - TRY_AGAIN_AFTER + timedelta(minutes=1)))) == []
    assert begun(now(scrub(tried_at=T0 - TRY_AGAIN_AFTER))) == [f"scrub {TANK}"]


def test_what_was_never_done_is_due_at_once() -> None:
    assert due_at(scrub(ago=None), CALENDAR) == T0 - 400 * DAY
    assert due_at(scrub(ago=10), CALENDAR) == T0 + 20 * DAY


@dataclass
class World:
    """A box over a year: what runs comes to its end, pools break and are mended."""

    pools: dict[PoolId, list[DriveId]]
    takes: dict[str, timedelta]
    busy: tuple[int, int] | None  # hours of the day
    broken: list[tuple[PoolId, int, int]]  # from day to day
    hot: list[tuple[DriveId, int, int]]
    calendar: Calendar
    last: dict[tuple[JobKind, str], datetime | None] = field(default_factory=dict)
    running: dict[tuple[JobKind, str], datetime] = field(default_factory=dict)
    tried: dict[tuple[JobKind, str], datetime] = field(default_factory=dict)

    def is_broken(self, pool: PoolId, day: float) -> bool:
        return any(p == pool and a <= day < b for p, a, b in self.broken)

    def look(self, at: datetime) -> Now:
        day = (at - T0) / DAY
        jobs = [
            self._job(kind, key, pool)
            for pool, drives in self.pools.items()
            for kind, key in [(JobKind.SCRUB, pool), *((JobKind.SELF_TEST, d) for d in drives)]
        ]
        hour = at.hour + at.minute / 60
        in_busy, begins = False, None
        if self.busy:
            a, b = self.busy
            in_busy = a <= hour < b
            begins = None if in_busy else timedelta(hours=(a - hour) % 24)
        return Now(
            at=at,
            jobs=tuple(jobs),
            pools=tuple(
                PoolNow(pool=p, is_whole=not self.is_broken(p, day), busy=self.is_broken(p, day))
                for p in self.pools
            ),
            drives=tuple(
                DriveNow(
                    drive=d,
                    pools=(p,),
                    celsius=70 if any(h == d and a <= day < b for h, a, b in self.hot) else 35,
                )
                for p, drives in self.pools.items()
                for d in drives
            ),
            in_busy_hours=in_busy,
            busy_begins_in=begins,
        )

    def _job(self, kind: JobKind, key: str, pool: PoolId) -> Job:
        place = (kind, key)
        return Job(
            kind=kind,
            key=key,
            name=key,
            last_at=self.last.get(place),
            known_since=T0,
            takes=self.takes[kind],
            pools=(pool,),
            running=place in self.running,
            ours=True,
            tried_at=self.tried.get(place),
        )

    def act(self, at: datetime) -> Now:
        for place, since in list(self.running.items()):
            if at - since >= self.takes[place[0]]:
                del self.running[place]
                self.last[place] = at
        seen = self.look(at)
        for step in steps(seen, self.calendar):
            place = (step.job.kind, step.job.key)
            self.tried[place] = at
            if step.act is Act.BEGIN:
                assert place not in self.running
                self.running[place] = at
            else:
                del self.running[place]
        return self.look(at)


POOLS = {PoolId(f"md:{n}"): [DriveId(f"{n}{i}") for i in range(4)] for n in ("x", "y")}


@settings(max_examples=4, deadline=None)
@given(
    busy=st.sampled_from([None, (7, 23), (8, 18)]),
    scrub_hours=st.integers(2, 7),
    test_hours=st.integers(1, 7),
    at_once=st.integers(1, 3),
    break_day=st.integers(20, 200),
    break_days=st.integers(0, 12),
    hot_day=st.integers(0, 300),
)
def test_over_a_year_everything_is_done_in_time_and_never_too_much_at_once(  # noqa: PLR0917
    busy: tuple[int, int] | None,
    scrub_hours: int,
    test_hours: int,
    at_once: int,
    break_day: int,
    break_days: int,
    hot_day: int,
) -> None:
    world = World(
        pools=POOLS,
        takes={JobKind.SCRUB: scrub_hours * HOUR, JobKind.SELF_TEST: test_hours * HOUR},
        busy=busy,
        broken=[(PoolId("md:x"), break_day, break_day + break_days)],
        hot=[(DriveId("y1"), hot_day, hot_day + 2)],
        calendar=Calendar(self_tests_at_once=at_once),
    )
    worst: dict[tuple[JobKind, str], timedelta] = {}
    at = T0
    for _ in range(365 * 24):
        at += HOUR
        day = (at - T0) / DAY
        seen = world.act(at)
        kinds = list(world.running)
        assert sum(kind is JobKind.SCRUB for kind, _ in kinds) <= 1
        assert sum(kind is JobKind.SELF_TEST for kind, _ in kinds) <= at_once
        for pool, drives in POOLS.items():
            on_pool = [key for kind, key in kinds if key == pool or key in drives]
            assert len(on_pool) <= 1
            assert not (world.is_broken(pool, day) and on_pool)
        if seen.in_busy_hours:
            assert not [1 for kind, _ in kinds if kind is JobKind.SELF_TEST]
        assert (JobKind.SELF_TEST, "y1") not in kinds or not hot_day <= day < hot_day + 2
        for job in seen.jobs:
            place = (job.kind, job.key)
            gone = at - (job.last_at or T0)
            worst[place] = max(worst.get(place, timedelta(0)), gone)
    late = (break_days + 10) * DAY  # a broken pool or a warm drive holds up its own jobs
    for (kind, _), gone in worst.items():
        assert gone <= world.calendar.every(kind) + late
