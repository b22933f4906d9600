"""Recorded history, run through the same rules: what would have been told, and when.

A replayed drive stands alone: a record of daily rows knows no pools and no kernel log. The drive
rules are the very functions of the catalogue. To be quick, a drive is judged again only on days on
which a counter that some rule reads has moved, or moved so lately that it may still leave a rule's
window; on other days nothing can have changed. A test holds this against judging every day.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

from watcher.facts.drive import DriveIdentity, DrivePast, DriveReading, Metric, Trace
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, DriveId
from watcher.facts.recorded_day import RecordedDay
from watcher.rules.catalogue import CATALOGUE
from watcher.rules.look import Found, Look, SignCheck
from watcher.rules.risk import (
    MONTH,
    SIGN_METRICS,
    Row,
    base_rows,
    chance_within,
    rate_at,
    together,
)
from watcher.rules.tuning import UNTUNED, Target, Tuning

LONGEST_WINDOW: Final = timedelta(days=31)
"""No drive rule looks at a rise over more than 30 days."""
KEPT: Final = timedelta(days=400)
"""How much of a trace is kept while replaying: the pace of wear is taken over it."""
HEAT: Final = frozenset(
    {
        Metric.TEMPERATURE_CELSIUS,
        Metric.TEMPERATURE_WARNING_CELSIUS,
        Metric.TEMPERATURE_CRITICAL_CELSIUS,
    }
)
"""Moves daily, and only the rules about heat read it."""
BOX: Final = BoxId("replay")

Signs = tuple[tuple[str, SignCheck], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A finding that begins to hold, or becomes more urgent, on one day."""

    at: datetime
    rule: str
    urgency: Urgency


@dataclass(slots=True)
class DriveStory:
    """What would have been told of one drive, and how likely it was to fail on each day."""

    serial: str
    model: str
    told: list[Told] = field(default_factory=list)
    chances: list[tuple[datetime, float]] = field(default_factory=list)
    left_out: int = 0  # days that came out of order, or twice

    def first(self, least: Urgency) -> Told | None:
        """Give the first finding of at least an urgency."""
        return next((told for told in self.told if told.urgency >= least), None)

    def as_record(self) -> dict[str, object]:
        """Give the drive's story as plain data. Notes are findings, but no alert."""
        alert = self.first(Urgency.THIS_WEEK)
        return {
            "serial": self.serial,
            "findings": [
                {"rule": told.rule, "urgency": told.urgency.value, "date": _day(told.at)}
                for told in self.told
            ],
            "chance_30d": [{"date": _day(at), "p": round(p, 6)} for at, p in self.chances],
            "first_alert": None
            if alert is None
            else {"date": _day(alert.at), "urgency": alert.urgency.value},
        }


@lru_cache(maxsize=4096)
def _day(at: datetime) -> str:
    """Write a date."""
    return at.date().isoformat()


@dataclass(frozen=True, slots=True)
class _Plan:
    """Which rules can say something about rows with certain metrics, and what they read."""

    counting: Signs
    heating: Signs
    counters: frozenset[Metric]  # what the counting rules read, hours aside
    watched: frozenset[Metric]  # all that needs a trace


@lru_cache(maxsize=256)
def plan_for(metrics: frozenset[Metric]) -> _Plan:
    """Sort the drive rules by what they read of these metrics."""
    counting: list[tuple[str, SignCheck]] = []
    heating: list[tuple[str, SignCheck]] = []
    counters = {metric for metric in metrics if metric.value in SIGN_METRICS}
    for rule in CATALOGUE.values():
        read = {metric for metric in metrics if metric.value in rule.reads}
        if rule.sign is None or not read - {Metric.POWER_ON_HOURS}:
            continue
        if read & HEAT:
            heating.append((rule.name, rule.sign))
        else:
            counting.append((rule.name, rule.sign))
            counters |= read
    counters.discard(Metric.POWER_ON_HOURS)
    return _Plan(
        counting=tuple(counting),
        heating=tuple(heating),
        counters=frozenset(counters),
        watched=frozenset(counters | (metrics & HEAT)),
    )


@dataclass(slots=True)
class _Drive:
    """What the replay remembers of one drive between its days."""

    identity: DriveIdentity
    target: Target
    story: DriveStory
    plan: _Plan
    first_seen: datetime
    last_read: datetime
    metrics: Mapping[Metric, int]
    traces: dict[Metric, list[tuple[datetime, int]]]
    moved_at: datetime | None = None
    rates: tuple[Row, ...] = ()
    row: Row | None = None  # of the rates, that holds at the drive's age
    factor: float = 1.0
    p: float = 0.0
    judged_at: datetime | None = None
    holding: dict[str, Urgency] = field(default_factory=dict)


def _begin(day: RecordedDay) -> _Drive:
    """Meet a drive for the first time. What a row does not tell stays unknown."""
    identity = DriveIdentity(
        drive=DriveId(f"{day.model}_{day.serial}"),
        model=day.model,
        serial=day.serial,
        capacity_bytes=day.capacity_bytes,
    )
    return _Drive(
        identity=identity,
        target=Target(box=BOX, drive=identity.drive, serial=day.serial, model=day.model),
        story=DriveStory(day.serial, day.model),
        plan=plan_for(frozenset(day.metrics)),
        first_seen=day.at,
        last_read=day.at,
        metrics={},
        traces={},
        rates=base_rows(identity),
    )


def _look(drive: _Drive, day: RecordedDay, wanted: Iterable[Metric], tuning: Tuning) -> Look:
    """Make what the rules look at, from the row of this day and the days before."""
    past = None
    if drive.metrics:
        past = DrivePast(
            identity=drive.identity,
            first_seen=drive.first_seen,
            last_read=drive.last_read,
            last_present=drive.last_read,
            traces=tuple(
                Trace(metric=metric, points=tuple(drive.traces[metric]))
                for metric in wanted
                if metric in drive.traces
            ),
        )
    reading = DriveReading(
        identity=drive.identity,
        observed_at=day.at,
        node="recorded",
        device_type="",
        metrics=tuple(day.metrics.items()),
    )
    return Look(reading=reading, past=past, now=day.at, tuning=tuning, target=drive.target)


def _remember(drive: _Drive, day: RecordedDay) -> None:
    """Add the values of a day to the traces, where they changed."""
    old = drive.metrics
    for metric in drive.plan.watched:
        value = day.metrics.get(metric)
        if value is None or (old.get(metric) == value and metric in drive.traces):
            continue
        points = drive.traces.setdefault(metric, [])
        points.append((day.at, value))
        keep = timedelta(days=3) if metric in HEAT else KEPT
        while len(points) > 1 and points[1][0] < day.at - keep:
            del points[0]
    drive.metrics = day.metrics
    drive.last_read = day.at


def _run(drive: _Drive, look: Look, signs: Signs) -> None:
    """Run some rules, and write down what begins to hold or became more urgent."""
    for name, sign in signs:
        found: Found | None = sign(look)
        if found is None or look.tuning.is_off(name, drive.target):
            drive.holding.pop(name, None)
            continue
        before = drive.holding.get(name)
        if before is None or found.urgency > before:
            told = Told(at=look.now, rule=name, urgency=found.urgency)
            drive.story.told.append(told)
        drive.holding[name] = found.urgency


def _take(drive: _Drive, day: RecordedDay, tuning: Tuning) -> None:
    """Take one day of one drive."""
    known, plan = drive.metrics, drive.plan
    if known and known.keys() != day.metrics.keys():
        plan = drive.plan = plan_for(frozenset(day.metrics) | frozenset(known))
        drive.moved_at = day.at
    elif known and any(known.get(m) != day.metrics.get(m) for m in plan.counters):
        drive.moved_at = day.at
    # Judged until one judgement came after the last movement had left the longest window.
    judged, moved = drive.judged_at, drive.moved_at
    fresh = moved is not None and judged is not None and judged - moved <= LONGEST_WINDOW
    if fresh or judged is None or Metric.WEAR_PERCENT in day.metrics:
        look = _look(drive, day, plan.counters, tuning)
        _run(drive, look, plan.counting)
        drive.factor, drive.row = together(look.chance.parts)[0], None
        drive.judged_at = day.at
    row = rate_at(drive.rates, day.metrics.get(Metric.POWER_ON_HOURS))
    if row is not drive.row:
        drive.row, drive.p = row, chance_within(row[1] * drive.factor, MONTH)
    drive.story.chances.append((day.at, drive.p))
    # While the temperature stands still a heat rule can end or grow, but none can begin.
    holding = any(name in drive.holding for name, _ in plan.heating)
    if plan.heating and (holding or any(known.get(m) != day.metrics.get(m) for m in HEAT)):
        _run(drive, _look(drive, day, HEAT, tuning), plan.heating)
    _remember(drive, day)


def replay(days: Iterable[RecordedDay], tuning: Tuning = UNTUNED) -> Iterator[DriveStory]:
    """Run recorded days through the rules; give one story for each drive, by serial number.

    The days of one drive must come in order of time; drives may be mixed. A day that is not later
    than the last one of its drive is left out and counted.
    """
    drives: dict[tuple[str, str], _Drive] = {}
    for day in days:
        key = (day.serial, day.model)
        drive = drives.get(key)
        if drive is None:
            drive = drives[key] = _begin(day)
        elif day.at <= drive.last_read:
            drive.story.left_out += 1
            continue
        _take(drive, day, tuning)
    for key in sorted(drives):
        yield drives[key].story


def replay_readings(
    readings: Iterable[DriveReading], tuning: Tuning = UNTUNED
) -> Iterator[DriveStory]:
    """Run saved complete readings through the rules; give one story for each drive.

    Here every drive rule is asked about every reading: a report tells far more than a daily row.
    """
    signs: Signs = tuple((r.name, r.sign) for r in CATALOGUE.values() if r.sign is not None)
    drives: dict[DriveId, _Drive] = {}
    for reading in sorted(readings, key=lambda r: r.observed_at):
        day = RecordedDay(
            reading.observed_at,
            reading.identity.serial,
            reading.identity.model,
            reading.identity.capacity_bytes,
            dict(reading.metrics),
        )
        drive = drives.get(reading.identity.drive)
        if drive is None:
            drive = drives[reading.identity.drive] = _begin(day)
        elif day.at <= drive.last_read:
            drive.story.left_out += 1
            continue
        drive.identity = reading.identity
        drive.plan = plan_for(frozenset(day.metrics) | frozenset(drive.metrics))
        past = _look(drive, day, drive.traces, tuning).past
        look = Look(reading=reading, past=past, now=day.at, tuning=tuning, target=drive.target)
        _run(drive, look, signs)
        drive.story.chances.append((day.at, look.chance.p))
        _remember(drive, day)
    for key in sorted(drives):
        yield drives[key].story
