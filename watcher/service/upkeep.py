"""Scrubs and self-tests by the calendar, begun and stopped after each look; off unless switched on.

What to do is decided by ``recovery/calendar.py`` from the survey alone; this module only carries it
out and remembers, under one name in the store, when each job was last begun or stopped, and which
running ones are ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from watcher.cases.policy import Hours
from watcher.exposure.rebuild import drive_pass_hours, used_share
from watcher.facts.drive import DriveReading, Medium, Metric
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.pool import Pool, Protection, WorkKind, WorkState
from watcher.facts.pool_past import last_scrub
from watcher.facts.survey import Survey
from watcher.readers import scrubs
from watcher.readers.drive_target import DriveTarget
from watcher.readers.host import Host
from watcher.readers.self_test import start_self_test, stop_self_test
from watcher.recovery.calendar import (
    Act,
    Calendar,
    DriveNow,
    Job,
    JobKind,
    Now,
    PoolNow,
    Step,
    steps,
)
from watcher.recovery.shelf import class_of
from watcher.rules.view import View
from watcher.service.desk import view_of
from watcher.service.prove import HOT_DISK, HOT_FLASH
from watcher.store.codec import Form
from watcher.store.database import Store
from watcher.store.errors import StoreError

KEPT: Final = "upkeep"
"""Under which name the store keeps what was begun and stopped."""

SLOWER: Final = 1.3
"""A scrub or self-test beside ordinary work takes longer than a pass alone. Our choice."""

LONGEST_LOOK: Final = timedelta(hours=24)


@dataclass(frozen=True, slots=True, kw_only=True)
class Upkeep:
    """What the owner wants, as it is carried out."""

    calendar: Calendar
    busy: tuple[Hours, ...] = ()
    zone: str = "UTC"
    stop_above_celsius: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What is remembered of one job."""

    at: datetime  # when it was last begun or stopped by us
    running: bool  # begun by us, and neither stopped nor seen to have ended


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """All that is remembered, by kind and key."""

    jobs: Mapping[str, Tried] = field(default_factory=dict)


_MEMORY: Final = Form[Memory](Memory)


def place_of(kind: JobKind, key: str) -> str:
    """Name a job in the memory."""
    return f"{kind.value} {key}"


def now_of(view: View, upkeep: Upkeep, memory: Memory) -> Now:
    """See the box as the calendar does."""
    zone = ZoneInfo(upkeep.zone)
    inside = any(h.end_when_inside(view.now, zone) for h in upkeep.busy)
    return Now(
        at=view.now,
        jobs=(*_scrub_jobs(view, memory), *_test_jobs(view, memory)),
        pools=tuple(_pool_now(pool) for pool in view.survey.pools),
        drives=tuple(_drive_now(view, reading, upkeep) for reading in view.survey.drives),
        in_busy_hours=inside,
        busy_begins_in=None if inside else busy_in(upkeep.busy, view.now, zone),
    )


def busy_in(busy: tuple[Hours, ...], now: datetime, zone: ZoneInfo) -> timedelta | None:
    """Give how long until busy hours begin, to the quarter of an hour; None within a day."""
    step = timedelta(minutes=15)
    ahead = step
    while ahead <= LONGEST_LOOK:
        if any(hours.end_when_inside(now + ahead, zone) for hours in busy):
            return ahead
        ahead += step
    return None


def _pool_now(pool: Pool) -> PoolNow:
    """See a pool."""
    work = pool.work
    scrubs_now = work is not None and work.kind is WorkKind.SCRUB
    return PoolNow(
        pool=pool.pool,
        is_whole=pool.protection is Protection.WHOLE,
        busy=work is not None and not scrubs_now,
    )


def _drive_now(view: View, reading: DriveReading, upkeep: Upkeep) -> DriveNow:
    """See a drive."""
    rated = reading.metric(Metric.TEMPERATURE_WARNING_CELSIUS)
    usual = HOT_FLASH if reading.identity.medium is Medium.FLASH else HOT_DISK
    limits = [limit for limit in (upkeep.stop_above_celsius, rated) if limit]
    drive = reading.identity.drive
    return DriveNow(
        drive=drive,
        pools=tuple(pool.pool for pool in view.survey.pools if drive in pool.drives),
        celsius=reading.metric(Metric.TEMPERATURE_CELSIUS),
        limit_celsius=min(limits, default=usual),
    )


def _scrub_jobs(view: View, memory: Memory) -> tuple[Job, ...]:
    """Give a scrub for each pool that can be scrubbed and has redundancy to compare with."""
    jobs = []
    for pool in view.survey.pools:
        if pool.kind not in scrubs.CAN_SCRUB or not pool.full_margin:
            continue
        past = view.pool_past.get(pool.pool)
        largest = max((m.capacity_bytes or 0 for m in pool.members), default=0)
        sizes = [w.capacity_bytes for d in pool.drives if (w := view.identity_of(d)) is not None]
        largest = max([largest, *(size for size in sizes if size)])
        drive = next((w for d in pool.drives if (w := view.identity_of(d)) is not None), None)
        hours = drive_pass_hours(class_of(drive), largest) if drive and largest else 12.0
        running = pool.work is not None and pool.work.kind is WorkKind.SCRUB
        halted = running and pool.work is not None and pool.work.state is WorkState.PAUSED
        jobs.append(
            _remembered(
                Job(
                    kind=JobKind.SCRUB,
                    key=pool.pool,
                    name=pool.name,
                    last_at=last_scrub(pool, past),
                    known_since=past.first_seen if past is not None else view.now,
                    takes=timedelta(hours=hours * used_share(pool) * SLOWER),
                    pools=(pool.pool,),
                    running=running and not halted,
                ),
                memory,
            )
        )
    return tuple(jobs)


def _test_jobs(view: View, memory: Memory) -> tuple[Job, ...]:
    """Give a self-test for each drive that keeps a log of them."""
    jobs = []
    for reading in view.survey.drives:
        hours = reading.metric(Metric.POWER_ON_HOURS)
        if hours is None:
            continue
        full = [t for t in reading.self_tests if t.is_full]
        ended = [t.power_on_hours for t in full if t.passed or t.found_damage]
        ages = [(hours - at) % 65536 for at in ended if at is not None]
        drive = reading.identity.drive
        past = view.past.get(drive)
        size = reading.identity.capacity_bytes or 0
        takes = drive_pass_hours(class_of(reading.identity), size) if size else 12.0
        jobs.append(
            _remembered(
                Job(
                    kind=JobKind.SELF_TEST,
                    key=drive,
                    name=view.label_of(drive),
                    last_at=view.now - timedelta(hours=min(ages)) if ages else None,
                    known_since=past.first_seen if past is not None else view.now,
                    takes=timedelta(hours=takes * SLOWER),
                    pools=tuple(p.pool for p in view.pools_of(drive)),
                    running=reading.self_test_remaining_percent is not None,
                ),
                memory,
            )
        )
    return tuple(jobs)


def _remembered(job: Job, memory: Memory) -> Job:
    """Add what is remembered of a job."""
    tried = memory.jobs.get(place_of(job.kind, job.key))
    if tried is None:
        return job
    return replace(job, tried_at=tried.at, ours=job.running and tried.running)


def carry_out(host: Host, view: View, step: Step) -> str:
    """Do one step; the reason when it could not be done, "" when it was."""
    begins = step.act is Act.BEGIN
    if step.job.kind is JobKind.SELF_TEST:
        reading = view.survey.reading(DriveId(step.job.key))
        if reading is None:
            return "it is not there any more"
        target = DriveTarget(node=reading.node, device_type=reading.device_type)
        return start_self_test(host, target) if begins else stop_self_test(host, target)
    pool = next((p for p in view.survey.pools if p.pool == PoolId(step.job.key)), None)
    if pool is None:
        return "it is not there any more"
    command = scrubs.start_command(pool) if begins else scrubs.stop_command(pool)
    return scrubs.do(host, command, f"scrub {pool.pool}")


def say_step(step: Step, refused: str) -> str:
    """Say in a sentence what was done."""
    what = "scrub" if step.job.kind is JobKind.SCRUB else "self-test"
    verb = "begun" if step.act is Act.BEGIN else "stopped"
    if refused:
        return f"The {what} of {step.job.name} could not be {verb}: {refused}."
    return f"The {what} of {step.job.name} was {verb}: {step.why}."


def after_look(
    host: Host, store: Store, survey: Survey, now: datetime, upkeep: Upkeep
) -> tuple[str, ...]:
    """Do what is due after a look; a sentence for each thing done. Never raises StoreError."""
    try:
        with store.snapshot() as tx:
            view = view_of(tx, survey, now)
        return keep_up(host, store, view, upkeep)
    except StoreError as error:
        return (f"Scrubs and self-tests were left alone: {error}.",)


def keep_up(host: Host, store: Store, view: View, upkeep: Upkeep) -> tuple[str, ...]:
    """Begin and stop what the calendar asks for; a sentence for each thing that was done.

    Raises StoreError when what was done cannot be remembered; it is remembered first, so that a
    crash never begins the same thing twice within the hour.
    """
    box = view.survey.box
    with store.snapshot() as tx:
        text = tx.kept(box, KEPT)
    memory = _MEMORY.read(text, "the upkeep") if text else Memory()
    jobs = dict(memory.jobs)

    def remember(job: Job, tried: Tried) -> None:
        jobs[place_of(job.kind, job.key)] = tried
        with store.transaction() as tx:
            tx.keep(box, KEPT, _MEMORY.write(Memory(jobs=jobs)))

    said = []
    now = now_of(view, upkeep, memory)
    for job in now.jobs:  # what has ended is ours no more: the next one may be a person's
        tried = jobs.get(place_of(job.kind, job.key))
        if tried is not None and tried.running and not job.running:
            remember(job, replace(tried, running=False))
    for step in steps(now, upkeep.calendar):
        begins = step.act is Act.BEGIN
        remember(step.job, Tried(at=view.now, running=begins))
        refused = carry_out(host, view, step)
        if refused:  # it is as it was: not ours, or ours still
            remember(step.job, Tried(at=view.now, running=not begins))
        said.append(say_step(step, refused))
    return tuple(said)
