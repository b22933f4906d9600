"""Saved reports are read like live answers, and a cut one never looks better than the whole."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.drive_samples import (
    BANNER,
    NOW,
    SHARED,
    ata_answer,
    ata_document,
    ata_lines,
    recorded,
)
from watcher.facts.drive import DriveReading, DriveUnread, Metric, Unread, Verdict
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl import parse as parse_live
from watcher.readers.smartctl_text import parse_text

FIXTURES = SHARED / "data" / "pysmart_fixtures" / "open" / "singletests"

SAS = "\n".join(
    [
        *BANNER,
        "=== START OF INFORMATION SECTION ===",
        "Vendor:               TARNWAY",
        "Product:              TW10K-SAS",
        "Revision:             B102",
        "Compliance:           SPC-4",
        "User Capacity:        1,200,243,695,616 bytes [1.20 TB]",
        "Logical block size:   512 bytes",
        "Rotation Rate:        10500 rpm",
        "Logical Unit id:      0x50b0b0b000000077",
        "Serial number:        TW77",
        "Device type:          disk",
        "Transport protocol:   SAS (SPL-4)",
        "SMART support is:     Available - device has SMART capability.",
        "SMART support is:     Enabled",
        "Temperature Warning:  Enabled",
        "",
        "=== START OF READ SMART DATA SECTION ===",
        (
            "SMART Health Status: FIRMWARE IMPENDING FAILURE TOO MANY BLOCK REASSIGNS "
            "[asc=5d, ascq=64]"
        ),
        "",
        "Current Drive Temperature:     41 C",
        "Drive Trip Temperature:        65 C",
        "",
        "Accumulated start-stop cycles:  135",
        "Accumulated load-unload cycles:  2,311",
        "Elements in grown defect list: 4310",
        "",
        "Error counter log:",
        "           Errors Corrected by           Total   Correction     Gigabytes    Total",
        "               ECC          rereads/    errors   algorithm      processed    uncorrected",
        "           fast | delayed   rewrites  corrected  invocations   [10^9 bytes]  errors",
        "read:    1031        2         0      1033       1035      27805.729          17",
        "write:      0        0         3         3          3       9378.908           2",
        "verify:    11        0         0        11         11          0.016           1",
        "",
        "Non-medium error count:     893",
        "",
        "  Pending defect count:21 Pending Defects",
        "SMART Self-test log",
        "Num  Test              Status                 segment  LifeTime  LBA_first_err [SK ASC ASQ]",  # noqa: E501
        "     Description                              number   (hours)",
        "# 1  Background long   Failed in segment -->       3   40349          45121345 [0x3 0x11 0x0]",  # noqa: E501
        "# 2  Background short  Completed                   -   40001                 - [-   -    -]",  # noqa: E501
        "",
        "Background scan results log",
        "  Status: scan is active",
        "    Accumulated power on time, hours:minutes 40350:02 [2421002 minutes]",
        "",
    ]
)


def read(text: str) -> DriveReading:
    result = parse_text(text, node="/dev/sdb", observed_at=NOW)
    assert isinstance(result, DriveReading), result
    return result


def test_a_saved_text_tells_the_same_as_the_live_answer() -> None:
    document = ata_document()
    live = parse_live(ata_answer(document), node="/dev/sdb", observed_at=NOW)
    assert isinstance(live, DriveReading)
    saved = read("\n".join(ata_lines(document)) + "\n")
    assert saved.identity == live.identity
    assert (saved.metrics, saved.self_tests) == (live.metrics, live.self_tests)
    assert (saved.verdict, saved.doubts) == (live.verdict, live.doubts)
    told = [(a.number, a.name, a.value, a.raw_text, a.failing_now) for a in saved.attributes]
    assert told == [(a.number, a.name, a.value, a.raw_text, a.failing_now) for a in live.attributes]


@pytest.mark.parametrize("bits", ["01", "02", "08", "16"])
def test_recorded_text_and_json_of_one_state_agree(bits: str) -> None:
    live = parse_live(recorded(f"nvme-warning-{bits}.json"), node="/dev/nvme0", observed_at=NOW)
    assert isinstance(live, DriveReading)
    saved = read(recorded(f"nvme-warning-{bits}.txt"))
    assert saved.verdict is live.verdict
    assert set(live.metrics) <= set(saved.metrics)  # the text also has the drive's limits


def test_a_sas_report_is_read_in_full() -> None:
    reading = read(SAS)
    assert reading.identity.drive == "wwn-50b0b0b000000077"
    assert reading.identity.model == "TARNWAY TW10K-SAS"
    assert reading.verdict is Verdict.FAILING
    assert dict(reading.metrics) == {
        Metric.TEMPERATURE_CELSIUS: 41,
        Metric.TEMPERATURE_CRITICAL_CELSIUS: 65,
        Metric.POWER_CYCLES: 135,
        Metric.LOAD_CYCLES: 2311,
        Metric.GROWN_DEFECTS: 4310,
        Metric.READ_ERRORS_UNCORRECTED: 17,
        Metric.WRITE_ERRORS_UNCORRECTED: 2,
        Metric.VERIFY_ERRORS_UNCORRECTED: 1,
        Metric.NON_MEDIUM_ERRORS: 893,
        Metric.PENDING_SECTORS: 21,
        Metric.POWER_ON_HOURS: 40350,
        Metric.BYTES_READ: 27_805_729_000_000,
        Metric.BYTES_WRITTEN: 9_378_908_000_000,
    }
    assert [(t.kind, t.passed, t.found_damage, t.first_bad_lba) for t in reading.self_tests] == [
        ("Background long", False, True, 45121345),
        ("Background short", True, False, None),
    ]


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        (["Device is in STANDBY mode, exit(2)"], Unread.ASLEEP),
        (["SMART support is:     Unavailable - device lacks SMART capability."], Unread.NO_SMART),
        (["Smartctl open device: /dev/sda failed: Permission denied"], Unread.FORBIDDEN),
        (["Smartctl open device: /dev/sda failed: No such device"], Unread.VANISHED),
    ],
)
def test_a_report_that_says_why_it_is_empty_is_blind(lines: list[str], why: Unread) -> None:
    result = parse_text("\n".join([*BANNER, *lines, ""]), node="/dev/sda", observed_at=NOW)
    assert isinstance(result, DriveUnread)
    assert result.why is why


def test_a_recorded_disk_without_smart_is_blind_and_named() -> None:
    result = parse_text(recorded("scsi-no-smart.txt"), node="/dev/sda", observed_at=NOW)
    assert isinstance(result, DriveUnread)
    assert (result.why, result.serial) == (Unread.NO_SMART, "QLSCSI0000")


def test_a_verdict_guessed_from_attributes_is_no_verdict() -> None:
    lines = ata_lines(ata_document())
    at = next(i for i, line in enumerate(lines) if "overall-health" in line)
    lines.insert(at + 1, "Warning: This result is based on an Attribute check.")
    reading = read("\n".join(lines) + "\n")
    assert reading.verdict is Verdict.UNKNOWN
    assert "gave no verdict" in reading.doubts[0]


@pytest.mark.parametrize(
    "text", ["", "\n", "not a report\n", "smartctl\n", "\n".join([*BANNER, "Hello:   x", ""])]
)
def test_what_is_no_report_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_text(text, node="/dev/sda", observed_at=NOW)


BAD_ATA = "\n".join(ata_lines(ata_document(passed=False))) + "\n"
SAMPLES = {"ata": BAD_ATA, "sas": SAS, "nvme": recorded("nvme-warning-08.txt")}
COUNTERS = (
    Metric.REALLOCATED_SECTORS,
    Metric.PENDING_SECTORS,
    Metric.OFFLINE_UNCORRECTABLE,
    Metric.REPORTED_UNCORRECTABLE,
    Metric.GROWN_DEFECTS,
    Metric.READ_ERRORS_UNCORRECTED,
    Metric.WRITE_ERRORS_UNCORRECTED,
    Metric.NON_MEDIUM_ERRORS,
    Metric.CRITICAL_WARNING,
    Metric.MEDIA_ERRORS,
    Metric.ERROR_LOG_ENTRIES,
)


@pytest.mark.parametrize("kind", SAMPLES)
def test_no_cut_makes_a_failing_drive_look_better(kind: str) -> None:
    """Every length is tried."""
    whole_text = SAMPLES[kind]
    whole = read(whole_text)
    assert whole.verdict is Verdict.FAILING
    for length in range(len(whole_text)):
        try:
            cut = parse_text(whole_text[:length], node="/dev/sdb", observed_at=NOW)
        except CannotParse:
            continue
        assert isinstance(cut, DriveReading)
        assert cut.verdict is Verdict.FAILING
        for metric in COUNTERS:
            assert cut.metric(metric) in {None, whole.metric(metric)}, (length, metric)


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        parse_text(text, node="/dev/sda", observed_at=NOW)
    except CannotParse:
        return


@given(
    st.sampled_from(sorted(SAMPLES)),
    st.lists(st.tuples(st.integers(0, 4000), st.text(max_size=6)), max_size=4),
)
def test_any_damaged_report_is_read_or_refused(kind: str, edits: list[tuple[int, str]]) -> None:
    text = SAMPLES[kind]
    for place, piece in edits:
        text = text[:place] + piece + text[place + len(piece) :]
    try:
        parse_text(text, node="/dev/sda", observed_at=NOW)
    except CannotParse:
        return


@given(st.sampled_from(sorted(SAMPLES)), st.randoms(use_true_random=False))
def test_lines_in_any_order_are_read_or_refused(kind: str, chance: object) -> None:
    lines = SAMPLES[kind].splitlines()
    chance.shuffle(lines)  # type: ignore[attr-defined]
    try:
        parse_text("\n".join(lines), node="/dev/sda", observed_at=NOW)
    except CannotParse:
        return


@pytest.mark.skipif(not FIXTURES.is_dir(), reason=f"no recordings in {FIXTURES}")
def test_recordings_are_read_as_their_makers_say() -> None:
    """pySMART 1.4.3's own recordings, each with the values its authors expect."""
    checked = 0
    for folder in sorted(FIXTURES.iterdir()):
        told = json.loads((folder / "device.json").read_bytes().decode("utf-8", "replace"))
        values = told["values"]
        for path in folder.iterdir():
            if "--all" not in path.name:
                continue
            text = Path(path).read_bytes().decode("utf-8", "replace")
            result = parse_text(text, node="/dev/sda", observed_at=NOW)
            checked += 1
            if values.get("assessment") is None:
                assert isinstance(result, DriveUnread), folder.name
                continue
            assert isinstance(result, DriveReading), folder.name
            assert result.identity.serial == values["serial"], folder.name
            assert result.verdict in {Verdict.PASSED, Verdict.UNKNOWN}, folder.name
            heat = values.get("temperature")
            if heat:
                assert result.metric(Metric.TEMPERATURE_CELSIUS) == heat, folder.name
    assert checked >= 20
