"""Two readers of one answer watch each other."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from tests.readers.drive_samples import (
    NOW,
    SHARED,
    answer,
    ata_answer,
    ata_document,
    ata_lines,
    recorded,
)
from watcher.facts.drive import DriveReading, Metric, Protocol, Recovery, Verdict
from watcher.readers.errors import CannotParse
from watcher.readers.second_reader import device_of
from watcher.readers.smartctl import parse

FIXTURES = SHARED / "data" / "pysmart_fixtures" / "open" / "singletests"


def read(text: str, *, deep: bool = False) -> DriveReading:
    result = parse(text, node="/dev/sdb", observed_at=NOW, deep=deep)
    assert isinstance(result, DriveReading)
    return result


def nvme(bits: str) -> str:
    """Join the recorded JSON and text of one state, as ``--json=co`` gives them."""
    document: dict[str, Any] = json.loads(recorded(f"nvme-warning-{bits}.json"))
    return answer(document, recorded(f"nvme-warning-{bits}.txt").splitlines())


@pytest.mark.parametrize("bits", ["01", "02", "08", "16"])
def test_recorded_pairs_agree_and_the_text_adds_the_limits(bits: str) -> None:
    reading = read(nvme(bits), deep=True)
    assert reading.metric(Metric.TEMPERATURE_WARNING_CELSIUS) == 70
    assert reading.metric(Metric.TEMPERATURE_CRITICAL_CELSIUS) == 100
    assert reading.verdict is (Verdict.UNKNOWN if bits == "02" else Verdict.FAILING)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("Critical Warning:                   0x08", "Critical Warning:                   0x00"),
        ("Media and Data Integrity Errors:    0", "Media and Data Integrity Errors:    9"),
        ("QLNVME0000", "QLNVME0009"),
    ],
)
def test_a_difference_is_damage_and_nothing_is_used(old: str, new: str) -> None:
    document = json.loads(recorded("nvme-warning-08.json"))
    text = recorded("nvme-warning-08.txt")
    assert old in text
    with pytest.raises(CannotParse):
        read(answer(document, text.replace(old, new).splitlines()))


def test_a_text_that_is_no_use_is_a_doubt_and_takes_nothing_away() -> None:
    document = ata_document()
    reading = read(answer(document, ["smartctl of another age"]))
    assert reading.metrics == read(answer(document)).metrics
    assert "used as a check" in reading.doubts[0]


def test_a_verdict_that_the_drive_did_not_give_is_taken_back() -> None:
    """Behind bridges smartctl looks at the attributes itself; only the text says so."""
    document = ata_document()
    lines = ata_lines(document)
    at = next(i for i, line in enumerate(lines) if "overall-health" in line)
    lines.insert(at + 1, "Warning: This result is based on an Attribute check.")
    assert read(answer(document, lines)).verdict is Verdict.UNKNOWN


def test_pysmart_reads_the_embedded_text_without_a_run() -> None:
    document = ata_document()
    device = device_of(ata_lines(document), Protocol.ATA, "/dev/sdb")
    assert device is not None
    assert (device.model, device.serial) == ("Hollerup HX-8000", "HX81-00042")
    assert device.assessment == "PASS"


def test_pysmarts_stumbling_is_no_failure_of_the_drive() -> None:
    """pySMART 1.4.3 takes a cut verdict line for FAIL and may raise on a cut table."""
    lines = ata_lines(ata_document())
    at = next(i for i, line in enumerate(lines) if "overall-health" in line)
    cut = [*lines[:at], lines[at][:-2]]
    device = device_of(cut, Protocol.ATA, "/dev/sdb")
    assert device is None or device.assessment != "PASS"
    reading = read(answer(ata_document(), cut), deep=True)
    assert reading.verdict is Verdict.PASSED
    assert reading.doubts


def test_a_deep_poll_of_a_healthy_drive_has_no_doubts() -> None:
    assert read(ata_answer(), deep=True).doubts == ()


@pytest.mark.parametrize(
    ("passed", "status", "words", "verdict"),
    [
        (True, 0, "UNKNOWN!", Verdict.UNKNOWN),
        (False, 8, "UNKNOWN!", Verdict.FAILING),
        (None, 0, "FAILED!", Verdict.FAILING),
        (None, 0, "PASSED", Verdict.UNKNOWN),
    ],
)
def test_of_a_verdict_and_not_known_the_worse_counts(
    passed: bool | None, status: int, words: str, verdict: Verdict
) -> None:
    document = ata_document(passed=bool(passed), status=status)
    lines = [
        line.replace("PASSED", words).replace("FAILED!", words) for line in ata_lines(document)
    ]
    if passed is None:
        document["smart_status"] = {}
    assert read(answer(document, lines)).verdict is verdict


def test_opposite_verdicts_are_damage() -> None:
    lines = [line.replace("PASSED", "FAILED!") for line in ata_lines(ata_document())]
    with pytest.raises(CannotParse, match="opposite"):
        read(answer(ata_document(), lines))


def test_what_pysmart_cannot_read_says_nothing_of_the_drive() -> None:
    """pySMART 1.4.3 raises on the brief form of the table; JSON and text are used all the same.

    A doubt would be a note to the owner that part of the drive's answer is odd, which is not so.
    """
    lines = []
    for line in ata_lines(ata_document()):
        parts = line.split(None, 9)
        if len(parts) == 10 and parts[2] == "0x0033":
            flags = "PO--CK" if parts[6] == "Pre-fail" else "-O--CK"
            line = " ".join([*parts[:2], flags, *parts[3:6], "-", parts[9]])  # noqa: PLW2901
        lines.append(line)
    assert device_of(lines, Protocol.ATA, "/dev/sdb") is None
    reading = read(answer(ata_document(), lines), deep=True)
    assert reading.doubts == ()
    assert reading.metric(Metric.REALLOCATED_SECTORS) == 24


def test_pysmart_must_read_the_same_drive() -> None:
    lines = ata_lines(ata_document())
    at = next(i for i, line in enumerate(lines) if line.startswith("Serial Number"))
    lines.insert(at + 1, "Serial Number:    HX81-00043")
    assert read(answer(ata_document(), lines)).doubts == ()
    (doubt,) = read(answer(ata_document(), lines), deep=True).doubts
    assert "another serial number" in doubt


RECOVERY = {
    "7 seconds": ({"enabled": True, "deciseconds": 70}, "     70 (7.0 seconds)"),
    "a comma": ({"enabled": True, "deciseconds": 70}, "     70 (7,0 seconds)"),
    "a minute": ({"enabled": True, "deciseconds": 600}, "    600 (60.0 seconds)"),
    "none": ({"enabled": False}, " Disabled"),
}
"""As smartctl prints them: the text as in the open reports (linuxhw), the JSON from memory of its
sources; the names ata_sct_erc, deciseconds and write stand in the program of version 7.3."""


def told_recovery(
    read_part: str, write_part: str, *, as_json: bool = True, as_text: bool = True
) -> Recovery | None:
    """Read an answer that tells how long the drive tries, in one form or in both."""
    document = ata_document()
    lines = ata_lines(document)
    if as_text:
        lines += [
            "SCT Error Recovery Control:",
            f"           Read:{RECOVERY[read_part][1]}",
            f"          Write:{RECOVERY[write_part][1]}",
            "",
        ]
    if as_json:
        parts = {"read": RECOVERY[read_part][0], "write": RECOVERY[write_part][0]}
        document |= {"ata_sct_erc": parts}
    return read(answer(document, lines), deep=True).recovery


@pytest.mark.parametrize("forms", [(True, True), (True, False), (False, True)])
@pytest.mark.parametrize(
    ("parts", "limit"),
    [
        (("7 seconds", "7 seconds"), 7_000),
        (("a comma", "a comma"), 7_000),
        (("7 seconds", "a minute"), 60_000),
        (("none", "none"), None),
        (("7 seconds", "none"), None),  # 21 of the open reports
    ],
)
def test_of_two_times_of_recovery_the_longer_counts(
    parts: tuple[str, str], limit: int | None, forms: tuple[bool, bool]
) -> None:
    found = told_recovery(*parts, as_json=forms[0], as_text=forms[1])
    assert found == Recovery(limit_milliseconds=limit)


def test_a_drive_that_cannot_be_given_a_limit_says_so_in_the_text_alone() -> None:
    for said in ("SCT Error Recovery Control command not supported", "SCT Commands not supported"):
        lines = [*ata_lines(ata_document()), said, ""]
        found = read(answer(ata_document(), lines)).recovery
        assert found == Recovery(limit_milliseconds=None, knows_limit=False)


def test_a_time_of_recovery_that_is_not_told_in_full_is_not_known() -> None:
    assert read(ata_answer()).recovery is None
    for said in (
        ["SCT Commands not supported if ATA Security is LOCKED"],
        ["SCT Error Recovery Control:", "           Read:     70 (7.0 seconds)"],
        ["SCT Error Recovery Control:"],
        ["SCT Error Recovery Control:", "           Read: often", "          Write: Disabled"],
    ):
        lines = [*ata_lines(ata_document()), *said, ""]
        assert read(answer(ata_document(), lines)).recovery is None
    off, on = {"enabled": False}, {"enabled": True, "deciseconds": 70}
    for parts in (
        {"read": off},
        {"read": on, "write": {}},
        {"read": {"enabled": True}, "write": on},
    ):
        assert read(answer(ata_document() | {"ata_sct_erc": parts})).recovery is None


def test_two_times_of_recovery_in_one_answer_are_damage() -> None:
    document = ata_document() | {"ata_sct_erc": {p: {"enabled": False} for p in ("read", "write")}}
    lines = [
        *ata_lines(document),
        "SCT Error Recovery Control:",
        "           Read:     70 (7.0 seconds)",
        "          Write:     70 (7.0 seconds)",
        "",
    ]
    with pytest.raises(CannotParse, match="recovery"):
        read(answer(document, lines))


def test_a_self_test_log_that_differs_is_a_doubt() -> None:
    document = ata_document()
    lines = [line for line in ata_lines(document) if "read failure" not in line]
    assert read(answer(document, lines)).doubts == (
        "The self-test log in the text differs from that in the JSON.",
    )


def test_a_self_test_that_only_the_text_has_is_taken() -> None:
    document = ata_document()
    whole = copy.deepcopy(document)
    del document["ata_smart_self_test_log"]
    assert len(read(answer(document, ata_lines(whole))).self_tests) == 2


@pytest.mark.skipif(not FIXTURES.is_dir(), reason=f"no recordings in {FIXTURES}")
def test_pysmart_reads_its_own_recordings_through_us() -> None:
    read_count = 0
    for path in sorted(FIXTURES.glob("*/*--all*")):
        lines = path.read_bytes().decode("utf-8", "replace").splitlines()
        kind = Protocol.NVME if "nvme" in path.name else Protocol.ATA
        kind = Protocol.SCSI if "_scsi_" in path.name else kind
        device = device_of(lines, kind, "/dev/sda")
        read_count += device is not None and device.model is not None
    assert read_count >= 19
