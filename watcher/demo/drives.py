"""Drives of our own invention, and what smartctl would print of them."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

SECTOR_BYTES = 512


@dataclass(slots=True)
class SimDrive:
    """One simulated hard disk. It changes as the story goes on."""

    letter: str  # where it is seen: "a" is /dev/sda
    bay: str
    model: str
    serial: str
    wwn: int  # 64 bits
    capacity_bytes: int
    hours: int
    celsius: int = 33
    reallocated: int = 0
    pending: int = 0
    uncorrectable: int = 0
    crc: int = 0
    timeouts: int = 0
    hangs: bool = False
    extra: dict[int, int] = field(default_factory=dict)

    @property
    def node(self) -> str:
        """Where it is seen."""
        return f"/dev/sd{self.letter}"

    @property
    def name(self) -> str:
        """Its kernel name."""
        return f"sd{self.letter}"

    @property
    def wwn_text(self) -> str:
        """Its World Wide Name as the block layer writes it."""
        return f"0x{self.wwn:016x}"

    def attributes(self) -> list[tuple[int, str, int, int, int, bool, int]]:
        """Give number, name, value, worst, threshold, prefail, raw of each attribute."""
        realloc = max(100 - self.reallocated // 8, 5)
        return [
            (5, "Reallocated_Sector_Ct", realloc, realloc, 10, True, self.reallocated),
            (9, "Power_On_Hours", max(100 - self.hours // 900, 1), 1, 0, False, self.hours),
            (12, "Power_Cycle_Count", 100, 100, 20, False, 41),
            (187, "Reported_Uncorrect", max(100 - self.uncorrectable, 1), 1, 0, False,
             self.uncorrectable),
            (188, "Command_Timeout", 100, 100, 0, False, self.timeouts),
            (194, "Temperature_Celsius", 100 - self.celsius, 40, 0, False, self.celsius),
            (197, "Current_Pending_Sector", 100, 100, 0, False, self.pending),
            (198, "Offline_Uncorrectable", 100, 100, 0, False, self.pending),
            (199, "UDMA_CRC_Error_Count", 200, 200, 0, False, self.crc),
        ]  # fmt: skip

    def text(self) -> list[str]:
        """Give the report as smartctl prints it for people."""
        wwn = f"{self.wwn >> 60:x} {self.wwn >> 36 & 0xFFFFFF:06x} {self.wwn & 0xFFFFFFFFF:09x}"
        lines = [
            "smartctl 7.4 2023-08-01 r5530 [x86_64-linux-6.8.0] (simulated)",
            "",
            "=== START OF INFORMATION SECTION ===",
            f"Device Model:     {self.model}",
            f"Serial Number:    {self.serial}",
            f"LU WWN Device Id: {wwn}",
            "Firmware Version: MW01",
            (
                f"User Capacity:    {self.capacity_bytes:,} bytes "
                f"[{self.capacity_bytes / 1e12:.2f} TB]"
            ),
            "Sector Sizes:     512 bytes logical, 4096 bytes physical",
            "Rotation Rate:    7200 rpm",
            "SMART support is: Available - device has SMART capability.",
            "SMART support is: Enabled",
            "",
            "=== START OF READ SMART DATA SECTION ===",
            "SMART overall-health self-assessment test result: PASSED",
            "",
            "SMART Attributes Data Structure revision number: 10",
            "Vendor Specific SMART Attributes with Thresholds:",
            (
                "ID# ATTRIBUTE_NAME          FLAG     VALUE WORST THRESH TYPE      UPDATED  "
                "WHEN_FAILED RAW_VALUE"
            ),
        ]
        for number, name, value, worst, threshold, prefail, raw in self.attributes():
            kind = "Pre-fail" if prefail else "Old_age "
            flag = "0x0033" if prefail else "0x0032"
            lines.append(
                f"{number:3} {name:<24}{flag:<8} {value:03}   {min(value, worst):03}   "
                f"{threshold:03}    {kind}  Always       -       {raw}"
            )
        return [*lines, ""]

    def document(self, argv: tuple[str, ...]) -> dict[str, Any]:
        """Give the report as smartctl prints it for programs."""
        table = [
            {
                "id": number,
                "name": name,
                "value": value,
                "worst": min(value, worst),
                "thresh": threshold,
                "when_failed": "",
                "flags": {"value": 51 if prefail else 50, "prefailure": prefail},
                "raw": {"value": raw, "string": str(raw)},
            }
            for number, name, value, worst, threshold, prefail, raw in self.attributes()
        ]
        return {
            "json_format_version": [1, 0],
            "smartctl": {
                "version": [7, 4],
                "argv": list(argv),
                "output": self.text(),
                "exit_status": 0,
            },
            "device": {
                "name": self.node,
                "info_name": f"{self.node} [SAT]",
                "type": "sat",
                "protocol": "ATA",
            },
            "model_name": self.model,
            "serial_number": self.serial,
            "wwn": {
                "naa": self.wwn >> 60,
                "oui": self.wwn >> 36 & 0xFFFFFF,
                "id": self.wwn & 0xFFFFFFFFF,
            },
            "firmware_version": "MW01",
            "user_capacity": {
                "blocks": self.capacity_bytes // SECTOR_BYTES,
                "bytes": self.capacity_bytes,
            },
            "logical_block_size": 512,
            "physical_block_size": 4096,
            "rotation_rate": 7200,
            "smart_support": {"available": True, "enabled": True},
            "smart_status": {"passed": True},
            "ata_smart_attributes": {"revision": 10, "table": table},
            "power_on_time": {"hours": self.hours},
            "power_cycle_count": 41,
            "temperature": {"current": self.celsius},
        }

    def answer(self, argv: tuple[str, ...]) -> str:
        """Give what ``smartctl --json=co -a`` writes."""
        return json.dumps(self.document(argv))
