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
from datetime import datetime

from watcher.facts.drive import DriveReading, DriveUnread, Protocol, Unread, Verdict
from watcher.readers.drive_report import EXIT_FAILING, Report
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_lines import SOURCE, Lines, number_of
from watcher.readers.smartctl_text_kinds import read_ata, read_nvme
from watcher.readers.smartctl_text_scsi import read_scsi

_BANNER = re.compile(r"smartctl ((?:pre-)?\d+\.\d+\S*) .*\[.*\]")
_SECTORS = re.compile(r"(\d{1,7}) bytes logical(?:/physical|, (\d{1,7}) bytes physical)")


def parse_text(text: str, *, node: str, observed_at: datetime) -> DriveReading | DriveUnread:
    """Read one saved report; raises ``CannotParse`` for anything that is not a whole one.

    Gives ``DriveUnread`` for a report that says itself that the drive could not be read.
    """
    lines = Lines(text)
    version = next((m[1] for line in lines.lines[:20] if (m := _BANNER.match(line))), None)
    if version is None:
        raise CannotParse(SOURCE, "this is no smartctl report", line=text[:80])
    if unread := _refusal(lines, node=node, observed_at=observed_at):
        return unread
    report = report_of_lines(lines)
    return report.reading(
        node=node,
        device_type="",
        observed_at=observed_at,
        exit_status=EXIT_FAILING if report.verdict is Verdict.FAILING else 0,
        source=f"smartctl {version} (saved text)",
        raw=text,
    )


def report_of_text(text: str) -> Report:
    """Read the text of a drive that answered into a report; raises ``CannotParse``."""
    return report_of_lines(Lines(text))


def _protocol(lines: Lines) -> Protocol:
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


def _refusal(lines: Lines, *, node: str, observed_at: datetime) -> DriveUnread | None:
    """Find out whether the report itself says that the drive was not read."""
    has_verdict = lines.has("SMART overall-health", "SMART Health Status")
    for line in lines.lines:
        for start, why, words in _REFUSALS:
            if start in line and not has_verdict:
                return _unread(lines, why, words, node, observed_at)
        if line.startswith("Smartctl open device:") and " failed: " in line:
            why = Unread.FORBIDDEN if "Permission" in line else Unread.VANISHED
            return _unread(lines, why, "smartctl could not open it", node, observed_at)
    return None


def _unread(lines: Lines, why: Unread, words: str, node: str, observed_at: datetime) -> DriveUnread:
    """Make the answer for a report without data."""
    size = lines.get("User Capacity")
    return DriveUnread(
        node=node,
        why=why,
        detail=f"The report of {node} holds no health data: {words}.",
        observed_at=observed_at,
        model=lines.get("Device Model", "Model Number", "Product"),
        serial=lines.get("Serial Number", "Serial number"),
        capacity_bytes=number_of(size, "User Capacity") if size else None,
    )


def report_of_lines(lines: Lines) -> Report:
    """Fill a report from split lines; raises ``CannotParse``."""
    report = Report(protocol=_protocol(lines))
    _identify(report, lines)
    match report.protocol:
        case Protocol.ATA:
            read_ata(report, lines)
        case Protocol.NVME:
            read_nvme(report, lines)
        case _:
            read_scsi(report, lines)
    return report


def _identify(report: Report, lines: Lines) -> None:
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
    name = (lines.get("LU WWN Device Id", "Logical Unit id") or "").removeprefix("0x")
    if re.fullmatch(r"[0-9a-f]{16,32}", name.replace(" ", "")):
        report.wwn = "0x" + name.replace(" ", "")
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
