"""The attribute table in its three forms, and what belongs to one kind of drive only."""

from __future__ import annotations

import pytest

from tests.readers.drive_samples import ata_document, ata_lines, recorded
from watcher.facts.drive import Metric, Protocol, Verdict
from watcher.readers.drive_report import Report
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_lines import Lines
from watcher.readers.smartctl_text_kinds import read_ata, read_nvme

OLD = "  5 Reallocated_Sector_Ct   0x0033   010   010   010    Pre-fail  Always   FAILING_NOW 1704"
BRIEF = "  5 Reallocated_Sector_Ct   PO--CK   010   010   010    NOW  1704"
HEX = "  5 Reallocated_Sector_Ct   0x0033   010   010   010    NOW  1704"
BRIEF_END = "                            ||||||_ K auto-keep"


def ata(*rows: str, tail: tuple[str, ...] = ("",), head: tuple[str, ...] = ()) -> Report:
    """Read a report of an ATA drive with some attribute rows."""
    report = Report(protocol=Protocol.ATA)
    lines = [
        *head,
        "SMART overall-health self-assessment test result: PASSED",
        "ID# ATTRIBUTE_NAME          FLAGS    VALUE WORST THRESH FAIL RAW_VALUE",
        *rows,
        *tail,
        "",
    ]
    read_ata(report, Lines("\n".join(lines)))
    return report


@pytest.mark.parametrize(("row", "end"), [(OLD, ""), (BRIEF, BRIEF_END), (HEX, BRIEF_END)])
def test_the_three_forms_of_a_row_mean_the_same(row: str, end: str) -> None:
    report = ata(row, tail=(end,))
    (attribute,) = report.attributes
    assert (attribute.number, attribute.value, attribute.threshold, attribute.raw) == (
        5,
        10,
        10,
        1704,
    )
    assert attribute.prefail
    assert attribute.failing_now
    assert report.metrics[Metric.REALLOCATED_SECTORS] == 1704


def test_dashes_are_no_values() -> None:
    (attribute,) = ata("  9 Power_On_Hours  -O--CK   ---   ---   ---    -    17").attributes
    assert (attribute.value, attribute.worst, attribute.threshold) == (None, None, None)


@pytest.mark.parametrize(
    "row",
    [
        "  5 Reallocated_Sector_Ct   PO--CK   010   010",
        "  5 Reallocated_Sector_Ct   WHAT?!   010   010   010    NOW  1704",
        "  5 Reallocated_Sector_Ct   PO--CK   010   010   010    PERHAPS  1704",
        "  x Reallocated_Sector_Ct   PO--CK   010   010   010    NOW  1704",
        "  5 Reallocated_Sector_Ct   PO--CK   1x0   010   010    NOW  1704",
    ],
)
def test_a_row_that_is_not_understood_is_refused(row: str) -> None:
    with pytest.raises(CannotParse):
        ata(row)


def test_a_table_without_an_end_is_cut() -> None:
    with pytest.raises(CannotParse, match="cut"):
        ata(BRIEF, tail=())


def test_a_missing_table_needs_a_reason() -> None:
    report = Report(protocol=Protocol.ATA)
    verdict = "SMART overall-health self-assessment test result: PASSED\n"
    with pytest.raises(CannotParse, match="attribute table"):
        read_ata(report, Lines(verdict))
    read_ata(report, Lines(verdict + "Read SMART Data failed: scsi error\n"))
    assert "attribute table" in report.doubts[0]


@pytest.mark.parametrize(
    "lines",
    [
        ("SMART overall-health self-assessment test result: FINE",),
        ("SMART overall-health self-assessment test result: FAILED!",),  # beside a PASSED
    ],
)
def test_an_odd_verdict_is_refused(lines: tuple[str, ...]) -> None:
    with pytest.raises(CannotParse):
        ata(BRIEF, head=lines)


def test_statistics_temperatures_and_a_running_test_are_read() -> None:
    report = ata(
        "199 UDMA_CRC_Error_Count    -OSRCK   200   199   000    -    7",
        tail=(
            BRIEF_END,
            "					30% of test remaining.",
            "Lifetime    Min/Max Temperature:     14/51 Celsius",
            "Min/Max recommended Temperature:      0/60 Celsius",
            "Min/Max Temperature Limit:          -40/70 Celsius",
            "Current Temperature:                    33 Celsius",
            "0x03  0x020  4              12  ---  Number of Reallocated Logical Sectors",
            "0x06  0x018  4             999  ---  Number of Interface CRC Errors",
            "0x04  0x008  4               -  ---  Number of Reported Uncorrectable Errors",
        ),
    )
    assert report.self_test_remaining_percent == 30
    assert report.metrics == {
        Metric.INTERFACE_CRC_ERRORS: 7,
        Metric.REALLOCATED_SECTORS: 12,
        Metric.TEMPERATURE_HIGHEST_CELSIUS: 51,
        Metric.TEMPERATURE_WARNING_CELSIUS: 60,
        Metric.TEMPERATURE_CRITICAL_CELSIUS: 70,
        Metric.TEMPERATURE_CELSIUS: 33,
    }


def test_a_log_that_the_end_may_have_cut_is_doubted() -> None:
    lines = ata_lines(ata_document())[:-1]
    report = Report(protocol=Protocol.ATA)
    read_ata(report, Lines("\n".join([*lines, ""])))
    assert report.doubts == ["The report ends inside the self-test log: it may be cut."]


def test_an_nvme_self_test_log_is_read() -> None:
    log = (
        "Self-test Log (NVMe Log 0x06)",
        "Self-test status: No self-test in progress",
        "Num  Test_Description  Status       Power_on_Hours  Failing_LBA  NSID Seg SCT Code",
        " 0   Short             Completed without error     2563            -   -   -   -    -",
        " 1   Extended          Completed: failed segments  2500        12345   1   3   -    -",
        "",
    )
    text = recorded("nvme-warning-02.txt") + "\n".join(log)
    report = Report(protocol=Protocol.NVME)
    read_nvme(report, Lines(text))
    assert [(t.kind, t.passed, t.power_on_hours, t.first_bad_lba) for t in report.self_tests] == [
        ("Short", True, 2563, None),
        ("Extended", False, 2500, 12345),
    ]
    assert report.metrics[Metric.TEMPERATURE_WARNING_CELSIUS] == 70
    assert report.metrics[Metric.TEMPERATURE_CRITICAL_CELSIUS] == 100


def test_an_nvme_drive_without_its_log_is_open() -> None:
    report = Report(protocol=Protocol.NVME)
    text = (
        "SMART overall-health self-assessment test result: PASSED\n"
        "Read NVMe SMART/Health Information failed: NVMe Status 0x2002\n"
    )
    read_nvme(report, Lines(text))
    assert report.verdict is Verdict.UNKNOWN


def test_a_drive_that_gives_no_verdict_says_so() -> None:
    report = Report(protocol=Protocol.ATA)
    lines = ata_lines(ata_document())
    at = next(i for i, line in enumerate(lines) if "overall-health" in line)
    lines[at] = "SMART Status command failed: scsi error"
    read_ata(report, Lines("\n".join(lines)))
    assert report.verdict is Verdict.UNKNOWN
    assert "The drive did not give its verdict." in report.doubts


def test_a_row_needs_a_number() -> None:
    with pytest.raises(CannotParse, match="no number"):
        ata("--- Reallocated_Sector_Ct   PO--CK   010   010   010    NOW  1704")


def test_a_temperature_that_is_none_is_refused() -> None:
    text = recorded("nvme-warning-02.txt").replace("50 Celsius", "warm")
    with pytest.raises(CannotParse, match="no temperature"):
        read_nvme(Report(protocol=Protocol.NVME), Lines(text))
