"""What drives tell on their slow pages only, kept between the looks that ask for those.

Some counters stand on pages that cost seconds and are asked for once a day (``SLOW_PAGES`` of
smartctl.py): for many disks the reads that failed for good, the sectors in doubt, the wear and the
drive's own temperature limit. A quick look does not tell them, and that they were not told must not
pass for that they are gone: a finding about them would end ten minutes after it began. So what was
told last is kept with the drive until the pages are asked for again.

Kept is only what stands for long (:data:`KEPT`, the log of self-tests, how long the drive tries a
bad sector), never a temperature or an amount of traffic. It is also kept where a part of an answer
is lacking: an answer with a part missing is no better than the whole one. So a look that asked for
all of it, but whose drive failed a command or gave no attribute table, ends nothing either.

A drive that was asleep when the pages were asked for is asked for them at the next look at which it
is awake.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from watcher.facts.drive import (
    DriveReading,
    DriveUnread,
    Metric,
    Protocol,
    Recovery,
    SelfTest,
    Unread,
)
from watcher.facts.identity import DriveId
from watcher.readers.drive_target import DriveTarget, lane_of

KEPT = frozenset(
    {
        Metric.REALLOCATED_SECTORS,
        Metric.REALLOCATION_EVENTS,
        Metric.PENDING_SECTORS,
        Metric.OFFLINE_UNCORRECTABLE,
        Metric.REPORTED_UNCORRECTABLE,
        Metric.COMMAND_TIMEOUTS,
        Metric.SPIN_RETRIES,
        Metric.INTERFACE_CRC_ERRORS,
        Metric.HELIUM_PERCENT,
        Metric.WEAR_PERCENT,
        Metric.SPARE_PERCENT,
        Metric.SPARE_THRESHOLD_PERCENT,
        Metric.MEDIA_ERRORS,
        Metric.GROWN_DEFECTS,
        Metric.READ_ERRORS_UNCORRECTED,
        Metric.WRITE_ERRORS_UNCORRECTED,
        Metric.VERIFY_ERRORS_UNCORRECTED,
        Metric.NON_MEDIUM_ERRORS,
        Metric.TEMPERATURE_WARNING_CELSIUS,
        Metric.TEMPERATURE_CRITICAL_CELSIUS,
    }
)
"""What a rule looks at and what does not go away by itself within a day."""

COMMAND_FAILED = 0x04
"""Bit 2 of smartctl's exit status: some command to the drive failed (smartctl(8))."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What one drive told last."""

    metrics: Mapping[Metric, int]
    self_tests: tuple[SelfTest, ...]
    recovery: Recovery | None


_NOTHING = _Told(metrics={}, self_tests=(), recovery=None)


class SlowPages:
    """Remembers of each drive what it told last, and who is still to be asked."""

    def __init__(self) -> None:
        """Begin with nothing told."""
        self._told: dict[DriveId, _Told] = {}
        self._owed: frozenset[str] = frozenset()  # lanes of drives that slept
        self._asked: frozenset[str] = frozenset()  # lanes, at the look under way

    def to_ask(self, targets: Iterable[DriveTarget], *, deep: bool) -> frozenset[str]:
        """Name the lanes of the drives that are asked for their slow pages at this look."""
        self._asked = frozenset(t.lane for t in targets if deep or t.lane in self._owed)
        return self._asked

    def complete(
        self, readings: Iterable[DriveReading], unread: Iterable[DriveUnread]
    ) -> tuple[DriveReading, ...]:
        """Give the readings, with what their drives told on slow pages before added."""
        asleep = {lane_of(u.node, u.device_type) for u in unread if u.why is Unread.ASLEEP}
        self._owed = (self._owed | self._asked) & asleep
        return tuple(self._completed(reading) for reading in readings)

    def _completed(self, reading: DriveReading) -> DriveReading:
        drive = reading.identity.drive
        now = {metric: value for metric, value in reading.metrics if metric in KEPT}
        lane = lane_of(reading.node, reading.device_type)
        is_whole = not reading.exit_status & COMMAND_FAILED and (
            reading.attributes or reading.identity.protocol is not Protocol.ATA
        )
        if is_whole and not {lane, reading.node}.isdisjoint(self._asked):
            self._told[drive] = _Told(
                metrics=now, self_tests=reading.self_tests, recovery=reading.recovery
            )
            return reading
        before = self._told.get(drive, _NOTHING)
        kept = self._told[drive] = _Told(
            metrics={**before.metrics, **now},
            self_tests=reading.self_tests or before.self_tests,
            recovery=reading.recovery or before.recovery,
        )
        if kept == _Told(metrics=now, self_tests=reading.self_tests, recovery=reading.recovery):
            return reading
        metrics = tuple(sorted({**dict(reading.metrics), **kept.metrics}.items()))
        return replace(reading, metrics=metrics, self_tests=kept.self_tests, recovery=kept.recovery)
