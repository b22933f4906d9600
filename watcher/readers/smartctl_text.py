"""A saved smartctl report (plain text of ``-a`` or ``-x``) as a drive reading.

For ``look --from``, ``replay``, and as the second opinion on a live answer, whose JSON embeds the
same text. Versions 6.6 to 7.5; attribute tables in the old, the brief and the hex form; ATA, NVMe
and SCSI/SAS. Described by the program's own output (captures of 7.3) and checked on the open
reports (linuxhw/EnterpriseDrive).

Strict, because a cut report must never look better than the whole one:

* a line without an end at the end of the text is not read;
* an attribute table must end with its legend or an empty line, a health log with its last counter;
* a report without a verdict is refused unless it says itself why there is none.

Ignored: everything about features, power states, temperature history, phy counters and single
error log entries. Numbers may be grouped by the writer's language (1,234 · 1.234 · 1 234).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

from watcher.facts.drive import DriveReading, DriveUnread, Metric, Protocol, Unread, Verdict
from watcher.readers.attributes import raw_from_text
from watcher.readers.drive_report import (
    DATA_UNIT_BYTES,
    EXIT_FAILING,
    Report,
    judge_nvme,
    judge_scsi,
    make_attribute,
    self_test,
)
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_json import gigabytes_of

SOURCE = "smartctl-text"

_BANNER = re.compile(r"smartctl (\d+\.\d+\S*) .*\[.*\]")
_FIELD = re.compile(r"([A-Z][^:]{1,60}?)\s*:\s*(.*?)\s*")
_GROUPED = re.compile(r"\d{1,3}(?:[,.'’ \u00a0\u202f\ufffd]\d{3}){1,8}|\d{1,24}")
_SIZE = re.compile(rf"({_GROUPED.pattern})(?: bytes)?(?: \[.*\])?")
_SECTORS = re.compile(r"(\d{1,7}) bytes logical(?:/physical|, (\d{1,7}) bytes physical)")
_OLD_FLAG = re.compile(r"0x[0-9a-f]{4}")
_BRIEF_FLAG = re.compile(r"[P-][O-][S-][R-][C-][K-]\S*")
_STATISTIC = re.compile(r"0x([0-9a-f]{2})\s+0x([0-9a-f]{3})\s+\d\s+(-?\d{1,24})\s+(\S{3})\s+\S.*")
_ATA_TEST = re.compile(
    r"#\s?\d+\s+(\S.{0,17}?)\s{2,}(\S.*?)\s+(\d{1,3})%\s+(\d{1,10})\s+(-|\d{1,20})\s*"
)
_SCSI_TEST = re.compile(
    r"#\s?\d+\s+(\S.{0,17}?)\s{2,}(\S.*?)\s{2,}(-|\d+)\s+(NOW|-|\d{1,10})\s+"
    r"(-|\d{1,20}|0x[0-9a-f]{1,16}) \[.*\]"
)
_NVME_TEST = re.compile(
    r"\s*\d{1,2}\s+(\S.{0,17}?)\s{2,}(\S.*?)\s{2,}(-|\d{1,10})\s+(-|\d{1,20})(?:\s+\S+){3,4}\s*"
)
_SENSE = re.compile(r"\[asc=([0-9a-f]{1,2}), ?ascq=([0-9a-f]{1,2})\]")
_RUNNING = re.compile(r"\s*(\d{1,3})% of test remaining\.")
_DEFECTS = re.compile(r"\s*Pending defect count:\s*(\d{1,12})(?: .*)?")
_ERROR_ROW = re.compile(r"(read|write|verify):(?:\s+\d+){5}\s+([\d.,]+)\s+(\d{1,20})\s*")

_NO_TABLE = (
    "SMART Attributes not supported",
    "Read SMART Data failed",
    "SMART Disabled. Use option -s",
    "Device does not support SMART",
)


def number_of(text: str, name: str) -> int:
    """Read a count that may be grouped in thousands; raises ``CannotParse``."""
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise CannotParse(SOURCE, f"{name} is not a number", line=text)
    return int(re.sub(r"\D", "", match[1]))


class _Lines:
    """The lines of a report, with the fields of the ``Name: value`` kind found once."""

    def __init__(self, text: str) -> None:
        """Split; a last line without an end is dropped."""
        lines = text.replace("\r\n", "\n").split("\n")
        self.lines = lines[:-1]
        self.fields: dict[str, str] = {}
        for line in self.lines:
            if ":" in line and (match := _FIELD.fullmatch(line)):
                self.fields.setdefault(match[1], match[2])

    def get(self, *names: str) -> str | None:
        """Give the first of some fields that is there."""
        for name in names:
            found = self.fields.get(name)
            if found:
                return found
        return None

    def number(self, name: str) -> int | None:
        """Give a field as a count, or None when it is absent."""
        text = self.fields.get(name)
        return None if text is None or text in {"", "-"} else number_of(text, name)

    def has(self, *starts: str) -> bool:
        """Tell whether a line begins with one of some texts."""
        return any(line.startswith(starts) for line in self.lines)


def parse_text(
    text: str, *, node: str, observed_at: datetime, device_type: str = ""
) -> DriveReading | DriveUnread:
    """Read one saved report; raises ``CannotParse`` for anything that is not a whole one.

    Gives ``DriveUnread`` for a report that says itself that the drive could not be read.
    """
    lines = _Lines(text)
    version = next((m[1] for line in lines.lines[:20] if (m := _BANNER.match(line))), None)
    if version is None:
        raise CannotParse(SOURCE, "this is no smartctl report", line=text[:80])
    if unread := _refusal(lines, node=node, observed_at=observed_at, device_type=device_type):
        return unread
    report = report_of_lines(lines)
    return report.reading(
        node=node,
        device_type=device_type,
        observed_at=observed_at,
        exit_status=EXIT_FAILING if report.verdict is Verdict.FAILING else 0,
        source=f"smartctl {version} (saved text)",
        raw=text,
    )


def report_of_text(text: str) -> Report:
    """Read the text of a drive that answered into a report; raises ``CannotParse``."""
    return report_of_lines(_Lines(text))


def _protocol(lines: _Lines) -> Protocol:
    """Tell the command set by the fields that only it has."""
    if lines.get("ATA Version is", "Device Model"):
        return Protocol.ATA
    if lines.get("NVMe Version", "Model Number"):
        return Protocol.NVME
    if lines.get("Product", "Vendor", "Device type"):
        return Protocol.SCSI
    raise CannotParse(SOURCE, "it does not tell what kind of drive this is")


_REFUSALS = (
    ("Device is in STANDBY mode", Unread.ASLEEP, "it slept when the report was made"),
    ("Device is in SLEEP mode", Unread.ASLEEP, "it slept when the report was made"),
    ("SMART support is: Unavailable", Unread.NO_SMART, "it has no SMART"),
    ("SMART support is:     Unavailable", Unread.NO_SMART, "it has no SMART"),
    ("Device does not support SMART", Unread.NO_SMART, "it has no SMART"),
    ("SMART Disabled. Use option -s", Unread.NO_SMART, "its SMART is switched off"),
    ("Permission denied", Unread.FORBIDDEN, "smartctl was not allowed to ask it"),
)


def _refusal(
    lines: _Lines, *, node: str, observed_at: datetime, device_type: str
) -> DriveUnread | None:
    """Find out whether the report itself says that the drive was not read."""
    has_verdict = lines.has("SMART overall-health", "SMART Health Status")
    for line in lines.lines:
        for start, why, words in _REFUSALS:
            if start in line and not has_verdict:
                return _unread(lines, why, words, node, observed_at, device_type)
        if line.startswith("Smartctl open device:") and " failed: " in line:
            why = Unread.FORBIDDEN if "Permission" in line else Unread.VANISHED
            return _unread(lines, why, "smartctl could not open it", node, observed_at, device_type)
    return None


def _unread(
    lines: _Lines, why: Unread, words: str, node: str, observed_at: datetime, device_type: str
) -> DriveUnread:
    """Make the answer for a report without data."""
    size = lines.get("User Capacity")
    return DriveUnread(
        node=node,
        why=why,
        detail=f"The report of {node} holds no health data: {words}.",
        observed_at=observed_at,
        device_type=device_type,
        model=lines.get("Device Model", "Model Number", "Product"),
        serial=lines.get("Serial Number", "Serial number"),
        capacity_bytes=number_of(size, "User Capacity") if size else None,
    )


def report_of_lines(lines: _Lines) -> Report:
    """Fill a report from split lines; raises ``CannotParse``."""
    report = Report(protocol=_protocol(lines))
    _identify(report, lines)
    match report.protocol:
        case Protocol.ATA:
            _read_ata(report, lines)
        case Protocol.NVME:
            _read_nvme(report, lines)
        case _:
            _read_scsi(report, lines)
    return report


def _identify(report: Report, lines: _Lines) -> None:
    """Read who the drive is."""
    vendor, product = lines.get("Vendor"), lines.get("Product")
    report.model = lines.get("Device Model", "Model Number") or " ".join(
        part for part in (vendor, product) if part
    )
    if report.protocol is Protocol.SCSI:
        report.id_model = product
    report.serial = lines.get("Serial Number", "Serial number") or ""
    report.firmware = lines.get("Firmware Version", "Revision")
    report.family = lines.get("Model Family")
    report.wwn = lines.get("LU WWN Device Id", "Logical Unit id")
    report.in_table = (lines.get("Device is") or "").startswith("In smartctl database")
    size = lines.get("User Capacity", "Namespace 1 Size/Capacity", "Total NVM Capacity")
    report.capacity_bytes = number_of(size, "capacity") if size else None
    turns = lines.get("Rotation Rate") or ""
    if match := re.fullmatch(r"(\d{1,6}) rpm", turns):
        report.rotation_rpm = int(match[1])
    elif turns.startswith("Solid State"):
        report.rotation_rpm = 0
    if match := _SECTORS.fullmatch(lines.get("Sector Size", "Sector Sizes") or ""):
        report.logical_sector_bytes = int(match[1])
        report.physical_sector_bytes = int(match[2] or match[1])
    for name in ("Logical block size", "Namespace 1 Formatted LBA Size"):
        if match := re.match(r"(\d{1,7})(?: bytes)?$", lines.get(name) or ""):
            report.logical_sector_bytes = int(match[1])
    if match := re.match(r"(\d{1,7}) bytes", lines.get("Physical block size") or ""):
        report.physical_sector_bytes = int(match[1])


_ATA_WORDS = {
    "PASSED": Verdict.PASSED,
    "FAILED!": Verdict.FAILING,
    "UNKNOWN!": Verdict.UNKNOWN,
}
GUESSED = "Warning: This result is based on an Attribute check."
"""smartctl's words when the drive itself gave no verdict."""


def _overall(report: Report, lines: _Lines) -> Verdict:
    """Read the verdict line of ATA and NVMe; raises when there is none and no reason for it."""
    found: set[Verdict] = set()
    for line in lines.lines:
        if line.startswith("SMART overall-health self-assessment test result:"):
            word = line.split(":", 1)[1].strip()
            if word not in _ATA_WORDS:
                raise CannotParse(SOURCE, "the verdict is not known", line=line)
            found.add(_ATA_WORDS[word])
    if len(found) > 1:
        raise CannotParse(SOURCE, "two verdicts differ")
    if not found:
        if lines.has("SMART Status command failed", "SMART Status not supported"):
            report.doubts.append("The drive did not give its verdict.")
            return Verdict.UNKNOWN
        raise CannotParse(SOURCE, "there is no verdict: the report is cut or not complete")
    verdict = found.pop()
    if verdict is Verdict.PASSED and lines.has(GUESSED):
        report.doubts.append(
            "The drive itself gave no verdict; smartctl looked at the attribute table instead."
        )
        return Verdict.UNKNOWN
    return verdict


def _attribute_rows(lines: Sequence[str]) -> list[str]:
    """Cut out the attribute table; raises when it has no end."""
    try:
        start = next(i for i, line in enumerate(lines) if line.startswith("ID# ATTRIBUTE_NAME"))
    except StopIteration:
        return []
    for end in range(start + 1, len(lines)):
        stripped = lines[end].strip()
        if not stripped or stripped.startswith("||||||_"):
            if end == start + 1:
                raise CannotParse(SOURCE, "the attribute table is empty")
            return list(lines[start + 1 : end])
    raise CannotParse(SOURCE, "the attribute table has no end: the report is cut")


def _number_or_none(text: str) -> int | None:
    """Read a three-digit column, where dashes mean that there is none; raises if odd."""
    if text == "---":
        return None
    if not re.fullmatch(r"[0-9]{1,3}", text):
        raise CannotParse(SOURCE, "an attribute row has no number where one belongs", line=text)
    return int(text)


def _attribute(report: Report, line: str) -> None:
    """Read one attribute row in any of its three forms."""
    parts = line.split(None, 9)
    if len(parts) >= 10 and _OLD_FLAG.fullmatch(parts[2]) and parts[6] in {"Pre-fail", "Old_age"}:
        said, raw_text = parts[8], parts[9].strip()
        prefail = parts[6] == "Pre-fail"
    else:
        parts = line.split(None, 7)
        if len(parts) < 8:
            raise CannotParse(SOURCE, "an attribute row is too short", line=line)
        said, raw_text = parts[6], parts[7].strip()
        if _OLD_FLAG.fullmatch(parts[2]):
            prefail = bool(int(parts[2], 16) & 1)
        elif _BRIEF_FLAG.fullmatch(parts[2]):
            prefail = parts[2].startswith("P")
        else:
            raise CannotParse(SOURCE, "an attribute row has unknown flags", line=line)
    if said not in {"-", "NOW", "Past", "FAILING_NOW", "In_the_past"}:
        raise CannotParse(SOURCE, "an attribute row says an unknown word", line=line)
    raw = raw_from_text(raw_text)
    number = _number_or_none(parts[0])
    if number is None:
        raise CannotParse(SOURCE, "an attribute row has no number", line=line)
    report.attributes.append(
        make_attribute(
            number=number,
            name=parts[1],
            value=_number_or_none(parts[3]),
            worst=_number_or_none(parts[4]),
            threshold=_number_or_none(parts[5]),
            raw=0 if raw is None else raw,
            raw_text=raw_text,
            prefail=prefail,
            said=said,
        )
    )


def _read_ata(report: Report, lines: _Lines) -> None:
    """Read what is particular to ATA."""
    report.verdict = _overall(report, lines)
    for line in _attribute_rows(lines.lines):
        _attribute(report, line)
    if not report.attributes:
        if not lines.has(*_NO_TABLE):
            raise CannotParse(SOURCE, "there is no attribute table: the report is cut")
        report.doubts.append("The drive did not give its attribute table.")
    report.decode_attributes()
    _read_ata_rows(report, lines)
    _read_ata_limits(report, lines)
    for name in ("Device Error Count", "ATA Error Count"):
        if match := re.match(r"(\d{1,9})(?: \(.*)?$", lines.get(name) or ""):
            report.add(Metric.ERROR_LOG_ENTRIES, int(match[1]))
    if lines.has("No Errors Logged"):
        report.add(Metric.ERROR_LOG_ENTRIES, 0)
    if lines.has("Error logging capability") and Metric.ERROR_LOG_ENTRIES not in report.metrics:
        report.doubts.append("The report does not show the drive's error log.")


def _read_ata_rows(report: Report, lines: _Lines) -> None:
    """Read device statistics, the self-test log and the test that runs."""
    for line in lines.lines:
        if line.startswith("0x") and (match := _STATISTIC.fullmatch(line)):
            report.add_statistic(int(match[1], 16), int(match[2], 16), int(match[3]))
        elif line.startswith("#") and (match := _ATA_TEST.fullmatch(line)):
            report.self_tests.append(
                self_test(
                    kind=match[1],
                    status=match[2],
                    power_on_hours=int(match[4]),
                    first_bad_lba=None if match[5] == "-" else int(match[5]),
                )
            )
        elif match := _RUNNING.fullmatch(line):
            report.self_test_remaining_percent = int(match[1])


_RANGE = re.compile(r"(--|-?\s?\d{1,3})/\s*(--|-?\d{1,3}) Celsius")


def _read_ata_limits(report: Report, lines: _Lines) -> None:
    """Read temperatures from the SCT status."""
    for name, metric in (
        ("Min/Max recommended Temperature", Metric.TEMPERATURE_WARNING_CELSIUS),
        ("Min/Max Temperature Limit", Metric.TEMPERATURE_CRITICAL_CELSIUS),
        ("Lifetime    Min/Max Temperature", Metric.TEMPERATURE_HIGHEST_CELSIUS),
    ):
        match = _RANGE.fullmatch(lines.get(name) or "")
        if match is None or match[2] == "--":
            continue
        if metric is Metric.TEMPERATURE_HIGHEST_CELSIUS:
            report.add_temperature(metric, int(match[2]))
        else:
            report.add_limit(metric, int(match[2]))
    if match := re.fullmatch(r"(-?\d{1,3}) Celsius", lines.get("Current Temperature") or ""):
        report.add_temperature(Metric.TEMPERATURE_CELSIUS, int(match[1]))


_NVME_FIELDS = {
    "Available Spare": Metric.SPARE_PERCENT,
    "Available Spare Threshold": Metric.SPARE_THRESHOLD_PERCENT,
    "Percentage Used": Metric.WEAR_PERCENT,
    "Power Cycles": Metric.POWER_CYCLES,
    "Power On Hours": Metric.POWER_ON_HOURS,
    "Unsafe Shutdowns": Metric.UNSAFE_SHUTDOWNS,
    "Media and Data Integrity Errors": Metric.MEDIA_ERRORS,
    "Error Information Log Entries": Metric.ERROR_LOG_ENTRIES,
}


def _celsius(lines: _Lines, *names: str) -> int | None:
    """Read a field such as ``37 Celsius``; None when absent; raises if odd."""
    text = lines.get(*names)
    if text is None or text == "-":
        return None
    match = re.fullmatch(r"(-?\d{1,5}) (?:Celsius|C)", text)
    if match is None:
        raise CannotParse(SOURCE, f"{names[0]} is no temperature", line=text)
    return int(match[1])


def _read_nvme(report: Report, lines: _Lines) -> None:
    """Read what is particular to NVMe."""
    said = _overall(report, lines)
    report.add_limit(
        Metric.TEMPERATURE_WARNING_CELSIUS,
        _celsius(lines, "Warning  Comp. Temp. Threshold", "Warning Comp. Temp. Threshold"),
    )
    report.add_limit(
        Metric.TEMPERATURE_CRITICAL_CELSIUS, _celsius(lines, "Critical Comp. Temp. Threshold")
    )
    warning = re.fullmatch(r"0x([0-9a-f]{2})", lines.get("Critical Warning") or "")
    if warning is None:
        if lines.has("Read NVMe SMART/Health Information failed"):
            report.verdict = said if said is Verdict.FAILING else Verdict.UNKNOWN
            report.doubts.append("The drive did not give its health log.")
            return
        raise CannotParse(SOURCE, "the health log is missing: the report is cut")
    report.add(Metric.CRITICAL_WARNING, int(warning[1], 16))
    for name, metric in _NVME_FIELDS.items():
        text = lines.get(name)
        if text is None:
            raise CannotParse(SOURCE, f"the health log has no {name}: the report is cut")
        report.add(metric, number_of(text.removesuffix("%"), name))
    report.add_temperature(Metric.TEMPERATURE_CELSIUS, _celsius(lines, "Temperature"))
    for name, metric in (
        ("Data Units Read", Metric.BYTES_READ),
        ("Data Units Written", Metric.BYTES_WRITTEN),
    ):
        units = lines.number(name)
        report.add(metric, units * DATA_UNIT_BYTES if units else None)
    report.verdict = judge_nvme(report, report.metrics[Metric.CRITICAL_WARNING], said)
    in_log = False
    for line in lines.lines:
        if line.startswith("Num  Test_Description"):
            in_log = True
        elif in_log and (match := _NVME_TEST.fullmatch(line)):
            report.self_tests.append(
                self_test(
                    kind=match[1],
                    status=match[2],
                    power_on_hours=None if match[3] == "-" else int(match[3]),
                    first_bad_lba=None if match[4] == "-" else int(match[4]),
                )
            )


def _read_scsi(report: Report, lines: _Lines) -> None:
    """Read what is particular to SCSI and SAS."""
    health = lines.get("SMART Health Status")
    if health is None:
        raise CannotParse(SOURCE, "there is no verdict: the report is cut or not complete")
    sense = _SENSE.search(health)
    said = Verdict.PASSED if health == "OK" else Verdict.FAILING
    codes = (int(sense[1], 16), int(sense[2], 16)) if sense else None
    report.verdict = judge_scsi(report, codes, said)
    if any(re.match(r"SMART support is:\s+Disabled", line) for line in lines.lines):
        report.doubts.append("The drive's own failure warning is switched off.")
        if report.verdict is Verdict.PASSED:
            report.verdict = Verdict.UNKNOWN
    read_scsi_counters(report, lines)


def read_scsi_counters(report: Report, lines: _Lines) -> None:
    """Read the counters of a SCSI report; also for what the JSON does not tell."""
    report.add_temperature(Metric.TEMPERATURE_CELSIUS, _celsius(lines, "Current Drive Temperature"))
    report.add_limit(Metric.TEMPERATURE_CRITICAL_CELSIUS, _celsius(lines, "Drive Trip Temperature"))
    for name, metric in (
        ("Elements in grown defect list", Metric.GROWN_DEFECTS),
        ("Non-medium error count", Metric.NON_MEDIUM_ERRORS),
        ("Accumulated start-stop cycles", Metric.POWER_CYCLES),
        ("Accumulated load-unload cycles", Metric.LOAD_CYCLES),
    ):
        report.add(metric, lines.number(name))
    used = lines.get("Percentage used endurance indicator")
    if used:
        report.add(Metric.WEAR_PERCENT, number_of(used.removesuffix("%"), "percentage used"))
    for line in lines.lines:
        if match := _ERROR_ROW.fullmatch(line):
            _scsi_error_row(report, match[1], match[2], int(match[3]))
        elif match := _DEFECTS.fullmatch(line):
            report.add(Metric.PENDING_SECTORS, int(match[1]))
        elif "Accumulated power on time, hours:minutes" in line:
            hours = re.search(r"hours:minutes\s+(\d{1,9}):\d{2}", line)
            report.add(Metric.POWER_ON_HOURS, int(hours[1]) if hours else None)
        elif match := re.match(r"\s*number of hours powered up = (\d{1,9})(?:\.\d+)?$", line):
            report.add(Metric.POWER_ON_HOURS, int(match[1]))
        elif line.startswith("#") and (match := _SCSI_TEST.fullmatch(line)):
            report.self_tests.append(
                self_test(
                    kind=match[1],
                    status=match[2],
                    power_on_hours=int(match[4]) if match[4].isdigit() else None,
                    first_bad_lba=None if match[5] == "-" else int(match[5], 0),
                )
            )


def _scsi_error_row(report: Report, name: str, gigabytes: str, uncorrected: int) -> None:
    """Take one row of the error counter log."""
    errors = {
        "read": Metric.READ_ERRORS_UNCORRECTED,
        "write": Metric.WRITE_ERRORS_UNCORRECTED,
        "verify": Metric.VERIFY_ERRORS_UNCORRECTED,
    }[name]
    report.add(errors, uncorrected)
    amount = {"read": Metric.BYTES_READ, "write": Metric.BYTES_WRITTEN}.get(name)
    if amount is not None:
        report.add(amount, gigabytes_of(gigabytes))
