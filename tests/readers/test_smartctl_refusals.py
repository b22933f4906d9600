"""Each refusal of smartctl is an answer of its own, with the next step in it."""

from __future__ import annotations

import json

import pytest

from tests.readers.drive_samples import NOW, TARGET, answer, ask, ata_document, recorded
from watcher.facts.drive import DriveUnread, Unread
from watcher.readers.recorded import RecordedHost
from watcher.readers.smartctl import parse, read_drive


def test_a_drive_without_smart_is_there_and_blind() -> None:
    result = parse(recorded("scsi-no-smart.json"), node="/dev/sda", observed_at=NOW)
    assert isinstance(result, DriveUnread)
    assert (result.why, result.drive) == (Unread.NO_SMART, "wwn-5000c500b0000000")
    assert (result.model, result.serial) == ("QLAB SASDISK", "QLSCSI0000")
    assert result.capacity_bytes == 134217728


def test_smart_that_is_switched_off_is_named_with_the_remedy() -> None:
    document = ata_document()
    document["smart_support"]["enabled"] = False
    del document["smart_status"]
    result = ask(0, answer(document))
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.NO_SMART
    assert "smartctl -s on -d sat /dev/sdb" in result.detail


def refusal(status: int, *lines: str) -> str:
    """Write smartctl's answer when it got nothing, as version 7.3 on this kind of machine does."""
    return json.dumps(
        {
            "json_format_version": [1, 0],
            "smartctl": {
                "version": [7, 3],
                "output": list(lines),
                "messages": [{"string": lines[-1], "severity": "error"}],
                "exit_status": status,
            },
        }
    )


@pytest.mark.parametrize(
    ("status", "line", "why", "words"),
    [
        (3, "Device is in STANDBY mode, exit(3)", Unread.ASLEEP, "left asleep"),
        (3, "Device is in SLEEP mode, exit(3)", Unread.ASLEEP, "left asleep"),
        (3, "Words of a newer version", Unread.ASLEEP, "left asleep"),
        (2, "Device is in STANDBY mode, exit(2)", Unread.ASLEEP, "left asleep"),
        (
            2,
            "Smartctl open device: /dev/sdb failed: Permission denied",
            Unread.FORBIDDEN,
            "run as root",
        ),
        (
            2,
            "Smartctl open device: /dev/sdb failed: No such device",
            Unread.VANISHED,
            "cable, bay and power",
        ),
        (
            2,
            "Read Device Identity failed: scsi error aborted command",
            Unread.VANISHED,
            "does not answer",
        ),
        (1, "/dev/sdb: Unable to detect device type", Unread.NO_SMART, "virtual disk"),
        (1, "/dev/sdb: Unknown USB bridge [0x1234:0x5678 (0x100)]", Unread.NO_SMART, "USB bridge"),
        (1, "/dev/sdb: Unknown device type 'satt'", Unread.GARBLED, "correct it"),
        (
            2,
            "Smartctl open device: /dev/sdb [SAT] failed: Operation not permitted",
            Unread.FORBIDDEN,
            "run as root",
        ),
        (1, "Something new", Unread.GARBLED, "Something new"),
        # a RAID controller's own disk, and a bridge that passes nothing on, are no loose cables
        (
            2,
            "DELL or MegaRaid controller, please try adding '-d megaraid,N'",
            Unread.NO_SMART,
            "type that smartctl proposes: DELL or MegaRaid controller",
        ),
        (
            2,
            "Read Device Identity failed: scsi error unsupported scsi opcode",
            Unread.NO_SMART,
            "passes no SMART on",
        ),
        (
            2,
            "Read NVMe Identify Controller failed: scsi error unsupported field in scsi command",
            Unread.NO_SMART,
            "passes no SMART on",
        ),
    ],
)
def test_each_refusal_is_its_own_answer_with_the_next_step(
    status: int, line: str, why: Unread, words: str
) -> None:
    result = ask(status, refusal(status, line))
    assert isinstance(result, DriveUnread)
    assert result.why is why
    assert words in result.detail
    assert "\n" not in result.detail
    assert (result.drive, result.bay) == ("wwn-50b0b0b000000042", "top left")


def test_the_reason_is_quoted_and_not_the_advice_after_it() -> None:
    """Both lines as smartctl prints them (ataprint.cpp, from memory)."""
    advice = (
        "A mandatory SMART command failed: exiting. To continue, add one or more '-T permissive' "
        "options."
    )
    result = ask(2, refusal(2, "Read Device Identity failed: Input/output error", "", advice))
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.VANISHED
    assert "(smartctl says: Read Device Identity failed: Input/output error)" in result.detail


def test_a_controller_that_cannot_be_reached_is_no_loose_cable() -> None:
    said = (
        "Smartctl open device: /dev/bus/0 [megaraid_disk_09] failed: cannot open "
        "/dev/megaraid_sas_ioctl_node or /dev/megadev0"
    )
    result = ask(2, refusal(2, said))
    assert isinstance(result, DriveUnread)
    assert (result.why, "cable" in result.detail) == (Unread.FORBIDDEN, False)
    assert "driver" in result.detail


def test_an_old_smartctl_is_told_apart_from_a_broken_drive() -> None:
    said = "smartctl 6.6\n=======> UNRECOGNIZED OPTION: json=co\n"
    result = ask(1, said)
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.TOOL_MISSING
    assert "too old" in result.detail


def test_a_recording_without_the_drive_is_blind() -> None:
    result = read_drive(RecordedHost(), TARGET, observed_at=NOW)
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.TOOL_MISSING
    assert "recording" in result.detail
