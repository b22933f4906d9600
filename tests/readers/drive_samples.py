"""Answers of smartctl for tests: recorded ones, and made ones of invented drives.

A made answer is written twice, as JSON and as the text that smartctl prints, by the two writers
below; both follow the recorded answers of smartctl 7.3 in the folder ``drives``.
"""

from __future__ import annotations

import json
import stat
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from watcher.facts.drive import DriveIdentity, DriveReading, DriveUnread
from watcher.facts.identity import DriveId
from watcher.readers.drive_target import DriveTarget
from watcher.readers.recorded import RecordedHost
from watcher.readers.smartctl import command, read_drive

FOLDER = Path(__file__).parent / "drives"
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
SHARED = Path(__file__).resolve().parents[2] / ".." / "shared"

BANNER = [
    "smartctl 7.3 2022-02-28 r5338 [x86_64-linux-6.1.0] (local build)",
    "Copyright (C) 2002-22, Bruce Allen, Christian Franke, www.smartmontools.org",
    "",
]

Row = tuple[int, str, int, int, int, int, str]
"""Number, name, value, worst, threshold, raw, raw as text."""

ROWS: tuple[Row, ...] = (
    (1, "Raw_Read_Error_Rate", 100, 100, 6, 110643976, "110643976"),
    (5, "Reallocated_Sector_Ct", 100, 100, 10, 24, "24"),
    (9, "Power_On_Hours", 81, 81, 0, 17000, "17000"),
    (12, "Power_Cycle_Count", 100, 100, 20, 61, "61"),
    (187, "Reported_Uncorrect", 96, 96, 0, 4, "4"),
    (190, "Airflow_Temperature_Cel", 66, 50, 45, 572654626, "34 (Min/Max 30/34)"),
    (194, "Temperature_Celsius", 34, 50, 0, 34, "34 (0 18 0 0 0)"),
    (197, "Current_Pending_Sector", 100, 100, 0, 16, "16"),
    (198, "Offline_Uncorrectable", 100, 100, 0, 16, "16"),
    (199, "UDMA_CRC_Error_Count", 200, 199, 0, 7, "7"),
)


def recorded(name: str) -> str:
    """Give a recorded answer."""
    return (FOLDER / name).read_text()


def exit_status(document: dict[str, Any]) -> int:
    return int(document["smartctl"]["exit_status"])


def ata_document(
    rows: Sequence[Row] = ROWS, *, passed: bool = True, status: int = 0, serial: str = "HX81-00042"
) -> dict[str, Any]:
    """Make the JSON of an invented ATA drive."""
    table = [
        {
            "id": number,
            "name": name,
            "value": value,
            "worst": worst,
            "thresh": threshold,
            "when_failed": "now" if threshold and value <= threshold else "",
            "flags": {"value": 51, "string": "PO--CK ", "prefailure": number in {1, 5}},
            "raw": {"value": raw, "string": text},
        }
        for number, name, value, worst, threshold, raw, text in rows
    ]
    return {
        "json_format_version": [1, 0],
        "smartctl": {"version": [7, 3], "exit_status": status},
        "device": {"name": "/dev/sdb", "type": "sat", "protocol": "ATA"},
        "model_name": "Hollerup HX-8000",
        "serial_number": serial,
        "wwn": {"naa": 5, "oui": 0x0B0B0B, "id": 0x42},
        "firmware_version": "0004",
        "user_capacity": {"blocks": 15628053168, "bytes": 8001563222016},
        "logical_block_size": 512,
        "physical_block_size": 4096,
        "rotation_rate": 7200,
        "in_smartctl_database": False,
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": passed},
        "ata_smart_data": {
            "self_test": {"status": {"value": 0, "string": "completed without error"}}
        },
        "ata_smart_attributes": {"revision": 10, "table": table},
        "power_on_time": {"hours": 17000},
        "power_cycle_count": 61,
        "temperature": {"current": 34},
        "ata_smart_error_log": {"summary": {"revision": 1, "count": 4}},
        "ata_smart_self_test_log": {
            "standard": {
                "revision": 1,
                "table": [
                    {
                        "type": {"value": 2, "string": "Extended offline"},
                        "status": {
                            "value": 121,
                            "string": "Completed: read failure",
                            "remaining_percent": 90,
                            "passed": False,
                        },
                        "lifetime_hours": 16990,
                        "lba": 123456789,
                    },
                    {
                        "type": {"value": 1, "string": "Short offline"},
                        "status": {"value": 0, "string": "Completed without error", "passed": True},
                        "lifetime_hours": 16000,
                    },
                ],
                "count": 2,
            }
        },
    }


def ata_lines(document: dict[str, Any]) -> list[str]:
    """Write the text of an ATA document, with the attribute table in the old form."""
    name = document["wwn"]
    lines = [
        *BANNER,
        "=== START OF INFORMATION SECTION ===",
        f"Device Model:     {document['model_name']}",
        f"Serial Number:    {document['serial_number']}",
        f"LU WWN Device Id: {name['naa']:x} {name['oui']:06x} {name['id']:09x}",
        f"Firmware Version: {document['firmware_version']}",
        f"User Capacity:    {document['user_capacity']['bytes']:,} bytes [8.00 TB]",
        "Sector Sizes:     512 bytes logical, 4096 bytes physical",
        f"Rotation Rate:    {document['rotation_rate']} rpm",
        "Device is:        Not in smartctl database 7.3/5319",
        "ATA Version is:   ACS-3 T13/2161-D revision 5",
        "SMART support is: Available - device has SMART capability.",
        "SMART support is: Enabled",
        "",
        "=== START OF READ SMART DATA SECTION ===",
        "SMART overall-health self-assessment test result: "
        + ("PASSED" if document["smart_status"]["passed"] else "FAILED!"),
        "",
        "General SMART Values:",
        "Error logging capability:        (0x01)	Error logging supported.",
        "",
        "SMART Attributes Data Structure revision number: 10",
        "Vendor Specific SMART Attributes with Thresholds:",
        (
            "ID# ATTRIBUTE_NAME          FLAG     VALUE WORST THRESH TYPE      UPDATED  "
            "WHEN_FAILED RAW_VALUE"
        ),
    ]
    for row in document["ata_smart_attributes"]["table"]:
        kind = "Pre-fail" if row["flags"]["prefailure"] else "Old_age "
        said = {"": "-", "now": "FAILING_NOW", "past": "In_the_past"}[row["when_failed"]]
        lines.append(
            f"{row['id']:3d} {row['name']:<24}0x0033   {row['value']:03d}   {row['worst']:03d}   "
            f"{row['thresh']:03d}    {kind}  Always  {said:>10}       {row['raw']['string']}"
        )
    count = document["ata_smart_error_log"]["summary"]["count"]
    lines += [
        "",
        "SMART Error Log Version: 1",
        f"ATA Error Count: {count}" if count else "No Errors Logged",
        "",
        "SMART Self-test log structure revision number 1",
        (
            "Num  Test_Description    Status                  Remaining  LifeTime(hours)  "
            "LBA_of_first_error"
        ),
    ]
    for number, test in enumerate(document["ata_smart_self_test_log"]["standard"]["table"], 1):
        left = test["status"].get("remaining_percent", 0)
        lines.append(
            f"#{number:2d}  {test['type']['string']:<19} {test['status']['string']:<26} "
            f"{left:02d}%  {test['lifetime_hours']:8d}         {test.get('lba', '-')}"
        )
    return [*lines, ""]


def answer(document: dict[str, Any], lines: Sequence[str] | None = None) -> str:
    """Write the answer as ``--json=co`` does, with the text embedded when there is one."""
    head = dict(document["smartctl"])
    if lines is not None:
        head["output"] = list(lines)
    return json.dumps({**document, "smartctl": head}, separators=(",", ":"))


def ata_answer(document: dict[str, Any] | None = None) -> str:
    """Write a whole ATA answer with its text."""
    document = document or ata_document()
    return answer(document, ata_lines(document))


def program(folder: Path, name: str, body: str) -> Path:
    """Write a small shell program."""
    path = folder / name
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


TARGET = DriveTarget(
    node="/dev/sdb",
    device_type="sat",
    bay="top left",
    known=DriveIdentity(
        drive=DriveId("wwn-50b0b0b000000042"),
        model="Hollerup HX-8000",
        serial="HX81-00042",
        capacity_bytes=8001563222016,
    ),
)


def ask(status: int, stdout: str, stderr: str = "") -> DriveReading | DriveUnread:
    """Read a drive on a host that answers so."""
    host = RecordedHost(programs={command(TARGET): (status, stdout, stderr)})
    return read_drive(host, TARGET, observed_at=NOW)
