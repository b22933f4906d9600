"""What drives tell on their slow pages only, kept between the looks that ask for those.

Some counters stand on pages that cost seconds and are asked for once a day (``SLOW_PAGES`` of
smartctl.py): for many disks the reads that failed for good, the sectors in doubt, the wear and the
drive's own temperature limit. A quick look does not tell them, and that they were not told must not
pass for that they are gone: a finding about them would end ten minutes after it began. So what was
told last is kept with the drive until the pages are asked for again.

Kept is only what stands for long (:data:`KEPT`), never a temperature or an amount of traffic. It
is also kept where a drive did not give its attribute table this time: an answer with a part missing
is no better than the whole one.

A drive that was asleep when the pages were asked for is asked for them at the next look at which it
is awake.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from watcher.facts.drive import DriveReading, DriveUnread, Metric, Protocol, Unread
from watcher.facts.identity import DriveId
from watcher.readers.drive_target import DriveTarget, lane_of

KEPT = frozenset(
    {
        Metric.REALLOCATED_SECTORS,
        Metric.PENDING_SECTORS,
        Metric.REPORTED_UNCORRECTABLE,
        Metric.INTERFACE_CRC_ERRORS,
        Metric.WEAR_PERCENT,
        Metric.TEMPERATURE_WARNING_CELSIUS,
        Metric.TEMPERATURE_CRITICAL_CELSIUS,
    }
)
"""What a slow page may be the only one to tell, and what a rule looks at."""


class SlowPages:
    """Remembers of each drive what it told last, and who is still to be asked."""

    def __init__(self) -> None:
        """Begin with nothing told."""
        self._told: dict[DriveId, dict[Metric, int]] = {}
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
        told = {metric: value for metric, value in reading.metrics if metric in KEPT}
        lane = lane_of(reading.node, reading.device_type)
        in_part = reading.identity.protocol is Protocol.ATA and not reading.attributes
        if not {lane, reading.node}.isdisjoint(self._asked) and not in_part:
            self._told[drive] = told
            return reading
        kept = self._told[drive] = {**self._told.get(drive, {}), **told}
        if kept == told:
            return reading
        return replace(reading, metrics=tuple(sorted({**dict(reading.metrics), **kept}.items())))
