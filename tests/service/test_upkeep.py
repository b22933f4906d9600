"""The calendar carried out: what is run, what is remembered, and nothing while it is off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import time
from zoneinfo import ZoneInfo

from tests.rules.build import (
    BOX,
    DAY,
    HOUR,
    T0,
    drive,
    pool,
    pool_past,
    reading,
    self_test,
    view,
)
from watcher.cases.policy import Hours
from watcher.facts.drive import DriveReading, Metric
from watcher.facts.pool import Pool, Work, WorkKind, WorkState
from watcher.readers.host import Ended, Ran
from watcher.readers.recorded import RecordedHost
from watcher.recovery.calendar import Calendar, JobKind
from watcher.rules.view import View
from watcher.service.upkeep import (
    KEPT,
    Memory,
    Tried,
    Upkeep,
    after_look,
    busy_in,
    keep_up,
    now_of,
    place_of,
)
from watcher.store.database import Store, open_memory
from watcher.store.errors import StoreError

UPKEEP = Upkeep(calendar=Calendar())
CHECK = ("mdadm", "--action=check", "/dev/md0")
TEST = ("smartctl", "-t", "long", "-d", "sat", "/dev/sda")


class Host(RecordedHost):
    """Keeps what was run; every program does what it is asked."""

    def __init__(self, status: int = 0) -> None:
        super().__init__()
        self.ran: list[tuple[str, ...]] = []
        self.status = status

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        del limit_seconds, lane
        self.ran.append(tuple(argv))
        return Ran(argv=tuple(argv), ended=Ended.EXITED, status=self.status, stderr="mdadm: busy")


def md(**more: object) -> Pool:
    return replace(pool("abc"), node="/dev/md0", **more)  # type: ignore[arg-type]


def drive_tested(letter: str, ago_hours: int, **more: object) -> DriveReading:
    """A drive whose last full self-test was so many hours of running ago."""
    return reading(
        letter,
        {Metric.POWER_ON_HOURS: 9000, Metric.TEMPERATURE_CELSIUS: 35},
        self_tests=(self_test(power_on_hours=9000 - ago_hours),),
        **more,  # type: ignore[arg-type]
    )


def seen(*, scrubbed_days: float = 40, tested_hours: int = 24, **more: object) -> View:
    past = pool_past(scrubbed_at=T0 - scrubbed_days * DAY)
    drives = [drive_tested(x, tested_hours) for x in "abc"]
    return view(*drives, pools=(md(**more),), pool_pasts=(past,))


def memory_of(store: Store) -> str | None:
    with store.snapshot() as tx:
        return tx.kept(BOX, KEPT)


def test_a_scrub_that_is_due_is_begun_remembered_and_said() -> None:
    host, store = Host(), open_memory(now=T0)
    said = keep_up(host, store, seen(), UPKEEP)
    assert host.ran == [CHECK]
    assert said == ("The scrub of tank was begun: the last one was 40 days ago.",)
    assert place_of(JobKind.SCRUB, "md:tank") in (memory_of(store) or "")
    assert keep_up(host, store, seen(), UPKEEP) == ()  # not again within the hour
    assert host.ran == [CHECK]


def test_a_self_test_that_is_due_is_begun_on_one_member_only() -> None:
    host = Host()
    keep_up(host, open_memory(now=T0), seen(scrubbed_days=1, tested_hours=91 * 24), UPKEEP)
    assert host.ran == [TEST]


def test_nothing_is_begun_when_nothing_is_due() -> None:
    host = Host()
    assert keep_up(host, open_memory(now=T0), seen(scrubbed_days=1), UPKEEP) == ()
    assert host.ran == []


def test_what_was_refused_is_said_and_left_alone_for_a_while() -> None:
    host, store = Host(status=1), open_memory(now=T0)
    assert keep_up(host, store, seen(), UPKEEP) == (
        "The scrub of tank could not be begun: mdadm: busy.",
    )
    assert keep_up(host, store, seen(), UPKEEP) == ()


def test_our_scrub_is_stopped_when_a_drive_is_too_hot_and_anothers_is_not() -> None:
    scrubbing, host, store = too_hot_while_scrubbing(), Host(), open_memory(now=T0)
    assert keep_up(host, store, scrubbing, UPKEEP) == ()
    begun = seen(scrubbed_days=40)
    keep_up(host, store, replace(begun, now=T0 - 2 * HOUR), UPKEEP)
    host.ran.clear()
    said = keep_up(host, store, scrubbing, UPKEEP)
    assert host.ran == [("mdadm", "--action=idle", "/dev/md0")]
    assert "61 °C" in said[0]


def too_hot_while_scrubbing() -> View:
    hot = replace(
        drive_tested("a", 24),
        metrics=((Metric.POWER_ON_HOURS, 9000), (Metric.TEMPERATURE_CELSIUS, 61)),
    )
    work = Work(kind=WorkKind.SCRUB, state=WorkState.RUNNING)
    return view(hot, pools=(md(work=work),), pool_pasts=(pool_past(),))


def test_what_a_person_begins_once_ours_has_ended_is_theirs() -> None:
    host, store = Host(), open_memory(now=T0)
    keep_up(host, store, seen(), UPKEEP)
    keep_up(host, store, seen(scrubbed_days=0), UPKEEP)
    host.ran.clear()
    assert keep_up(host, store, too_hot_while_scrubbing(), UPKEEP) == ()
    assert host.ran == []


def test_what_was_refused_to_us_and_runs_is_somebody_elses() -> None:
    host, store = Host(status=1), open_memory(now=T0)
    keep_up(host, store, seen(), UPKEEP)
    assert keep_up(host, store, too_hot_while_scrubbing(), UPKEEP) == ()


def test_ours_is_stopped_again_when_it_could_not_be_stopped() -> None:
    host, store = Host(), open_memory(now=T0)
    keep_up(host, store, seen(), UPKEEP)
    host.status = 1
    (said,) = keep_up(host, store, too_hot_while_scrubbing(), UPKEEP)
    assert said == "The scrub of tank could not be stopped: mdadm: busy."
    host.status = 0
    (said,) = keep_up(host, store, too_hot_while_scrubbing(), UPKEEP)
    assert said.startswith("The scrub of tank was stopped: a drive is at 61 °C")


def test_the_owners_limit_and_the_drives_own_both_hold() -> None:
    rated = replace(drive_tested("a", 1), metrics=((Metric.TEMPERATURE_WARNING_CELSIUS, 55),))
    at = view(rated, drive_tested("b", 1), pools=(md(),))

    def limits(upkeep: Upkeep) -> list[int]:
        return [d.limit_celsius for d in now_of(at, upkeep, Memory()).drives]

    assert limits(UPKEEP) == [55, 60]
    assert limits(replace(UPKEEP, stop_above_celsius=50)) == [50, 50]


def test_a_rebuild_makes_a_pool_busy_and_a_scrub_does_not() -> None:
    for kind, busy in ((WorkKind.REBUILD, True), (WorkKind.SCRUB, False)):
        at = view(pools=(md(work=Work(kind=kind)),))
        assert now_of(at, UPKEEP, Memory()).pools[0].busy is busy


def test_the_time_until_busy_hours_is_told_to_the_quarter() -> None:
    """T0 is noon in UTC."""
    evening = Hours(begin=time(18), end=time(23))
    assert busy_in((evening,), T0, ZoneInfo("UTC")) == 6 * HOUR
    assert busy_in((evening,), T0, ZoneInfo("Europe/Oslo")) == 5 * HOUR
    assert busy_in((), T0, ZoneInfo("UTC")) is None
    noon = replace(UPKEEP, busy=(Hours(begin=time(8), end=time(18)),))
    assert now_of(seen(), noon, Memory()).in_busy_hours
    host = Host()
    assert keep_up(host, open_memory(now=T0), seen(), noon) == ()


def test_a_job_that_runs_is_ours_only_when_we_began_it() -> None:
    running = replace(drive_tested("a", 1), self_test_remaining_percent=50)
    at = view(running, pools=(md(),))
    place = place_of(JobKind.SELF_TEST, drive("a"))
    ours = Memory(jobs={place: Tried(at=T0 - HOUR, running=True)})
    for memory, is_ours in ((Memory(), False), (ours, True)):
        (job,) = [j for j in now_of(at, UPKEEP, memory).jobs if j.kind is JobKind.SELF_TEST]
        assert (job.running, job.ours) == (True, is_ours)


def test_a_drive_that_tells_no_hours_is_not_tested() -> None:
    at = view(reading("a"), pools=(md(),))
    assert [j.kind for j in now_of(at, UPKEEP, Memory()).jobs] == [JobKind.SCRUB]


class FullStore:
    """A store that can be read and takes nothing."""

    def __init__(self) -> None:
        self.store = open_memory(now=T0)
        self.snapshot = self.store.snapshot

    def transaction(self) -> object:
        raise StoreError("the disk is full")


def test_what_cannot_be_remembered_is_not_begun() -> None:
    host = Host()
    said = after_look(host, FullStore(), seen().survey, T0, UPKEEP)  # type: ignore[arg-type]
    assert said == ("Scrubs and self-tests were left alone: the disk is full.",)
    assert host.ran == []


def test_after_a_look_the_store_tells_what_is_due() -> None:
    host = Host()
    said = after_look(host, open_memory(now=T0), seen().survey, T0, UPKEEP)
    assert host.ran == [CHECK]
    assert said == ("The scrub of tank was begun: none was ever seen.",)
