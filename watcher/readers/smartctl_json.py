"""smartctl's JSON as a report: ATA, NVMe and SCSI, of versions 7.0 to 7.5.

Described in smartctl(8), option ``-j``, and by the program's own output (captures of 7.3). What is
absent is not known; what is there in an unexpected form raises ``CannotParse``: nothing is guessed.

Traps:

* ``temperature.current`` is 0 for SCSI devices without a sensor, and 255 means the same.
* A limit of 0 is no limit. ``user_capacity`` is missing for an NVMe controller without namespace.
* SCSI keys moved: ``scsi_percentage_used_endurance_indicator`` became ``endurance_used``,
  ``scsi_temperature.drive_trip`` became ``temperature.drive_trip``. Non-medium errors, and the
  temperature limits of NVMe before 7.4, are in the text only (see smartctl_text.py); and what the
  drive's own scans found is taken from there.
* ``ata_pending_defects_log`` counts sectors (``count``, from memory of smartctl's sources): as
  attribute 197 in 13,544 of 13,546 open reports that show both.
* ``ata_sct_erc`` (how long the drive tries a bad sector) is there for a drive that can be told so,
  with ``deciseconds`` where it was; of one that cannot only the text says it.
* The verdict of an ATA drive whose SMART RETURN STATUS cannot be read (USB bridges, some RAID
  controllers) is smartctl's own reading of the attribute table; the text says so, the JSON not.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from watcher.facts.drive import WARNING_OFF, Metric, Protocol, Recovery, Verdict
from watcher.readers.drive_report import (
    DATA_UNIT_BYTES,
    Report,
    judge_nvme,
    judge_scsi,
    make_attribute,
    self_test,
    verdict_of,
)
from watcher.readers.errors import CannotParse

SOURCE = "smartctl"

Section = Mapping[str, Any]

_PROTOCOLS = {"ATA": Protocol.ATA, "NVMe": Protocol.NVME, "SCSI": Protocol.SCSI}
_EMPTY: dict[str, Any] = {}
_ATA_DAMAGE = range(4, 9)
"""ATA self-test results 4 to 8: a part failed (element, electrical, servo, read, handling)."""
_ATA_RUNNING = 15
_ATTRIBUTES = range(1, 256)
_SCSI_DAMAGE = range(4, 8)
"""SCSI self-test results 4 to 7: a segment failed (SPC, self-test results log)."""
_GIGABYTES = re.compile(r"([0-9]{1,12})(?:[.,]([0-9]{1,9}))?")
_BYTE = 0xFF
_NVME_DAMAGE = (6, 7)
"""NVMe self-test results: a segment failed."""


def section(document: Section, name: str) -> Section:
    """Give a part that is an object; an empty one when it is absent."""
    part = document.get(name)
    if part is None:
        return _EMPTY
    if not isinstance(part, dict):
        raise CannotParse(SOURCE, f"{name} is not an object", line=repr(part))
    return part


def rows(document: Section, name: str) -> list[Section]:
    """Give a part that is a list of objects; an empty one when it is absent."""
    part = document.get(name)
    if part is None:
        return []
    if not isinstance(part, list) or not all(isinstance(row, dict) for row in part):
        raise CannotParse(SOURCE, f"{name} is not a list of objects", line=repr(part))
    return part


def whole(document: Section, name: str, *, negative: bool = False) -> int | None:
    """Give a whole number, or None when it is absent."""
    number = document.get(name)
    if type(number) is int and (number >= 0 or negative):  # true and false are no numbers
        return number
    if number is None:
        return None
    raise CannotParse(SOURCE, f"{name} is not a count", line=repr(number))


def word(document: Section, name: str) -> str | None:
    """Give a text, or None when it is absent."""
    text = document.get(name)
    if text is None:
        return None
    if not isinstance(text, str):
        raise CannotParse(SOURCE, f"{name} is not a text", line=repr(text))
    return text.strip()


def flag(document: Section, name: str) -> bool | None:
    """Give a yes or no, or None when it is absent."""
    truth = document.get(name)
    if truth is None or isinstance(truth, bool):
        return truth
    raise CannotParse(SOURCE, f"{name} is neither yes nor no", line=repr(truth))


def needed(number: int | None, name: str) -> int:
    """Give a number that must be there."""
    if number is None:
        raise CannotParse(SOURCE, f"{name} is missing")
    return number


def protocol_of(document: Section) -> Protocol:
    """Give the command set; raises for one that is not known."""
    name = word(section(document, "device"), "protocol")
    protocol = _PROTOCOLS.get(name or "")
    if protocol is None:
        raise CannotParse(SOURCE, f"the protocol {name!r} is not known")
    return protocol


def report_of(document: Section, exit_status: int) -> Report:
    """Read a whole document of a drive that answered; raises ``CannotParse``."""
    report = Report(protocol=protocol_of(document))
    _identify(report, document)
    said = verdict_of(flag(section(document, "smart_status"), "passed"), exit_status)
    match report.protocol:
        case Protocol.ATA:
            report.verdict = said
            _read_ata(report, document)
        case Protocol.NVME:
            _read_nvme(report, document, said)
        case _:
            _read_scsi(report, document, said)
    _read_common(report, document)
    return report


def _identify(report: Report, document: Section) -> None:
    """Read who the drive is."""
    report.model = word(document, "model_name") or word(document, "scsi_model_name") or ""
    if report.protocol is Protocol.SCSI:
        report.id_model = word(document, "scsi_product")
    report.serial = word(document, "serial_number") or ""
    report.firmware = word(document, "firmware_version") or word(document, "scsi_revision")
    report.family = word(document, "model_family")
    report.in_table = bool(flag(document, "in_smartctl_database"))
    report.capacity_bytes = whole(section(document, "user_capacity"), "bytes") or whole(
        document, "nvme_total_capacity"
    )
    report.rotation_rpm = whole(document, "rotation_rate")
    report.logical_sector_bytes = whole(document, "logical_block_size")
    report.physical_sector_bytes = whole(document, "physical_block_size")
    name = section(document, "wwn")
    if name:
        parts = [needed(whole(name, key), f"wwn.{key}") for key in ("naa", "oui", "id")]
        report.wwn = "0x{:x}{:06x}{:09x}".format(*parts)
    else:
        report.wwn = word(document, "logical_unit_id")


def _read_common(report: Report, document: Section) -> None:
    """Read what every kind of drive may tell, after the kind's own better sources."""
    degrees = section(document, "temperature")
    trip = whole(degrees, "drive_trip", negative=True)
    current = whole(degrees, "current", negative=True)
    report.add_temperature(Metric.TEMPERATURE_CELSIUS, current)
    report.add_temperature(
        Metric.TEMPERATURE_HIGHEST_CELSIUS, whole(degrees, "lifetime_max", negative=True)
    )
    limits = section(document, "nvme_composite_temperature_threshold")
    for metric, parts in (
        (
            Metric.TEMPERATURE_WARNING_CELSIUS,
            (whole(limits, "warning"), whole(degrees, "op_limit_max", negative=True)),
        ),
        (
            Metric.TEMPERATURE_CRITICAL_CELSIUS,
            (
                whole(limits, "critical"),
                whole(degrees, "critical_limit_max", negative=True),
                whole(degrees, "limit_max", negative=True),
                trip,
                whole(section(document, "scsi_temperature"), "drive_trip", negative=True),
            ),
        ),
    ):
        for degree in parts:
            report.add_limit(metric, degree)
    report.add(Metric.POWER_ON_HOURS, whole(section(document, "power_on_time"), "hours"))
    report.add(Metric.POWER_CYCLES, whole(document, "power_cycle_count"))
    worn = whole(section(document, "endurance_used"), "current_percent")
    report.add(Metric.WEAR_PERCENT, worn)
    spare = section(document, "spare_available")
    report.add(Metric.SPARE_PERCENT, whole(spare, "current_percent"))
    report.add(Metric.SPARE_THRESHOLD_PERCENT, whole(spare, "threshold_percent"))


def _read_ata(report: Report, document: Section) -> None:
    """Read what is particular to ATA."""
    table = section(document, "ata_smart_attributes")
    for row in rows(table, "table"):
        raw, name = section(row, "raw"), word(row, "name")
        number = needed(whole(row, "id"), "attribute id")
        if not name or number not in _ATTRIBUTES:
            raise CannotParse(SOURCE, "a row is no attribute", line=repr(row))
        report.attributes.append(
            make_attribute(
                number=number,
                name=name,
                value=whole(row, "value"),
                worst=whole(row, "worst"),
                threshold=whole(row, "thresh"),
                raw=needed(whole(raw, "value"), "raw value"),
                raw_text=word(raw, "string") or "",
                prefail=bool(flag(section(row, "flags"), "prefailure")),
                said=word(row, "when_failed") or "",
            )
        )
    if not report.attributes:
        report.doubts.append("The drive did not give its attribute table.")
    report.decode_attributes()
    for page in rows(section(document, "ata_device_statistics"), "pages"):
        number = needed(whole(page, "number"), "statistics page")
        for row in rows(page, "table"):
            flags = section(row, "flags")
            value = whole(row, "value", negative=True)
            if value is not None and flag(flags, "valid"):
                report.add_statistic(number, needed(whole(row, "offset"), "offset"), value)
    report.add(Metric.PENDING_SECTORS, whole(section(document, "ata_pending_defects_log"), "count"))
    report.recovery = _recovery(section(document, "ata_sct_erc"))
    log = section(document, "ata_smart_error_log")
    for kind in ("extended", "summary"):
        report.add(Metric.ERROR_LOG_ENTRIES, whole(section(log, kind), "count"))
    _read_ata_tests(report, document)


def _recovery(told: Section) -> Recovery | None:
    """Read how long the drive tries a bad sector; None when that is not told, or not for both."""
    limits: list[int] = []
    for part in (section(told, "read"), section(told, "write")):
        is_set, tenths = flag(part, "enabled"), whole(part, "deciseconds")
        if is_set is None or (is_set and not tenths):
            return None
        limits.append((tenths or 0) * 100 if is_set else 0)
    return Recovery(limit_milliseconds=max(limits) if all(limits) else None)


def _read_ata_tests(report: Report, document: Section) -> None:
    """Read the ATA self-test log and the test that runs."""
    logs = section(document, "ata_smart_self_test_log")
    log = section(logs, "extended") or section(logs, "standard")
    for row in rows(log, "table"):
        status = section(row, "status")
        entry = self_test(
            kind=word(section(row, "type"), "string") or "",
            status=word(status, "string") or "",
            power_on_hours=whole(row, "lifetime_hours"),
            first_bad_lba=whole(row, "lba"),
        )
        result = needed(whole(status, "value"), "self-test status") >> 4
        known = not entry.kind.startswith(("Vendor", "Reserved"))
        if known and (result in _ATA_DAMAGE, result == 0) != (
            entry.found_damage,
            bool(entry.passed),
        ):
            raise CannotParse(SOURCE, "self-test status and its words differ", line=repr(status))
        report.self_tests.append(entry)
    status = section(section(section(document, "ata_smart_data"), "self_test"), "status")
    value = whole(status, "value")
    if value is not None and value >> 4 == _ATA_RUNNING:
        report.self_test_remaining_percent = whole(status, "remaining_percent") or 0


_NVME_METRICS = {
    "critical_warning": Metric.CRITICAL_WARNING,
    "available_spare": Metric.SPARE_PERCENT,
    "available_spare_threshold": Metric.SPARE_THRESHOLD_PERCENT,
    "percentage_used": Metric.WEAR_PERCENT,
    "power_cycles": Metric.POWER_CYCLES,
    "power_on_hours": Metric.POWER_ON_HOURS,
    "unsafe_shutdowns": Metric.UNSAFE_SHUTDOWNS,
    "media_errors": Metric.MEDIA_ERRORS,
    "num_err_log_entries": Metric.ERROR_LOG_ENTRIES,
}


def _read_nvme(report: Report, document: Section, said: Verdict) -> None:
    """Read what is particular to NVMe."""
    log = section(document, "nvme_smart_health_information_log")
    if not log:
        report.verdict = Verdict.FAILING if said is Verdict.FAILING else Verdict.UNKNOWN
        report.doubts.append("The drive did not give its health log.")
        return
    for name, metric in _NVME_METRICS.items():
        report.add(metric, needed(whole(log, name), name))
    if report.metrics[Metric.CRITICAL_WARNING] > _BYTE:
        raise CannotParse(SOURCE, "the critical warning is no byte")
    report.add_temperature(Metric.TEMPERATURE_CELSIUS, whole(log, "temperature", negative=True))
    for name, metric in (
        ("data_units_read", Metric.BYTES_READ),
        ("data_units_written", Metric.BYTES_WRITTEN),
    ):
        units = whole(log, name)
        report.add(metric, units * DATA_UNIT_BYTES if units else None)  # 0: not reported
    report.verdict = judge_nvme(report, report.metrics[Metric.CRITICAL_WARNING], said)
    tests = section(document, "nvme_self_test_log")
    for row in rows(tests, "table"):
        result = section(row, "self_test_result")
        entry = self_test(
            kind=word(section(row, "self_test_code"), "string") or "",
            status=word(result, "string") or "",
            power_on_hours=whole(row, "power_on_hours"),
            first_bad_lba=whole(row, "lba"),
        )
        code = needed(whole(result, "value"), "self-test result")
        if (code in _NVME_DAMAGE) != entry.found_damage or (code == 0) != bool(entry.passed):
            raise CannotParse(SOURCE, "self-test result and its words differ", line=repr(result))
        report.self_tests.append(entry)
    if whole(section(tests, "current_self_test_operation"), "value"):
        done = whole(tests, "current_self_test_completion_percent") or 0
        report.self_test_remaining_percent = max(0, 100 - done)


def _read_scsi(report: Report, document: Section, said: Verdict) -> None:
    """Read what is particular to SCSI and SAS."""
    status = section(section(document, "smart_status"), "scsi")
    asc, ascq = whole(status, "asc"), whole(status, "ascq")
    sense = None if asc is None or ascq is None else (asc, ascq)
    report.verdict = judge_scsi(report, sense, said)
    if flag(section(document, "smart_support"), "enabled") is False:
        report.doubts.append(WARNING_OFF)
        if report.verdict is Verdict.PASSED:
            report.verdict = Verdict.UNKNOWN
    sensor = section(section(document, "scsi_environmental_reports"), "temperature_1")
    report.add_temperature(Metric.TEMPERATURE_CELSIUS, whole(sensor, "current", negative=True))
    report.add(Metric.GROWN_DEFECTS, whole(document, "scsi_grown_defect_list"))
    counters = section(document, "scsi_error_counter_log")
    for name, metric in (
        ("read", Metric.READ_ERRORS_UNCORRECTED),
        ("write", Metric.WRITE_ERRORS_UNCORRECTED),
        ("verify", Metric.VERIFY_ERRORS_UNCORRECTED),
    ):
        report.add(metric, whole(section(counters, name), "total_uncorrected_errors"))
    for name, metric in (("read", Metric.BYTES_READ), ("write", Metric.BYTES_WRITTEN)):
        gigabytes = word(section(counters, name), "gigabytes_processed")
        report.add(metric, None if gigabytes is None else gigabytes_of(gigabytes))
    pending = section(document, "scsi_pending_defects")
    report.add(Metric.PENDING_SECTORS, whole(pending, "count"))
    report.doubt_silence()
    report.add(Metric.WEAR_PERCENT, whole(document, "scsi_percentage_used_endurance_indicator"))
    cycles = section(document, "scsi_start_stop_cycle_counter")
    report.add(Metric.POWER_CYCLES, whole(cycles, "accumulated_start_stop_cycles"))
    report.add(Metric.LOAD_CYCLES, whole(cycles, "accumulated_load_unload_cycles"))
    number = 0
    while test := section(document, f"scsi_self_test_{number}"):
        result = section(test, "result")
        entry = self_test(
            kind=word(section(test, "code"), "string") or "",
            status=word(result, "string") or "",
            power_on_hours=whole(section(test, "power_on_time"), "hours"),
            first_bad_lba=whole(section(test, "lba_first_failure"), "value"),
        )
        code = needed(whole(result, "value"), "self-test result")
        if (code in _SCSI_DAMAGE, code == 0) != (entry.found_damage, bool(entry.passed)):
            raise CannotParse(SOURCE, "self-test result and its words differ", line=repr(result))
        report.self_tests.append(entry)
        number += 1


def gigabytes_of(text: str) -> int | None:
    """Read an amount such as ``10311.154`` (10^9 bytes), with a point or a comma; None if odd."""
    match = _GIGABYTES.fullmatch(text)
    if match is None:
        return None
    return int(match[1]) * 10**9 + int((match[2] or "0").ljust(9, "0"))
