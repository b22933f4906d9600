"""Failures of SCSI disks. Sense keys and additional sense: SPC; wording: drivers/scsi."""

from __future__ import annotations

import pytest

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.scsi import read_scsi

M, C, L, G, N = (
    Category.MEDIUM,
    Category.CONTROLLER,
    Category.LINK,
    Category.GONE,
    Category.NOISE,
)


@pytest.mark.parametrize(
    ("body", "category", "what"),
    [
        ("tag#47 Sense Key : Medium Error [current] ", M, "unreadable-sector"),
        ("tag#47 Sense Key : 0x3 [current] ", M, "unreadable-sector"),  # without its names
        ("tag#47 Sense Key : 0xb [current] ", C, "device-aborted"),
        ("tag#47 ASC=0x11 ASCQ=0x0 ", M, "unreadable-sector"),
        ("tag#47 ASC=0x5d ASCQ=0x10 ", M, "drive-predicts-failure"),
        ("tag#47 ASC=0x47 ASCQ=0x3 ", L, "link-crc"),
        ("tag#47 Sense Key : Hardware Error [current] ", C, "drive-fault"),
        ("tag#47 Sense Key : Aborted Command [current] ", C, "device-aborted"),
        ("tag#47 Sense Key : Illegal Request [current] ", N, "command-not-supported"),
        ("tag#47 Sense Key : Unit Attention [current] ", N, "device-note"),
        ("tag#47 Sense Key : Not Ready [current] ", C, "device-not-ready"),
        ("tag#47 Add. Sense: Unrecovered read error", M, "unreadable-sector"),
        (
            "Add. Sense: Unrecovered read error - auto reallocate failed",
            M,
            "unreadable-sector",
        ),
        ("Add. Sense: Write error - auto reallocation failed", M, "unwritable-sector"),
        ("Add. Sense: Failure prediction threshold exceeded", M, "drive-predicts-failure"),
        ("Add. Sense: Information unit iuCRC error detected", L, "link-crc"),
        ("Add. Sense: Scsi parity error", L, "link-crc"),
        ("Add. Sense: Internal target failure", C, "drive-fault"),
        ("Add. Sense: Invalid command operation code", N, "command-not-supported"),
        ("Add. Sense: Logical unit not ready, cause not reportable", C, "device-not-ready"),
        ("tag#1 FAILED Result: hostbyte=DID_NO_CONNECT driverbyte=DRIVER_OK", G, "device-gone"),
        (
            "Synchronize Cache(10) failed: Result: hostbyte=DID_BAD_TARGET driverbyte=DRIVER_OK",
            G,
            "device-gone",
        ),
        ("tag#7 UNKNOWN(0x2003) Result: hostbyte=0x01 driverbyte=0x00", G, "device-gone"),
        ("FAILED Result: hostbyte=DID_TIME_OUT driverbyte=DRIVER_OK", C, "command-timeout"),
        ("FAILED Result: hostbyte=DID_PARITY driverbyte=DRIVER_OK", L, "link-crc"),
        ("Device offlined - not ready after error recovery", G, "offlined"),
        ("rejecting I/O to offline device", G, "device-gone"),
        ("attempting task abort! scmd(00000000abcdef)", C, "command-timeout"),
        ("Power-on or device reset occurred", C, "device-was-reset"),
        ("Stopping disk", N, "device-note"),
    ],
)
def test_a_line_of_a_disk_means(body: str, category: Category, what: str) -> None:
    parsed = read_scsi(f"sd 0:0:1:0: [sdb] {body}")
    assert parsed is not None
    assert (parsed.meaning.category, parsed.meaning.what) == (category, what)
    assert (parsed.meaning.device, parsed.address) == ("sdb", "0:0:1:0")


def test_a_failure_with_an_answer_waits_for_its_sense_data() -> None:
    line = "sd 0:0:1:0: [sdb] tag#47 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_SENSE"
    assert read_scsi(line) is None


def test_a_device_without_a_name_is_called_by_its_address() -> None:
    parsed = read_scsi("scsi 2:0:3:0: Device offlined - not ready after error recovery")
    assert parsed is not None
    assert parsed.meaning.device == "2:0:3:0"


def test_ordinary_lines_and_command_blocks_mean_nothing() -> None:
    for line in (
        "sd 0:0:0:0: [sda] tag#28 CDB: Read(10) 28 00 00 00 24 00 00 09 80 00",
        "sd 0:0:0:0: [sda] Attached SCSI disk",
        "sd 0:0:0:0: [sda] 262144 512-byte logical blocks: (134 MB/128 MiB)",
        "audit: type=1400",
    ):
        assert read_scsi(line) is None
