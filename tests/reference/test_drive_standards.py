"""What drives report, held against published standards and handbooks.

Each check names its source. The page layout
of the NVMe health log is written out here once more, from the standard's table, and not
taken from the code under test.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.readers.drive_samples import NOW, answer, ata_document, recorded
from watcher.facts.drive import DriveReading, DriveUnread, Metric, Unread, Verdict
from watcher.readers.drive_report import DEVICE_STATISTICS, DEVICE_STATISTICS_SECTORS
from watcher.readers.smartctl import parse

NVME_LOG = {
    # field as smartctl names it: first byte, length (NVM Express Base Specification, log page 02h,
    # as restated by linux-nvme/libnvme src/nvme/types.h)
    "critical_warning": (0, 1),
    "temperature": (1, 2),
    "available_spare": (3, 1),
    "available_spare_threshold": (4, 1),
    "percentage_used": (5, 1),
    "data_units_read": (32, 16),
    "data_units_written": (48, 16),
    "host_reads": (64, 16),
    "host_writes": (80, 16),
    "controller_busy_time": (96, 16),
    "power_cycles": (112, 16),
    "power_on_hours": (128, 16),
    "unsafe_shutdowns": (144, 16),
    "media_errors": (160, 16),
    "num_err_log_entries": (176, 16),
    "warning_temp_time": (192, 4),
    "critical_comp_time": (196, 4),
}


def page(**values: int) -> bytes:
    """Lay out a health log page of 512 bytes, little-endian."""
    made = bytearray(512)
    for name, value in values.items():
        start, length = NVME_LOG[name]
        made[start : start + length] = value.to_bytes(length, "little")
    return bytes(made)


def read_page(made: bytes, *, status: int = 0) -> DriveReading:
    """Print a page as smartctl does (kelvin less 273) and read what it printed."""
    document: dict[str, Any] = json.loads(recorded("nvme-healthy.json"))
    log = {
        name: int.from_bytes(made[start : start + length], "little")
        for name, (start, length) in NVME_LOG.items()
    }
    log["temperature"] -= 273  # smartmontools subtracts 273, not 273.15
    document["nvme_smart_health_information_log"] = log
    document["temperature"] = {"current": log["temperature"]}
    document["smart_status"] = {"passed": not log["critical_warning"]}
    document["smartctl"]["exit_status"] = status
    result = parse(json.dumps(document), node="/dev/nvme0", observed_at=NOW)
    assert isinstance(result, DriveReading)
    return result


def test_the_nvme_log_is_512_bytes_without_overlap() -> None:
    """NVM Express Base Specification, log page 02h."""
    taken = [byte for start, length in NVME_LOG.values() for byte in range(start, start + length)]
    assert len(taken) == len(set(taken))
    assert max(taken) < 512
    assert len(page()) == 512


def test_every_field_of_a_synthetic_nvme_page_arrives() -> None:
    """NVM Express: 16-byte counters too, beyond what 64 bits hold."""
    big = 2**70 + 12345
    reading = read_page(
        page(
            temperature=310,
            available_spare=97,
            available_spare_threshold=10,
            percentage_used=3,
            data_units_read=1000,
            data_units_written=2000,
            power_cycles=61,
            power_on_hours=40000,
            unsafe_shutdowns=9,
            media_errors=big,
            num_err_log_entries=77,
        )
    )
    assert dict(reading.metrics) == {
        Metric.CRITICAL_WARNING: 0,
        Metric.TEMPERATURE_CELSIUS: 37,  # 310 K is 37 degrees
        Metric.SPARE_PERCENT: 97,
        Metric.SPARE_THRESHOLD_PERCENT: 10,
        Metric.WEAR_PERCENT: 3,
        Metric.BYTES_READ: 512_000_000,
        Metric.BYTES_WRITTEN: 1_024_000_000,
        Metric.POWER_CYCLES: 61,
        Metric.POWER_ON_HOURS: 40000,
        Metric.UNSAFE_SHUTDOWNS: 9,
        Metric.MEDIA_ERRORS: big,
        Metric.ERROR_LOG_ENTRIES: 77,
    }


@pytest.mark.parametrize("bit", range(6))
def test_the_six_warning_bits_stay_apart(bit: int) -> None:
    """NVMe: 0 spare, 1 temperature, 2 reliability, 3 read-only, 4 volatile backup, 5 memory."""
    reading = read_page(page(temperature=310, critical_warning=1 << bit), status=8)
    assert reading.metric(Metric.CRITICAL_WARNING) == 1 << bit
    assert reading.verdict is (Verdict.UNKNOWN if bit == 1 else Verdict.FAILING)


@pytest.mark.parametrize("used", [100, 150, 255])
def test_wear_beyond_the_rated_life_is_no_failure(used: int) -> None:
    """NVMe: 100 is the rated endurance and may not mean failure; above 254 it stays at 255."""
    reading = read_page(page(temperature=310, percentage_used=used))
    assert reading.metric(Metric.WEAR_PERCENT) == used
    assert reading.verdict is Verdict.PASSED


def test_a_data_unit_is_a_thousand_blocks_rounded_up() -> None:
    """NVM Express: 3 units stand for 2,001 to 3,000 blocks of 512 bytes; 0 is not reported."""
    read = read_page(page(temperature=310, data_units_read=3)).metric(Metric.BYTES_READ)
    assert read is not None
    assert 2_001 * 512 <= read <= 3_000 * 512
    assert read_page(page(temperature=310)).metric(Metric.BYTES_READ) is None


def test_zero_kelvin_is_no_sensor() -> None:
    """NVM Express: a sensor value of 0 is not implemented."""
    assert read_page(page(temperature=0)).metric(Metric.TEMPERATURE_CELSIUS) is None


def test_only_media_errors_are_damage() -> None:
    """NVM Express: log entries count any error over the life and leave the verdict alone."""
    reading = read_page(page(temperature=310, num_err_log_entries=5000))
    assert reading.metric(Metric.MEDIA_ERRORS) == 0
    assert reading.metric(Metric.ERROR_LOG_ENTRIES) == 5000
    assert reading.verdict is Verdict.PASSED


@pytest.mark.parametrize(("value", "failing"), [(11, False), (10, True), (9, True)])
def test_an_attribute_fails_at_its_threshold(value: int, failing: bool) -> None:
    """SFF-8035i rev 2 p. 19: value <= threshold; not < as one library has it."""
    rows = ((5, "Reallocated_Sector_Ct", value, value, 10, 1704, "1704"),)
    reading = parse(answer(ata_document(rows)), node="/dev/sdb", observed_at=NOW)
    assert isinstance(reading, DriveReading)
    assert reading.attributes[0].failing_now is failing
    assert reading.attributes[0].prefail


def from_status(status: int) -> DriveReading | DriveUnread:
    return parse(answer(ata_document(status=status)), node="/dev/sdb", observed_at=NOW)


@pytest.mark.parametrize(
    ("bit", "what"),
    [
        (0, Unread.GARBLED),  # the command line was refused
        (1, Unread.VANISHED),  # open or identify failed: no verdict on the drive
        (2, Verdict.PASSED),  # some command failed: healthy drives do that
        (3, Verdict.FAILING),  # the drive says so
        (4, Verdict.PASSED),  # told by the attributes themselves
        (5, Verdict.PASSED),  # in the past
        (6, Verdict.PASSED),  # history
        (7, Verdict.PASSED),  # history
    ],
)
def test_the_eight_bits_of_smartctls_exit_status(bit: int, what: Unread | Verdict) -> None:
    """smartctl(8), EXIT STATUS"""
    result = from_status(1 << bit)
    if isinstance(result, DriveUnread):
        assert result.why is what
    else:
        assert result.verdict is what
        assert result.exit_status == 1 << bit


def test_the_pages_of_the_device_statistics() -> None:
    """ACS, general purpose log 04h, as in smartctl's table."""
    assert DEVICE_STATISTICS[1, 0x010] is Metric.POWER_ON_HOURS
    assert DEVICE_STATISTICS_SECTORS[1, 0x018] is Metric.BYTES_WRITTEN
    assert DEVICE_STATISTICS_SECTORS[1, 0x028] is Metric.BYTES_READ
    # page 3, in order from 008h, 8 bytes each: spindle hours, flying hours, loads, reallocated
    assert DEVICE_STATISTICS[3, 0x008 + 3 * 8] is Metric.REALLOCATED_SECTORS
    assert DEVICE_STATISTICS[4, 0x008] is Metric.REPORTED_UNCORRECTABLE
    assert DEVICE_STATISTICS[6, 0x018] is Metric.INTERFACE_CRC_ERRORS
    assert DEVICE_STATISTICS[7, 0x008] is Metric.WEAR_PERCENT


SCSI: dict[str, Any] = {
    "smartctl": {"version": [7, 3], "exit_status": 0},
    "device": {"protocol": "SCSI", "type": "scsi"},
    "scsi_product": "TW10K-SAS",
    "serial_number": "TW77",
    "smart_support": {"available": True, "enabled": True},
}


@pytest.mark.parametrize("ascq", [*range(0x04), *range(0x10, 0x1D), 0x73])
def test_every_predicted_failure_of_a_scsi_drive_counts(ascq: int) -> None:
    """torvalds/linux drivers/scsi/sense_codes.h, 5D00 to 5D1C and 5D73"""
    sense = {"passed": False, "scsi": {"asc": 0x5D, "ascq": ascq}}
    result = parse(json.dumps({**SCSI, "smart_status": sense}), node="/dev/sdb", observed_at=NOW)
    assert isinstance(result, DriveReading)
    assert result.verdict is Verdict.FAILING


def test_the_test_of_a_scsi_warning_is_no_failure() -> None:
    """5DFF is "failure prediction threshold exceeded (false)"."""
    sense = {"passed": False, "scsi": {"asc": 0x5D, "ascq": 0xFF}}
    result = parse(json.dumps({**SCSI, "smart_status": sense}), node="/dev/sdb", observed_at=NOW)
    assert isinstance(result, DriveReading)
    assert result.verdict is Verdict.UNKNOWN
    assert "test" in result.doubts[0]


def test_the_scsi_log_pages_become_the_right_counters() -> None:
    """Pages 02 write, 03 read, 05 verify, 06 non-medium, 0D temperature (sg3_utils)."""
    counters = {
        name: {"total_uncorrected_errors": number}
        for number, name in enumerate(("write", "read", "verify"), start=2)
    }
    document = {
        **SCSI,
        "smart_status": {"passed": True},
        "scsi_error_counter_log": counters,
        "temperature": {"current": 41, "drive_trip": 65},
    }
    result = parse(json.dumps(document), node="/dev/sdb", observed_at=NOW)
    assert isinstance(result, DriveReading)
    assert dict(result.metrics) == {
        Metric.WRITE_ERRORS_UNCORRECTED: 2,
        Metric.READ_ERRORS_UNCORRECTED: 3,
        Metric.VERIFY_ERRORS_UNCORRECTED: 4,
        Metric.TEMPERATURE_CELSIUS: 41,
        Metric.TEMPERATURE_CRITICAL_CELSIUS: 65,
    }


def test_255_degrees_is_no_temperature() -> None:
    """smartmontools scsi source: 255 means not available."""
    document = {**SCSI, "smart_status": {"passed": True}, "temperature": {"current": 255}}
    result = parse(json.dumps(document), node="/dev/sdb", observed_at=NOW)
    assert isinstance(result, DriveReading)
    assert result.metrics == ()
