"""The parts of a saved smartctl report that differ between ATA and NVMe.

See smartctl_text.py for the program, its versions and the rules of strictness, and
smartctl_text_scsi.py for SCSI.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from watcher.facts.drive import Attribute, Metric, Recovery, Verdict
from watcher.readers.attributes import raw_from_text
from watcher.readers.drive_report import (
    DATA_UNIT_BYTES,
    Report,
    judge_nvme,
    make_attribute,
    self_test,
)
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_lines import SOURCE, Lines, celsius_of, number_of

_OLD_FLAG = re.compile(r"0x[0-9a-f]{4}")
_BRIEF_FLAG = re.compile(r"[P-][O-][S-][R-][C-][K-]\S*")
_STATISTIC = re.compile(r"0x([0-9a-f]{2})\s+0x([0-9a-f]{3})\s+\d\s+(-?\d{1,24})\s+(\S{3})\s+\S.*")
_ATA_TEST = re.compile(
    r"#\s?\d+\s+(\S.{0,17}?)\s{2,}(\S.*?)\s+(\d{1,3})%\s+(\d{1,10})\s+(-|\d{1,20})\s*"
)
_NVME_TEST = re.compile(
    r"\s*\d{1,2}\s+(\S.{0,17}?)\s{2,}(\S.*?)\s{2,}(-|\d{1,10})\s+(-|\d{1,20})(?:\s+\S+){3,4}\s*"
)
_RUNNING = re.compile(r"\s*(\d{1,3})% of test remaining\.")

_NO_TABLE = (
    "SMART Attributes not supported",
    "Read SMART Data failed",
    "SMART Disabled. Use option -s",
    "Device does not support SMART",
)

_ATA_WORDS = {
    "PASSED": Verdict.PASSED,
    "FAILED!": Verdict.FAILING,
    "UNKNOWN!": Verdict.UNKNOWN,
}
GUESSED = "Warning: This result is based on an Attribute check."
"""smartctl's words when the drive itself gave no verdict."""


def _overall(report: Report, lines: Lines) -> Verdict:
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


_COLUMNS: dict[str, int | None] = {
    "---": None,
    **{str(number): number for number in range(256)},
    **{f"{number:03d}": number for number in range(256)},
}
"""What a column of three digits can hold (dashes: nothing); a table, since it is read often."""


def _number_or_none(text: str) -> int | None:
    """Read a column of three digits; raises for anything else."""
    try:
        return _COLUMNS[text]
    except KeyError:
        raise CannotParse(
            SOURCE, "an attribute row has no number where one belongs", line=text
        ) from None


ROWS_KEPT = 1024
"""How many attribute rows are kept as read. Our choice: most rows of a drive are the same at the
next poll, and 24 drives have about 500; a row takes half a kibibyte."""


@lru_cache(maxsize=ROWS_KEPT)
def _attribute(line: str) -> Attribute:
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
    return make_attribute(
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


def read_ata(report: Report, lines: Lines) -> None:
    """Read what is particular to ATA."""
    report.verdict = _overall(report, lines)
    report.attributes.extend(map(_attribute, _attribute_rows(lines.lines)))
    if not report.attributes:
        if not lines.has(*_NO_TABLE):
            raise CannotParse(SOURCE, "there is no attribute table: the report is cut")
        report.doubts.append("The drive did not give its attribute table.")
    report.decode_attributes()
    _read_ata_rows(report, lines)
    _read_ata_limits(report, lines)
    report.recovery = _recovery(lines)
    for name in ("Device Error Count", "ATA Error Count"):
        if match := re.match(r"(\d{1,9})(?: \(.*)?$", lines.get(name) or ""):
            report.add(Metric.ERROR_LOG_ENTRIES, int(match[1]))
    if lines.has("No Errors Logged"):
        report.add(Metric.ERROR_LOG_ENTRIES, 0)
    if lines.has("Error logging capability") and Metric.ERROR_LOG_ENTRIES not in report.metrics:
        report.doubts.append("The report does not show the drive's error log.")
    if lines.lines[-1].startswith("#"):
        report.doubts.append("The report ends inside the self-test log: it may be cut.")


def _read_ata_rows(report: Report, lines: Lines) -> None:
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
        elif "% of test" in line and (match := _RUNNING.fullmatch(line)):
            report.self_test_remaining_percent = int(match[1])


_LIMIT = re.compile(r"\s+(Read|Write):\s+(?:Disabled|(\d{1,5}) \(\d{1,4}[.,]\d seconds\))")
_LOCKED = "SCT Commands not supported if ATA Security is LOCKED"
_RANGE = re.compile(r"(--|-?\s?\d{1,3})/\s*(--|-?\d{1,3}) Celsius")


def _read_ata_limits(report: Report, lines: Lines) -> None:
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


_NO_RECOVERY_LIMIT = (
    "SCT Error Recovery Control command not supported",
    "SCT Commands not supported",
)


def _recovery(lines: Lines) -> Recovery | None:
    """Read how long the drive tries a bad sector; None when that is not told, or not for both."""
    if lines.has(*_NO_RECOVERY_LIMIT) and not lines.has(_LOCKED):
        return Recovery(limit_milliseconds=None, knows_limit=False)
    try:
        start = lines.lines.index("SCT Error Recovery Control:")
    except ValueError:
        return None
    rows = [_LIMIT.fullmatch(line) for line in lines.lines[start + 1 : start + 3]]
    if [row[1] for row in rows if row] != ["Read", "Write"]:
        return None
    limits = [int(row[2] or 0) * 100 for row in rows if row]
    return Recovery(limit_milliseconds=max(limits) if all(limits) else None)


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


def read_nvme(report: Report, lines: Lines) -> None:
    """Read what is particular to NVMe."""
    said = _overall(report, lines)
    report.add_limit(
        Metric.TEMPERATURE_WARNING_CELSIUS,
        celsius_of(lines, "Warning  Comp. Temp. Threshold", "Warning Comp. Temp. Threshold"),
    )
    report.add_limit(
        Metric.TEMPERATURE_CRITICAL_CELSIUS, celsius_of(lines, "Critical Comp. Temp. Threshold")
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
    report.add_temperature(Metric.TEMPERATURE_CELSIUS, celsius_of(lines, "Temperature"))
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
