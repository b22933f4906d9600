"""The parts of a saved smartctl report that only SCSI and SAS have.

See smartctl_text.py for the program, its versions and the rules of strictness. A live answer is
read here too: its JSON has no word of non-medium errors, and what the drive's own scans found is
taken from its text.
"""

from __future__ import annotations

import re

from watcher.facts.drive import WARNING_OFF, Metric, Verdict
from watcher.readers.drive_report import Report, judge_scsi, self_test
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_json import gigabytes_of
from watcher.readers.smartctl_lines import SOURCE, Lines, celsius_of, number_of

_SCSI_TEST = re.compile(
    r"#\s?\d+\s+(\S.{0,17}?)\s{2,}(\S.*?)\s{2,}(-|\d+)\s+(NOW|-|\d{1,10})\s+"
    r"(-|\d{1,20}|0x[0-9a-f]{1,16}) \[.*\]"
)
_SENSE = re.compile(r"\[asc=([0-9a-f]{1,2}), ?ascq=([0-9a-f]{1,2})\]")
_NOW_CELSIUS = re.compile(r"Current temperature = (-?\d{1,4})")
_DEFECTS = re.compile(r"\s*Pending defect count:\s*(\d{1,12})(?: .*)?")
_ERROR_ROW = re.compile(r"(read|write|verify):(?:\s+\d+){5}\s+([\d.,]+)\s+(\d{1,20})\s*")
_SCANNED = re.compile(r"\s*\d{1,5}\s+\d+:\d\d\s+[0-9a-f]+\s+\[[0-9a-f,]+\]\s+(\S.*?)\s*")
_UNSOLVED = ("require write", "reassignment by disk failed", "unsuccessfully reassigned")
"""How the places that need a write still are told in the log of a drive's own scans (SBC,
background scan results; the words of smartctl 7.3). Others were mended."""


def _background_scans(report: Report, lines: Lines) -> None:
    """Read what a SAS drive's own scans found, where it has no list of pending defects.

    A scan that was halted is a doubt: then nobody reads what is not asked for.
    """
    try:
        start = lines.lines.index("Background scan results log")
    except ValueError:
        return
    log = lines.lines[start + 1 :]
    status = next((line.strip() for line in log if line.startswith("  Status: ")), "")
    if status.startswith("Status: halted"):
        report.doubts.append(f"The drive's own scan has stopped ({status[len('Status: ') :]}).")
    found = [match[1].lower() for line in log if (match := _SCANNED.fullmatch(line))]
    report.add(Metric.PENDING_SECTORS, sum(words.startswith(_UNSOLVED) for words in found) or None)


def read_scsi(report: Report, lines: Lines) -> None:
    """Read what is particular to SCSI and SAS."""
    health = lines.get("SMART Health Status")
    if health is None:
        raise CannotParse(SOURCE, "there is no verdict: the report is cut or not complete")
    sense = _SENSE.search(health)
    said = Verdict.PASSED if health == "OK" else Verdict.FAILING
    codes = (int(sense[1], 16), int(sense[2], 16)) if sense else None
    report.verdict = judge_scsi(report, codes, said)
    if any(re.match(r"SMART support is:\s+Disabled", line) for line in lines.lines):
        report.doubts.append(WARNING_OFF)
        if report.verdict is Verdict.PASSED:
            report.verdict = Verdict.UNKNOWN
    _read_scsi_counters(report, lines)
    report.doubt_silence()
    _background_scans(report, lines)


def _read_scsi_counters(report: Report, lines: Lines) -> None:
    """Read the counters of a SCSI report; also for what the JSON does not tell."""
    report.add_temperature(
        Metric.TEMPERATURE_CELSIUS, celsius_of(lines, "Current Drive Temperature")
    )
    report.add_limit(
        Metric.TEMPERATURE_CRITICAL_CELSIUS, celsius_of(lines, "Drive Trip Temperature")
    )
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
        elif match := _NOW_CELSIUS.fullmatch(line):
            report.add_temperature(Metric.TEMPERATURE_CELSIUS, int(match[1]))
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
