"""What a smartctl report says, before it becomes a reading: shared by the JSON and the text path.

Both paths fill a :class:`Report`; the judgements that must be the same for both are made here:
when an attribute is failing, what an NVMe or SCSI verdict is worth, which device statistics are
which metric, how a self-test ended.

Sources: attribute value at or below its threshold fails (SFF-8035i rev 2); NVMe
health log 02h (NVM Express Base Specification); device statistics, general purpose log
04h (ACS); additional sense codes 5Dxx (SPC).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime

from watcher.facts.drive import (
    Attribute,
    DriveIdentity,
    DriveReading,
    Medium,
    Metric,
    Protocol,
    Recovery,
    SelfTest,
    Verdict,
)
from watcher.facts.identity import DriveId, drive_id
from watcher.readers.attributes import decode_attributes, plausible_celsius
from watcher.readers.drive_target import behind_controller

DATA_UNIT_BYTES = 512_000
"""Bytes. An NVMe data unit: 1,000 blocks of 512 bytes, rounded up (NVM Express)."""

LIMIT_RANGE_CELSIUS = (35, 125)
"""Degrees. A drive's own upper limit outside this is not set (0, -128, 255 are common). Ours."""

VALID_VALUES = range(1, 254)
"""Normalised values that mean something: 0, 254 and 255 are reserved (SFF-8035i)."""

NVME_TEMPERATURE = 0x02
"""A bit of the NVMe critical warning byte: too hot or too cold."""

_MASKED = re.compile(r"[-*Xx#. ]*")
"""A serial number that was blanked out, or never there."""

EXIT_FAILING = 0x08
"""Bit 3 of smartctl's exit status: the drive said that it is failing (smartctl(8))."""

DEVICE_STATISTICS = {
    (1, 0x010): Metric.POWER_ON_HOURS,
    (3, 0x020): Metric.REALLOCATED_SECTORS,
    (3, 0x038): Metric.PENDING_SECTORS,
    (4, 0x008): Metric.REPORTED_UNCORRECTABLE,
    (5, 0x008): Metric.TEMPERATURE_CELSIUS,
    (5, 0x020): Metric.TEMPERATURE_HIGHEST_CELSIUS,
    (5, 0x058): Metric.TEMPERATURE_WARNING_CELSIUS,
    (6, 0x018): Metric.INTERFACE_CRC_ERRORS,
    (7, 0x008): Metric.WEAR_PERCENT,
}
"""Page and offset of general purpose log 04h (ACS). They only fill in what the attributes do
not tell: the two may count differently, and a metric must not jump between a quick and a deep poll.
"Realloc. Candidate Logical Sectors" (3, 0x038) equal attribute 197 in 8,315 of 8,331 open reports
(smartctl_reports); 423 more have no such attribute. "Mechanical Start Failures" (3, 0x030) are not
used: 1,104 of 19,454 disks count some there and none in attribute 10.
"""

DEVICE_STATISTICS_SECTORS = {(1, 0x018): Metric.BYTES_WRITTEN, (1, 0x028): Metric.BYTES_READ}
"""Likewise, in logical sectors."""


SCSI_ERRORS = frozenset(
    {
        Metric.GROWN_DEFECTS,
        Metric.PENDING_SECTORS,
        Metric.READ_ERRORS_UNCORRECTED,
        Metric.WRITE_ERRORS_UNCORRECTED,
        Metric.VERIFY_ERRORS_UNCORRECTED,
    }
)
"""What a SCSI drive tells of its surface, beside its verdict."""


@dataclass(slots=True, kw_only=True)
class Report:
    """All that was found in one report; filled step by step."""

    protocol: Protocol
    model: str = ""
    id_model: str | None = None  # what the block layer calls the model; None: the same
    serial: str = ""
    wwn: str | None = None
    firmware: str | None = None
    family: str | None = None
    in_table: bool = False  # smartctl's drive table knows it
    capacity_bytes: int | None = None
    rotation_rpm: int | None = None  # 0: nothing turns; None: not told
    logical_sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    verdict: Verdict = Verdict.UNKNOWN
    attributes: list[Attribute] = field(default_factory=list)
    metrics: dict[Metric, int] = field(default_factory=dict)
    self_tests: list[SelfTest] = field(default_factory=list)
    self_test_remaining_percent: int | None = None
    recovery: Recovery | None = None
    doubts: list[str] = field(default_factory=list)

    def add(self, metric: Metric, number: int | None) -> None:
        """Take a metric unless it is not known or was told already by a better source."""
        if number is not None:
            self.metrics.setdefault(metric, number)

    def add_limit(self, metric: Metric, degrees: int | None) -> None:
        """Take an upper temperature limit unless it is plainly not set."""
        low, high = LIMIT_RANGE_CELSIUS
        if degrees is not None and low <= degrees <= high:
            self.add(metric, degrees)

    def add_temperature(self, metric: Metric, degrees: int | None) -> None:
        """Take a temperature unless it says that there is no sensor."""
        if degrees is not None:
            self.add(metric, plausible_celsius(degrees))

    def add_statistic(self, page: int, offset: int, number: int) -> None:
        """Take one valid row of the device statistics."""
        metric = DEVICE_STATISTICS.get((page, offset))
        if metric is None:
            sectors = DEVICE_STATISTICS_SECTORS.get((page, offset))
            if sectors is not None and number >= 0:
                self.add(sectors, number * (self.logical_sector_bytes or 512))
        elif page != 5:
            if number >= 0:
                self.add(metric, number)
        elif metric is Metric.TEMPERATURE_WARNING_CELSIUS:
            self.add_limit(metric, number)
        else:
            self.add_temperature(metric, number)

    def doubt_silence(self) -> None:
        """Say of a SCSI drive that tells no error count at all: its verdict stands alone then."""
        if SCSI_ERRORS.isdisjoint(self.metrics):
            self.doubts.append("The drive did not give its error counters.")

    def decode_attributes(self) -> None:
        """Turn the attribute rows into metrics and doubts."""
        found, doubts = decode_attributes(self.attributes, model=self.model, in_table=self.in_table)
        for metric, number in found.items():
            self.add(metric, number)
        self.doubts.extend(doubts)

    def identity(self, node: str, device_type: str) -> DriveIdentity:
        """Give the identity; one without serial and WWN is named after its node and says so."""
        # two namespaces of an NVMe controller are one drive, so its WWN (of a namespace) is no id
        wwn = None if self.protocol is Protocol.NVME else self.wwn
        drive = drive_id(
            wwn=wwn,
            model=self.model if self.id_model is None else self.id_model,
            serial=None if _MASKED.fullmatch(self.serial) else self.serial,
        )
        if drive is None:
            place = node.rsplit("/", 1)[-1]
            behind = f"_{device_type}" if behind_controller(device_type) else ""
            drive = DriveId(f"unidentified_{place}{behind}")
            self.doubts.append(
                "The drive tells no serial number, so it cannot be told from others."
            )
        medium = Medium.UNKNOWN
        if self.rotation_rpm is not None:
            medium = Medium.ROTATING if self.rotation_rpm else Medium.FLASH
        elif self.protocol is Protocol.NVME:
            medium = Medium.FLASH
        return DriveIdentity(
            drive=drive,
            model=self.model,
            serial=self.serial,
            wwn=self.wwn,
            firmware=self.firmware,
            capacity_bytes=self.capacity_bytes or None,
            protocol=self.protocol,
            medium=medium,
            rotation_rpm=self.rotation_rpm or None,
            logical_sector_bytes=self.logical_sector_bytes or None,
            physical_sector_bytes=self.physical_sector_bytes or None,
            family=self.family,
        )

    def reading(
        self,
        *,
        node: str,
        device_type: str,
        observed_at: datetime,
        exit_status: int,
        source: str,
        raw: str,
    ) -> DriveReading:
        """Give the reading."""
        identity = self.identity(node, device_type)
        return DriveReading(
            identity=identity,
            observed_at=observed_at,
            node=node,
            device_type=device_type,
            verdict=self.verdict,
            metrics=tuple(sorted(self.metrics.items())),
            attributes=tuple(self.attributes),
            self_tests=tuple(self.self_tests),
            self_test_remaining_percent=self.self_test_remaining_percent,
            recovery=self.recovery,
            exit_status=exit_status,
            doubts=tuple(dict.fromkeys(self.doubts)),
            source=source,
            raw=raw,
        )


_NOW = frozenset({"now", "NOW", "FAILING_NOW"})
_PAST = frozenset({"past", "Past", "In_the_past"})


def make_attribute(  # noqa: PLR0913  (one argument for each column of the table)
    *,
    number: int,
    name: str,
    value: int | None,
    worst: int | None,
    threshold: int | None,
    raw: int,
    raw_text: str,
    prefail: bool,
    said: str,
) -> Attribute:
    """Make a row; ``said`` is the tool's word in any of its forms ("now", "Past", "-", …).

    A value at or below its threshold fails, whatever the tool says; a threshold of 0 never does.
    """
    failing = said in _NOW
    failed = said in _PAST
    if threshold:
        failing = failing or (value in VALID_VALUES and value is not None and value <= threshold)
        failed = failed or (worst in VALID_VALUES and worst is not None and worst <= threshold)
    return Attribute(
        number=number,
        name=name,
        value=value,
        worst=worst,
        threshold=threshold,
        raw=raw,
        raw_text=raw_text,
        prefail=prefail,
        failing_now=failing,
        failed_before=failed or failing,
    )


def verdict_of(passed: bool | None, exit_status: int) -> Verdict:  # noqa: FBT001
    """Give the worse of the drive's word and bit 3 of the exit status."""
    if passed is False or exit_status & EXIT_FAILING:
        return Verdict.FAILING
    return Verdict.PASSED if passed else Verdict.UNKNOWN


def judge_nvme(report: Report, critical_warning: int, said: Verdict) -> Verdict:
    """Give an NVMe verdict: the drive has none but its warning bits, which smartctl sums up.

    A temperature warning alone says nothing about the medium, and it goes away by itself: the
    verdict is then not known, and the warning stands in the metric.
    """
    if critical_warning == 0:
        if said is Verdict.FAILING:
            report.doubts.append("smartctl says failed, but the drive has set no warning bit.")
        return said
    if critical_warning == NVME_TEMPERATURE:
        report.doubts.append(
            "smartctl says failed because of a temperature warning alone; "
            "that is no verdict on the drive."
        )
        return Verdict.UNKNOWN
    return Verdict.FAILING


_SENSE_NOT_A_VERDICT = {
    (0x5D, 0xFF): "The drive's warning is only a test of the warning itself (5D FF).",
    (0x0B, 0x01): "The drive warns of its temperature; that is no verdict on the drive.",
    (0x0B, 0x02): "The drive warns of its enclosure; that is no verdict on the drive.",
}
"""Additional sense codes that are no failure: 5D FF from SPC, 0B xx from memory of SPC."""


def judge_scsi(report: Report, sense: tuple[int, int] | None, said: Verdict) -> Verdict:
    """Give a SCSI verdict: every 5Dxx is a predicted failure except the test code."""
    if sense is not None and sense in _SENSE_NOT_A_VERDICT:
        report.doubts.append(_SENSE_NOT_A_VERDICT[sense])
        return Verdict.UNKNOWN
    if sense is not None and sense[0] == 0x5D:
        return Verdict.FAILING
    return said


_ENDED = (
    # beginning of the tool's words, passed, found damage
    ("completed without error", True, False),
    ("completed: ", False, True),
    ("completed, segment failed", False, True),
    ("completed, failed", False, True),
    ("failed in", False, True),
    ("completed: failed segments", False, True),
    ("fatal or unknown", False, False),
    ("unknown error", False, False),
    ("fatal error", False, False),
    ("completed [", False, True),
)


def self_test(
    *, kind: str, status: str, power_on_hours: int | None, first_bad_lba: int | None
) -> SelfTest:
    """Make a log entry from smartctl's words; words that are not known say neither good nor bad.

    A test of a vendor's or a reserved kind says nothing either: some drives fill an empty log with
    such entries (open reports: "Vendor (0xc7)", "Reserved (0x2b)" at 65,280 hours).
    """
    low = "" if kind.startswith(("Vendor", "Reserved")) else status.strip().lower()
    passed: bool | None = True if low == "completed" else None
    damage = False
    for start, said, found in _ENDED:
        if low.startswith(start):
            passed, damage = said, found
            break
    return SelfTest(
        kind=kind.strip(),
        passed=passed,
        found_damage=damage,
        power_on_hours=power_on_hours,
        first_bad_lba=first_bad_lba,
    )
