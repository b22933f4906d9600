"""What is known here of a drive that lies on the bench: where it was watched, and what it told.

Whose boxes a drive sat in before is nobody's business but theirs: what may be said of it is for the
statement (statement.py) to choose.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from watcher.facts.drive import DriveReading, Metric, Trace
from watcher.facts.identity import BoxId, DriveId, about_drive
from watcher.facts.kernel_event import KernelEvent
from watcher.store.history import KnownDrive
from watcher.store.transaction import Transaction

BACK: Final = timedelta(days=5 * 366)
"""How far back the past is read: as long as counters are kept by day at least."""

MOST_EVENTS: Final = 2000
"""Of all years; our choice: they are only counted by kind."""

WORTH_TELLING: Final = (
    Metric.REALLOCATED_SECTORS,
    Metric.PENDING_SECTORS,
    Metric.OFFLINE_UNCORRECTABLE,
    Metric.REPORTED_UNCORRECTABLE,
    Metric.GROWN_DEFECTS,
    Metric.MEDIA_ERRORS,
    Metric.READ_ERRORS_UNCORRECTED,
    Metric.WRITE_ERRORS_UNCORRECTED,
    Metric.VERIFY_ERRORS_UNCORRECTED,
    Metric.COMMAND_TIMEOUTS,
    Metric.SPIN_RETRIES,
    Metric.INTERFACE_CRC_ERRORS,
    Metric.WEAR_PERCENT,
    Metric.SPARE_PERCENT,
    Metric.CRITICAL_WARNING,
    Metric.UNSAFE_SHUTDOWNS,
)
"""Counters a buyer or an owner should see, whatever they stand at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """Where a drive was watched."""

    box: BoxId
    client: str  # whose box; "": nobody's in particular
    known: KnownDrive


@dataclass(frozen=True, slots=True, kw_only=True)
class PastHere:
    """All that is known here of a drive's past."""

    stays: tuple[Stay, ...]  # the earliest first
    traces: tuple[Trace, ...]
    days_read: int  # days on which it was read at least once
    events: tuple[KernelEvent, ...]  # what kernels said about it
    last: DriveReading | None  # its reading in the last survey of its box

    @property
    def first_seen(self) -> datetime:
        """When it was seen here first."""
        return min(stay.known.first_seen for stay in self.stays)

    @property
    def last_read(self) -> datetime | None:
        """When it was read here last."""
        times = [s.known.last_read for s in self.stays if s.known.last_read is not None]
        return max(times, default=None)


def past_of(tx: Transaction, drive: DriveId, now: datetime) -> PastHere | None:
    """Give what is known here of a drive, in whatever box it sat; None when nothing is."""
    found = tx.drive_anywhere(drive)
    if not found:
        return None
    stays = []
    traces: dict[Metric, list[tuple[datetime, int]]] = {}
    events: list[KernelEvent] = []
    days: set[datetime] = set()
    last: DriveReading | None = None
    for known in found:
        own = known.identity.drive
        box = tx.enrolled(known.box)
        stays.append(Stay(box=known.box, client=box.client if box else "", known=known))
        for metric in (*WORTH_TELLING, Metric.POWER_ON_HOURS):
            points = tx.series(own, metric, now - BACK, now)
            traces.setdefault(metric, []).extend((p.at, p.last) for p in points)
        events += tx.events_of([about_drive(own)], now - BACK, box=None, limit=MOST_EVENTS)
        days |= {day.day for day in tx.poll_days(own, now - BACK, now) if day.read}
        survey = tx.last_survey(known.box)
        reading = survey.reading(own) if survey is not None else None
        if reading is not None and (last is None or reading.observed_at > last.observed_at):
            last = _named(reading, drive)
    return PastHere(
        stays=tuple(sorted(stays, key=lambda stay: stay.known.first_seen)),
        traces=tuple(
            Trace(metric=metric, points=tuple(sorted(dict(points).items())))
            for metric, points in traces.items()
            if points
        ),
        days_read=len(days),
        events=tuple(sorted(events, key=lambda event: event.at)),
        last=last,
    )


def _named(reading: DriveReading, drive: DriveId) -> DriveReading:
    return replace(reading, identity=replace(reading.identity, drive=drive))
