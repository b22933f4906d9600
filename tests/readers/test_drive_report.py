"""The judgements that the JSON path and the text path share."""

from __future__ import annotations

import pytest

from tests.readers.drive_samples import NOW
from watcher.facts.drive import Attribute, Metric, Protocol, Verdict
from watcher.readers.drive_report import (
    Report,
    judge_nvme,
    judge_scsi,
    make_attribute,
    self_test,
    verdict_of,
)


def attribute(value: int, threshold: int, *, worst: int = 253, said: str = "-") -> Attribute:
    return make_attribute(
        number=5,
        name="Reallocated_Sector_Ct",
        value=value,
        worst=worst,
        threshold=threshold,
        raw=0,
        raw_text="0",
        prefail=True,
        said=said,
    )


@pytest.mark.parametrize(
    ("value", "threshold", "failing"),
    [
        (11, 10, False),
        (10, 10, True),
        (9, 10, True),
        (1, 0, False),
        (0, 10, False),
        (254, 10, False),
    ],
)
def test_a_value_at_its_threshold_fails(value: int, threshold: int, failing: bool) -> None:
    """SFF-8035i rev 2, p. 19: at or below; a threshold of 0 never fails; 0 and 254 are reserved."""
    assert attribute(value, threshold).failing_now is failing


def test_the_tools_word_is_believed_when_it_is_worse() -> None:
    assert attribute(50, 10, said="NOW").failing_now
    assert attribute(50, 10, said="FAILING_NOW").failing_now
    past = attribute(50, 10, said="In_the_past")
    assert (past.failing_now, past.failed_before) == (False, True)
    assert attribute(50, 10, worst=10).failed_before


def test_the_worse_of_word_and_exit_status_is_the_verdict() -> None:
    assert verdict_of(True, 0) is Verdict.PASSED
    assert verdict_of(True, 0x08) is Verdict.FAILING
    assert verdict_of(None, 0) is Verdict.UNKNOWN
    assert verdict_of(False, 0) is Verdict.FAILING
    assert verdict_of(True, 0xC4) is Verdict.PASSED


@pytest.mark.parametrize(
    ("bits", "verdict"),
    [
        (0x00, Verdict.PASSED),
        (0x01, Verdict.FAILING),
        (0x02, Verdict.UNKNOWN),
        (0x03, Verdict.FAILING),
        (0x04, Verdict.FAILING),
        (0x08, Verdict.FAILING),
        (0x10, Verdict.FAILING),
        (0x20, Verdict.FAILING),
        (0x80, Verdict.FAILING),
    ],
)
def test_only_a_temperature_warning_is_no_verdict(bits: int, verdict: Verdict) -> None:
    """NVM Express Base Specification, log 02h byte 0."""
    said = Verdict.FAILING if bits else Verdict.PASSED
    assert judge_nvme(Report(protocol=Protocol.NVME), bits, said) is verdict


@pytest.mark.parametrize(
    ("sense", "verdict"),
    [
        (None, Verdict.PASSED),
        ((0x00, 0x00), Verdict.PASSED),
        ((0x5D, 0x00), Verdict.FAILING),
        ((0x5D, 0x10), Verdict.FAILING),
        ((0x5D, 0x14), Verdict.FAILING),
        ((0x5D, 0x73), Verdict.FAILING),
        ((0x5D, 0xFF), Verdict.UNKNOWN),
    ],
)
def test_every_predicted_failure_counts_but_the_test_of_it(
    sense: tuple[int, int] | None, verdict: Verdict
) -> None:
    """torvalds/linux drivers/scsi/sense_codes.h: 5DFF is a test."""
    assert judge_scsi(Report(protocol=Protocol.SCSI), sense, Verdict.PASSED) is verdict


@pytest.mark.parametrize(
    ("words", "passed", "damage"),
    [
        ("Completed without error", True, False),
        ("Completed", True, False),
        ("Completed: read failure", False, True),
        ("Completed: electrical failure", False, True),
        ("Completed, segment failed", False, True),
        ("Failed in segment", False, True),
        ("Completed: failed segments", False, True),
        ("Fatal or unknown error", False, False),
        ("Aborted by host", None, False),
        ("Interrupted (host reset)", None, False),
        ("Self-test routine in progress", None, False),
        ("Words of a newer version", None, False),
    ],
)
def test_how_a_self_test_ended(words: str, passed: bool | None, damage: bool) -> None:
    entry = self_test(kind="short", status=words, power_on_hours=1, first_bad_lba=None)
    assert (entry.passed, entry.found_damage) == (passed, damage)


def test_a_vendors_own_kind_of_test_says_nothing() -> None:
    entry = self_test(
        kind="Vendor (0xc7)",
        status="Fatal or unknown error",
        power_on_hours=65280,
        first_bad_lba=None,
    )
    assert (entry.passed, entry.found_damage) == (None, False)


def test_statistics_fill_in_what_attributes_do_not_tell() -> None:
    """ACS, general purpose log 04h: page and offset."""
    report = Report(protocol=Protocol.ATA, logical_sector_bytes=4096)
    report.add(Metric.INTERFACE_CRC_ERRORS, 3)
    for page, offset, number in (
        (1, 0x010, 100),
        (1, 0x018, 10),
        (3, 0x020, 7),
        (4, 0x008, 5),
        (5, 0x008, 35),
        (5, 0x020, 52),
        (5, 0x058, 60),
        (6, 0x018, 99),
        (7, 0x008, 12),
        (1, 0x008, 77),
    ):
        report.add_statistic(page, offset, number)
    assert report.metrics == {
        Metric.INTERFACE_CRC_ERRORS: 3,
        Metric.POWER_ON_HOURS: 100,
        Metric.BYTES_WRITTEN: 40960,
        Metric.REALLOCATED_SECTORS: 7,
        Metric.REPORTED_UNCORRECTABLE: 5,
        Metric.TEMPERATURE_CELSIUS: 35,
        Metric.TEMPERATURE_HIGHEST_CELSIUS: 52,
        Metric.TEMPERATURE_WARNING_CELSIUS: 60,
        Metric.WEAR_PERCENT: 12,
    }


def test_temperatures_and_limits_that_are_not_set_are_left_out() -> None:
    report = Report(protocol=Protocol.ATA)
    report.add_statistic(5, 0x008, 255)
    report.add_statistic(5, 0x058, 0)
    report.add_limit(Metric.TEMPERATURE_CRITICAL_CELSIUS, -128)
    assert report.metrics == {}


def test_a_drive_without_serial_is_named_after_its_place_and_says_so() -> None:
    for serial in ("", "--", "0000"):
        report = Report(protocol=Protocol.ATA, model="X", serial=serial)
        assert report.identity("/dev/sdc", "sat").drive == "unidentified_sdc"
        assert report.doubts
    report = Report(protocol=Protocol.ATA, model="X")
    assert report.identity("/dev/bus/0", "megaraid,4").drive == "unidentified_0_megaraid,4"


def test_a_reading_has_each_doubt_once() -> None:
    report = Report(protocol=Protocol.ATA, model="X", serial="S", doubts=["a", "b", "a"])
    reading = report.reading(
        node="/dev/sda", device_type="sat", observed_at=NOW, exit_status=0, source="", raw=""
    )
    assert reading.doubts == ("a", "b")
