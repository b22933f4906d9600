"""Scrubs and self-tests by the calendar: what to begin now, and what to stop. Pure.

Both only read, but both keep drives busy for hours. So:

* one self-test at a time in a pool, and so many in the box as the owner allows (twelve at once
  brought a real array from 800 to 0.2 MB/s: a report in the tracker of smartmontools);
* a scrub and a self-test never in the same pool at once, and one scrub at a time in the box;
* nothing on a pool that has not its full margin or is busy with anything (a rebuild comes first),
  and nothing on a drive below such a pool; whatever runs there is stopped;
* nothing is begun in busy hours, nothing that would run into them, where that can be avoided;
  self-tests that still run when they begin are stopped;
* nothing is begun on a drive that is nearly too warm, and what runs is stopped when a drive passes
  the temperature that it is rated for.

What is due longest goes first. A job that was stopped is due again at once, but not within the
hour, so that a warm drive does not start and stop all day.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from watcher.facts.checks import require_utc
from watcher.facts.identity import DriveId, PoolId

TRY_AGAIN_AFTER: Final = timedelta(hours=1)
"""How long a job that was stopped or refused is left alone. Our choice."""

WARM_BY: Final = 5
"""Nothing is begun on a drive that is within so many degrees of its limit. Our choice: reading
everything warms a disk by about as much."""

SPREAD_EVERY: Final = 0.8
"""A job may be begun at this share of its rhythm when there is room, so that jobs spread out and
none waits for the last day. Our choice."""


class JobKind(StrEnum):
    """What is run."""

    SCRUB = "scrub"
    SELF_TEST = "self-test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One thing that comes round again and again."""

    kind: JobKind
    key: str  # a PoolId or a DriveId
    name: str  # as the owner knows it
    last_at: datetime | None  # end of the last one; None: never seen
    known_since: datetime  # when the pool or drive was first seen
    takes: timedelta  # about how long one takes
    pools: tuple[PoolId, ...] = ()  # that it slows down
    running: bool = False
    ours: bool = False  # the running one was begun by us; another's is left alone
    tried_at: datetime | None = None  # when it was last begun or stopped

    def __post_init__(self) -> None:
        """Check the times."""
        require_utc(self.known_since, "known_since")
        for moment in (self.last_at, self.tried_at):
            if moment is not None:
                require_utc(moment, "a time of a job")


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolNow:
    """A pool as it is now."""

    pool: PoolId
    is_whole: bool
    busy: bool  # with anything but our scrub


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveNow:
    """A drive as it is now."""

    drive: DriveId
    pools: tuple[PoolId, ...]
    celsius: int | None = None
    limit_celsius: int = 60  # what it is rated for


@dataclass(frozen=True, slots=True, kw_only=True)
class Calendar:
    """How the owner wants it."""

    scrub_every: timedelta = timedelta(days=30)
    self_test_every: timedelta = timedelta(days=90)
    self_tests_at_once: int = 1

    def every(self, kind: JobKind) -> timedelta:
        """Give the rhythm of a kind."""
        return self.scrub_every if kind is JobKind.SCRUB else self.self_test_every


class Act(StrEnum):
    """What to do with a job."""

    BEGIN = "begin"
    STOP = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do now, and why."""

    act: Act
    job: Job
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """The box as it is now."""

    at: datetime
    jobs: tuple[Job, ...]
    pools: tuple[PoolNow, ...]
    drives: tuple[DriveNow, ...]
    in_busy_hours: bool
    busy_begins_in: timedelta | None = None  # None: never, or not known

    def pool(self, key: PoolId) -> PoolNow | None:
        """Give a pool, or None when it was not seen."""
        return next((pool for pool in self.pools if pool.pool == key), None)

    def drives_of(self, job: Job) -> tuple[DriveNow, ...]:
        """Give the drives that a job works on."""
        if job.kind is JobKind.SELF_TEST:
            return tuple(drive for drive in self.drives if drive.drive == job.key)
        return tuple(drive for drive in self.drives if job.key in drive.pools)


def due_at(job: Job, calendar: Calendar) -> datetime:
    """Give when a job is due: its rhythm after the last one, or at once when none was seen."""
    if job.last_at is None:
        return job.known_since
    return job.last_at + calendar.every(job.kind)


def steps(now: Now, calendar: Calendar) -> tuple[Step, ...]:
    """Say what to stop and what to begin now, in that order."""
    stops = tuple(
        Step(act=Act.STOP, job=job, why=why)
        for job in now.jobs
        if job.running and job.ours and (why := _must_stop(job, now))
    )
    stopped = {(step.job.kind, step.job.key) for step in stops}
    running = [job for job in now.jobs if job.running and (job.kind, job.key) not in stopped]
    begins: list[Step] = []
    if not now.in_busy_hours:
        for job in _in_order(now, calendar):
            if (job.kind, job.key) in stopped or job.running:
                continue
            reason = _may_begin(job, now, calendar, [*running, *(step.job for step in begins)])
            if reason is not None:
                begins.append(Step(act=Act.BEGIN, job=job, why=reason))
    return (*stops, *begins)


def _must_stop(job: Job, now: Now) -> str:
    """Say why a running job must stop; "" when it may go on."""
    for key in job.pools:
        pool = now.pool(key)
        if pool is not None and not pool.is_whole:
            return "its pool has not its full margin"
        if pool is not None and pool.busy:
            return "its pool is busy with something that comes first"
    for drive in now.drives_of(job):
        if drive.celsius is not None and drive.celsius > drive.limit_celsius:
            return f"a drive is at {drive.celsius} °C, above its limit of {drive.limit_celsius}"
    if now.in_busy_hours and job.kind is JobKind.SELF_TEST:
        return "busy hours began"
    return ""


def _in_order(now: Now, calendar: Calendar) -> Sequence[Job]:
    """Give the jobs by how long they are due, scrubs before self-tests of the same age."""
    return sorted(now.jobs, key=lambda j: (due_at(j, calendar), j.kind is JobKind.SELF_TEST, j.key))


def _may_begin(job: Job, now: Now, calendar: Calendar, running: Iterable[Job]) -> str | None:
    """Say why a job is begun; None when it is not time or there is no room."""
    due = due_at(job, calendar)
    early = calendar.every(job.kind) * (1 - SPREAD_EVERY) if job.last_at is not None else _NONE
    if now.at < due - early:
        return None
    if job.tried_at is not None and now.at - job.tried_at < TRY_AGAIN_AFTER:
        return None
    if not _fits_before_busy(job, now, due, calendar):
        return None
    if not _is_calm(job, now) or not _has_room(job, calendar, running):
        return None
    if job.last_at is None:
        return "none was ever seen"
    return f"the last one was {(now.at - job.last_at).days} days ago"


_NONE: Final = timedelta(0)


def _fits_before_busy(job: Job, now: Now, due: datetime, calendar: Calendar) -> bool:
    """Tell whether a job ends before the busy hours; one that is late is begun all the same.

    A job that takes longer than all the quiet hours would otherwise never run.
    """
    if now.busy_begins_in is None or job.takes <= now.busy_begins_in:
        return True
    return job.kind is JobKind.SCRUB and now.at >= due + calendar.every(job.kind) * 0.1


def _is_calm(job: Job, now: Now) -> bool:
    """Tell whether pools and drives let a job begin."""
    for key in job.pools:
        pool = now.pool(key)
        if pool is None or not pool.is_whole or pool.busy:
            return False
    drives = now.drives_of(job)
    if job.kind is JobKind.SELF_TEST and not drives:
        return False  # it cannot be seen now
    return all(d.celsius is None or d.celsius <= d.limit_celsius - WARM_BY for d in drives)


def _has_room(job: Job, calendar: Calendar, running: Iterable[Job]) -> bool:
    """Tell whether a job may run beside those that do."""
    others = tuple(running)
    if any(set(job.pools) & set(other.pools) for other in others):
        return False
    same = [other for other in others if other.kind is job.kind]
    if job.kind is JobKind.SCRUB:
        return not same
    return len(same) < calendar.self_tests_at_once
