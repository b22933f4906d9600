"""An invented drive tells programs and people the same."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from watcher.demo.drives import SimDrive
from watcher.facts.drive import DriveReading, Metric
from watcher.readers.smartctl import parse


def test_its_answer_is_read_without_a_doubt() -> None:
    drive = SimDrive(
        letter="a",
        bay="1",
        model="Altair A8",
        serial="X1",
        wwn=0x5000A1400000005A,
        capacity_bytes=8_001_563_222_016,
        hours=9_000,
        pending=16,
        crc=3,
    )
    text = drive.answer(("smartctl", "--json=co", "-a", "/dev/sda"))
    assert json.loads(text)["serial_number"] == "X1"
    at = datetime(2026, 3, 2, tzinfo=UTC)
    reading = parse(text, node="/dev/sda", device_type="sat", observed_at=at)
    assert isinstance(reading, DriveReading)
    assert reading.doubts == ()
    assert reading.metric(Metric.PENDING_SECTORS) == 16
    assert reading.metric(Metric.INTERFACE_CRC_ERRORS) == 3
    assert reading.identity.drive == "wwn-5000a1400000005a"
