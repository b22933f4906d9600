"""The exposure window: from now until full margin is proven back, part by part.

Waiting for a spare, reaching the machine, burn-in, swap, rebuild and verify follow one another;
each is a distribution, and so is their sum. Data is exposed until the rebuild ends; the window
closes when the check after it has proven the margin.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum

from watcher.exposure.figure import Figure
from watcher.exposure.life import DriveLife
from watcher.exposure.rebuild import Load, burn_in_hours, rebuild_span, scrub_span
from watcher.exposure.span import NO_TIME, Span, lasting
from watcher.facts.checks import require_not_negative
from watcher.facts.identity import DriveId
from watcher.facts.pool import Pool

DELIVERY_HOUR = 13
"""Local hour at which a parcel counts as delivered: the middle of a working day; our choice."""

SATURDAY = 5
"""First day of the week, as Python counts them, on which nothing is delivered."""

WEAK_NEW_DRIVE = Figure(low=0.003, likely=0.009, high=0.03)
"""Chance that a new drive is dead or soon will be. Likely: the excess of 5.1% over 1.4% a year
during the first three months (2013 statistics, second hand). The ends are our choice: later fleets
show no early bump, and drives that travel fare worse."""

BURN_IN_FINDS = 0.9
"""Share of the weak drives that a burn-in finds: common practice says most; our choice."""


class Spare(StrEnum):
    """Where the replacement is."""

    IN_PLACE = "in-place"  # a hot spare in the pool: the rebuild starts by itself
    PROVEN = "proven"  # on the shelf, its burn-in passed
    UNPROVEN = "unproven"  # on the shelf, never tested
    ORDERED = "ordered"  # on its way
    NONE = "none"  # none known: it must be ordered first


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowPlan:
    """How the owner gets a pool back. Triples are the 10%, 50% and 90% points of a guess."""

    zone: tzinfo = UTC
    spare: Spare = Spare.NONE
    arrives_at: datetime | None = None  # of an ordered spare
    second_spare: bool = False  # another one lies ready, should the first be weak
    delivery_working_days: tuple[int, int, int] = (1, 3, 7)
    holidays: frozenset[date] = frozenset()
    reach_hours: tuple[float, float, float] = (0.5, 4.0, 24.0)  # until a person is at the machine
    swap_hours: tuple[float, float, float] = (0.25, 0.5, 2.0)
    burn_in: bool = False  # of an unproven spare, before it goes in
    burn_in_passes: int = 1  # each a full write and a full read-back
    self_test: bool = True  # an extended self-test as part of the burn-in
    verify: bool = True  # read and compare everything once the rebuild is through
    load: Load = field(default_factory=Load)
    weak_new_drive: Figure = WEAK_NEW_DRIVE
    new_drive: DriveLife | None = None  # the spare itself, when it is known
    without_backup_bytes: int | None = None  # what has no copy elsewhere; None: not known
    copy_bytes_per_second: float = 100e6  # to another place: a gigabit line, our choice
    scrub_every_days: float | None = None  # None: never, or not known

    def __post_init__(self) -> None:
        """Check order and signs."""
        for triple in (self.delivery_working_days, self.reach_hours, self.swap_hours):
            if not 0 <= triple[0] <= triple[1] <= triple[2]:
                raise ValueError(f"want three rising numbers, not below zero, got {triple}")
        require_not_negative(self.burn_in_passes, "burn_in_passes")
        require_not_negative(self.without_backup_bytes, "without_backup_bytes")
        if self.copy_bytes_per_second <= 0:
            raise ValueError("copy_bytes_per_second must be above zero")
        if self.scrub_every_days is not None and self.scrub_every_days <= 0:
            raise ValueError("scrub_every_days must be above zero; None means never")
        if self.arrives_at is not None and self.arrives_at.tzinfo is None:
            raise ValueError("arrives_at needs a time zone")


class Step(StrEnum):
    """The parts of a window, in their order."""

    SPARE = "waiting for a spare"
    REACH = "reaching the machine"
    BURN_IN = "burn-in"
    SWAP = "swap"
    REBUILD = "rebuild"
    VERIFY = "verify"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a window and how long it takes."""

    step: Step
    span: Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """How long it takes until full margin is proven back, and until when data is exposed."""

    begins: datetime
    parts: tuple[Part, ...]  # those that take time, in order
    bare: Span  # hours until the rebuild is through: the time in which a loss costs data
    whole: Span  # hours until the margin is proven back
    zone: tzinfo

    def at(self, hours: float) -> datetime:
        """Give the moment ``hours`` from the beginning, to the minute, in the owner's zone."""
        moment = self.begins + lasting(hours) + timedelta(seconds=30)
        return moment.replace(second=0, microsecond=0).astimezone(self.zone)

    @property
    def earliest(self) -> datetime:
        """Before this it is over one time in ten."""
        return self.at(self.whole.earliest)

    @property
    def likely(self) -> datetime:
        """Before this it is over one time in two."""
        return self.at(self.whole.likely)

    @property
    def latest(self) -> datetime:
        """Before this it is over nine times in ten."""
        return self.at(self.whole.latest)

    @property
    def hours_bare(self) -> float:
        """The mean time with data exposed, in hours."""
        return self.bare.mean


def working_day(start: date, days: int, holidays: frozenset[date] = frozenset()) -> date:
    """Give the date that is ``days`` working days after ``start`` (Monday to Friday).

    0 gives ``start`` itself when it is a working day, else the next one.
    """
    day, left = start, days
    while left > 0 or day.weekday() >= SATURDAY or day in holidays:
        day += timedelta(days=1)
        if day.weekday() < SATURDAY and day not in holidays:
            left -= 1
    return day


def delivery_span(plan: WindowPlan, now: datetime) -> Span:
    """Give the hours until a drive ordered now is delivered, by the owner's calendar."""
    local = now.astimezone(plan.zone)
    hours = []
    for days in plan.delivery_working_days:
        day = working_day(local.date(), days, plan.holidays)
        there = datetime.combine(day, time(DELIVERY_HOUR), tzinfo=plan.zone)
        hours.append(max(0.0, (there - now).total_seconds() / 3600.0))
    return Span.about(*hours)


def spare_span(plan: WindowPlan, now: datetime) -> Span:
    """Give the hours until a spare is at hand.

    An ordered one comes at the announced time, or up to three working days late one time in ten
    (our choice); with no announced time it counts as ordered now.
    """
    match plan.spare:
        case Spare.IN_PLACE | Spare.PROVEN | Spare.UNPROVEN:
            return NO_TIME
        case Spare.ORDERED:
            if plan.arrives_at is None:
                return delivery_span(plan, now)
            due = max(plan.arrives_at, now).astimezone(plan.zone)
            late_day = working_day(due.date(), 3, plan.holidays)
            late = due + timedelta(days=(late_day - due.date()).days)
            likely = (due - now).total_seconds() / 3600.0
            return Span.about(likely * 0.9, likely, (late - now).total_seconds() / 3600.0)
        case Spare.NONE:
            return delivery_span(plan, now)


def new_drive_of(plan: WindowPlan, replaced: DriveLife | None) -> DriveLife | None:
    """Give what the new drive will be: the known spare, else one like the drive it replaces."""
    return plan.new_drive or replaced


def window_of(
    pool: Pool,
    plan: WindowPlan,
    now: datetime,
    *,
    replaced: DriveLife | None,
    capacity_bytes: float | None,
    rebuilding: Span | None = None,
) -> Window:
    """Give the window of a pool that has lost margin.

    ``rebuilding`` is what is left of a rebuild that runs already: then nothing else is waited for.
    ``replaced`` is the lost drive as it is remembered. A new drive that turns out weak costs the
    rebuild once more, and the wait for another one unless a second spare lies ready.
    """
    new = new_drive_of(plan, replaced)
    like = new or DriveLife(drive=next(iter(sorted(pool.drives)), _NOBODY))
    parts: list[Part] = []
    waits = rebuilding is None
    if waits:
        parts += _waiting(plan, now, like, capacity_bytes)
    filling = rebuilding or rebuild_span(pool, plan.load, capacity_bytes=capacity_bytes, new=new)
    parts.append(Part(step=Step.REBUILD, span=filling))
    bare = NO_TIME
    for part in parts:
        bare = bare.plus(part.span)
    if waits:
        again = _again(plan, now, filling)
        bare = bare.or_else(bare.plus(again), _weak_share(plan))
    whole = bare
    if plan.verify:
        check = scrub_span(pool, plan.load, capacity_bytes=capacity_bytes, like=like)
        parts.append(Part(step=Step.VERIFY, span=check))
        whole = bare.plus(check)
    kept = tuple(part for part in parts if part.span.values[-1] > 0)
    return Window(begins=now, parts=kept, bare=bare, whole=whole, zone=plan.zone)


_NOBODY = DriveId("a-drive")
"""Stands for a new drive of which nothing is known."""


def _waiting(
    plan: WindowPlan, now: datetime, like: DriveLife, capacity_bytes: float | None
) -> list[Part]:
    """Give what must pass before the rebuild can begin."""
    if plan.spare is Spare.IN_PLACE:
        return []
    parts = [
        Part(step=Step.SPARE, span=spare_span(plan, now)),
        Part(step=Step.REACH, span=Span.about(*plan.reach_hours)),
    ]
    if plan.burn_in and plan.spare is not Spare.PROVEN:
        hours = burn_in_hours(
            like.drive_class,
            capacity_bytes or like.capacity_bytes or _BURN_IN_BYTES,
            passes=plan.burn_in_passes,
            self_test=plan.self_test,
        )
        parts.append(Part(step=Step.BURN_IN, span=Span.about(hours, hours * 1.1, hours * 1.4)))
    parts.append(Part(step=Step.SWAP, span=Span.about(*plan.swap_hours)))
    return parts


_BURN_IN_BYTES = 12e12
"""Size of a drive of unknown size, for its burn-in; our choice."""


def _weak_share(plan: WindowPlan) -> float:
    """Give the chance that the new drive lets us down during the rebuild."""
    weak = plan.weak_new_drive.likely
    tested_first = plan.burn_in and plan.spare is not Spare.IN_PLACE
    proven = plan.spare is Spare.PROVEN or tested_first
    return weak * (1.0 - BURN_IN_FINDS) if proven else weak


def _again(plan: WindowPlan, now: datetime, filling: Span) -> Span:
    """Give the extra hours when the new drive fails: another drive, and the rebuild again."""
    wait = NO_TIME if plan.second_spare else delivery_span(plan, now)
    reach = Span.about(*plan.reach_hours).plus(Span.about(*plan.swap_hours))
    return wait.plus(reach).plus(filling)
