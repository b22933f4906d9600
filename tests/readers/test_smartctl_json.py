"""The parts of smartctl's JSON, by kind of drive."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from tests.readers.drive_samples import ROWS, ata_document, recorded
from watcher.facts.drive import Metric, Protocol, SelfTest, Verdict
from watcher.readers.drive_report import Report
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_json import gigabytes_of, report_of

SAS: dict[str, Any] = {
    "device": {"protocol": "SCSI"},
    "scsi_vendor": "TARNWAY",
    "scsi_product": "TW10K-SAS",
    "scsi_model_name": "TARNWAY TW10K-SAS",
    "serial_number": "TW77",
    "logical_unit_id": "0x50b0b0b000000077",
    "rotation_rate": 10500,
    "user_capacity": {"bytes": 1200243695616},
    "smart_support": {"available": True, "enabled": True},
    "smart_status": {"passed": False, "scsi": {"asc": 93, "ascq": 20, "ie_string": "..."}},
    "temperature": {"current": 41, "drive_trip": 65},
    "power_on_time": {"hours": 40350, "minutes": 2},
    "scsi_start_stop_cycle_counter": {
        "accumulated_start_stop_cycles": 135,
        "accumulated_load_unload_cycles": 2311,
    },
    "scsi_grown_defect_list": 4310,
    "scsi_pending_defects": {"count": 21},
    "scsi_error_counter_log": {
        "read": {"gigabytes_processed": "27805.729", "total_uncorrected_errors": 17},
        "write": {"gigabytes_processed": "9378.908", "total_uncorrected_errors": 2},
        "verify": {"gigabytes_processed": "0.016", "total_uncorrected_errors": 1},
    },
    "scsi_self_test_0": {
        "code": {"value": 2, "string": "Background long"},
        "result": {"value": 7, "string": "Failed in segment"},
        "power_on_time": {"hours": 40349},
        "lba_first_failure": {"value": 45121345},
    },
}


def report(document: dict[str, Any], status: int = 0) -> Report:
    return report_of(document, status)


def nvme(**changes: Any) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(recorded("nvme-healthy.json"))
    document["nvme_smart_health_information_log"].update(changes)
    return document


def test_a_sas_drive_is_read_in_full() -> None:
    told = report(SAS)
    assert told.verdict is Verdict.FAILING
    assert told.metrics == {
        Metric.GROWN_DEFECTS: 4310,
        Metric.READ_ERRORS_UNCORRECTED: 17,
        Metric.WRITE_ERRORS_UNCORRECTED: 2,
        Metric.VERIFY_ERRORS_UNCORRECTED: 1,
        Metric.BYTES_READ: 27_805_729_000_000,
        Metric.BYTES_WRITTEN: 9_378_908_000_000,
        Metric.PENDING_SECTORS: 21,
        Metric.POWER_CYCLES: 135,
        Metric.LOAD_CYCLES: 2311,
        Metric.TEMPERATURE_CELSIUS: 41,
        Metric.TEMPERATURE_CRITICAL_CELSIUS: 65,
        Metric.POWER_ON_HOURS: 40350,
    }
    assert told.self_tests == [
        SelfTest(
            kind="Background long",
            passed=False,
            found_damage=True,
            power_on_hours=40349,
            first_bad_lba=45121345,
        )
    ]
    assert told.id_model == "TW10K-SAS"


def test_the_block_layer_and_smartctl_agree_without_a_wwn() -> None:
    """The block layer calls a SCSI disk by its product alone, without the vendor."""
    document = copy.deepcopy(SAS)
    del document["logical_unit_id"]
    assert report(document).identity("/dev/sda", "scsi").drive == "TW10K-SAS_TW77"


def test_a_new_spelling_of_wear_means_the_same() -> None:
    for part in (
        {"scsi_percentage_used_endurance_indicator": 7},
        {"endurance_used": {"current_percent": 7}},
    ):
        assert report({**SAS, **part}).metrics[Metric.WEAR_PERCENT] == 7


@pytest.mark.parametrize("degrees", [0, 255])
def test_no_sensor_is_no_temperature(degrees: int) -> None:
    document = {**SAS, "temperature": {"current": degrees}}
    assert Metric.TEMPERATURE_CELSIUS not in report(document).metrics


def test_nvme_wear_may_pass_one_hundred_and_is_no_failure_by_itself() -> None:
    """NVM Express, Percentage Used: 100 is the rated life; it may pass that."""
    for used in (100, 150, 255):
        told = report(nvme(percentage_used=used))
        assert (told.metrics[Metric.WEAR_PERCENT], told.verdict) == (used, Verdict.PASSED)


def test_nvme_zero_kelvin_is_no_sensor() -> None:
    document = nvme(temperature=-273)
    document["temperature"]["current"] = -273
    assert Metric.TEMPERATURE_CELSIUS not in report(document).metrics


def test_nvme_zero_units_are_not_reported() -> None:
    told = report(nvme(data_units_read=3, data_units_written=0))
    assert told.metrics[Metric.BYTES_READ] == 3 * 512_000
    assert Metric.BYTES_WRITTEN not in told.metrics


def test_a_missing_health_log_leaves_the_verdict_open() -> None:
    document = nvme()
    del document["nvme_smart_health_information_log"]
    told = report(document)
    assert told.verdict is Verdict.UNKNOWN
    assert told.doubts == ["The drive did not give its health log."]


@pytest.mark.parametrize("name", ["media_errors", "critical_warning", "percentage_used"])
def test_half_a_health_log_is_refused(name: str) -> None:
    document = nvme()
    del document["nvme_smart_health_information_log"][name]
    with pytest.raises(CannotParse):
        report(document)


def test_nvme_limits_and_self_tests_of_newer_versions_are_read() -> None:
    document = nvme()
    document["nvme_composite_temperature_threshold"] = {"warning": 77, "critical": 85}
    document["nvme_self_test_log"] = {
        "current_self_test_operation": {"value": 1, "string": "Short self-test in progress"},
        "current_self_test_completion_percent": 30,
        "table": [
            {
                "self_test_code": {"value": 1, "string": "Short"},
                "self_test_result": {"value": 7, "string": "Completed: failed segments"},
                "power_on_hours": 12,
                "lba": 99,
            }
        ],
    }
    told = report(document)
    assert told.metrics[Metric.TEMPERATURE_WARNING_CELSIUS] == 77
    assert told.metrics[Metric.TEMPERATURE_CRITICAL_CELSIUS] == 85
    assert told.self_test_remaining_percent == 70
    assert told.self_tests[0].found_damage


def test_device_statistics_count_only_when_they_are_valid() -> None:
    """ACS, general purpose log 04h: a row is valid only with its flag."""
    document = ata_document()
    row = {"offset": 8, "name": "x", "value": 3, "flags": {"valid": True}}
    document["ata_device_statistics"] = {
        "pages": [
            {"number": 7, "table": [row]},
            {"number": 5, "table": [{**row, "offset": 0x58, "flags": {"valid": False}}]},
        ]
    }
    told = report(document)
    assert told.metrics[Metric.WEAR_PERCENT] == 3
    assert Metric.TEMPERATURE_WARNING_CELSIUS not in told.metrics


def test_sectors_in_doubt_are_found_where_no_attribute_counts_them() -> None:
    """ACS: statistics page 3 (candidates for reallocation), log 0Ch (pending defects).

    Of open reports 423 have the statistic and no attribute 197, and nine of those count 8 there.
    """
    document = ata_document(tuple(row for row in ROWS if row[0] != 197))
    assert Metric.PENDING_SECTORS not in report(document).metrics
    row = {"offset": 0x38, "value": 8, "flags": {"valid": True}}
    statistics = {"pages": [{"number": 3, "table": [row]}]}
    log = {"size": 255, "count": 3, "table": [{"lba": 8582610, "power_on_hours": 11040}]}
    for more, expected in (
        ({"ata_device_statistics": statistics}, 8),
        ({"ata_pending_defects_log": log}, 3),
        ({"ata_pending_defects_log": log, "ata_device_statistics": statistics}, 8),
    ):
        assert report({**document, **more}).metrics[Metric.PENDING_SECTORS] == expected
    whole = {**ata_document(), "ata_device_statistics": statistics}
    assert report(whole).metrics[Metric.PENDING_SECTORS] == 16, "the attribute leads"


def test_a_running_self_test_tells_what_is_left() -> None:
    document = ata_document()
    document["ata_smart_data"]["self_test"]["status"] = {"value": 0xF3, "remaining_percent": 30}
    assert report(document).self_test_remaining_percent == 30


def test_a_self_test_whose_number_and_words_differ_is_refused() -> None:
    document = ata_document()
    log = document["ata_smart_self_test_log"]["standard"]["table"]
    log[0]["status"]["string"] = "Completed without error"
    with pytest.raises(CannotParse, match="differ"):
        report(document)


@pytest.mark.parametrize("string", [None, "", "Completed", "Aborted (by user command)"])
def test_a_sas_self_test_whose_number_and_words_differ_is_refused(string: str | None) -> None:
    document = copy.deepcopy(SAS)
    document["scsi_self_test_0"]["result"]["string"] = string
    with pytest.raises(CannotParse, match="differ"):
        report(document)


@pytest.mark.parametrize("change", [{"id": 0}, {"id": 256}, {"id": None}, {"name": None}])
def test_a_row_that_is_no_attribute_is_refused_and_not_passed_over(change: dict[str, Any]) -> None:
    document = ata_document()
    document["ata_smart_attributes"]["table"][1] |= change
    with pytest.raises(CannotParse, match="attribute"):
        report(document)


def test_a_critical_warning_that_is_no_byte_is_refused() -> None:
    with pytest.raises(CannotParse, match="no byte"):
        report(nvme(critical_warning=0x100))


def test_the_drives_own_limits_are_read() -> None:
    document = ata_document()
    document["temperature"] = {
        "current": 34,
        "op_limit_max": 60,
        "limit_max": 70,
        "lifetime_max": 51,
    }
    told = report(document).metrics
    assert told[Metric.TEMPERATURE_WARNING_CELSIUS] == 60
    assert told[Metric.TEMPERATURE_CRITICAL_CELSIUS] == 70
    assert told[Metric.TEMPERATURE_HIGHEST_CELSIUS] == 51


def test_a_drive_without_its_table_says_so() -> None:
    document = ata_document()
    del document["ata_smart_attributes"]
    told = report(document)
    assert told.doubts == ["The drive did not give its attribute table."]
    assert Metric.REALLOCATED_SECTORS not in told.metrics


def test_every_kind_of_drive_has_a_protocol() -> None:
    assert report(SAS).protocol is Protocol.SCSI
    assert report(nvme()).protocol is Protocol.NVME
    assert report(ata_document()).protocol is Protocol.ATA


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("27805.729", 27_805_729_000_000),
        ("10311,154", 10_311_154_000_000),
        ("3", 3_000_000_000),
        ("", None),
        ("1.2.3", None),
        ("²", None),
        ("9" * 40, None),
    ],
)
def test_amounts_in_billions_are_read_exactly(text: str, amount: int | None) -> None:
    assert gigabytes_of(text) == amount


def test_a_switched_off_warning_leaves_failing_failing() -> None:
    document = {**SAS, "smart_support": {"available": True, "enabled": False}}
    assert report(document).verdict is Verdict.FAILING
    document["smart_status"] = {"passed": True}
    assert report(document).verdict is Verdict.UNKNOWN


def test_a_sensor_of_the_environment_page_fills_in() -> None:
    document = {**SAS, "scsi_environmental_reports": {"temperature_1": {"current": 40}}}
    del document["temperature"]
    assert report(document).metrics[Metric.TEMPERATURE_CELSIUS] == 40


def test_an_nvme_self_test_whose_number_and_words_differ_is_refused() -> None:
    document = nvme()
    result = {"value": 7, "string": "Completed without error"}
    document["nvme_self_test_log"] = {
        "table": [{"self_test_code": {"string": "Short"}, "self_test_result": result}]
    }
    with pytest.raises(CannotParse, match="differ"):
        report(document)


def test_a_sas_drive_that_tells_no_error_count_is_doubted() -> None:
    silent = ("scsi_error_counter_log", "scsi_grown_defect_list", "scsi_pending_defects")
    told = report({key: part for key, part in SAS.items() if key not in silent})
    assert told.doubts == ["The drive did not give its error counters."]
    assert report(SAS).doubts == []
