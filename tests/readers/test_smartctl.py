"""One run per drive: readings, and seven kinds of no reading, by real and by recorded runs."""

from __future__ import annotations

import json
import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.drive_samples import (
    NOW,
    ROWS,
    TARGET,
    answer,
    ask,
    ata_answer,
    ata_document,
    ata_lines,
    program,
    recorded,
)
from watcher.facts.drive import (
    SAME_NAME,
    DriveIdentity,
    DriveReading,
    DriveUnread,
    Medium,
    Metric,
    Protocol,
    SelfTest,
    Unread,
    Verdict,
)
from watcher.facts.identity import DriveId
from watcher.readers.drive_target import DriveTarget
from watcher.readers.errors import CannotParse
from watcher.readers.host import Ended
from watcher.readers.recorded import RecordedHost
from watcher.readers.runner import RealHost
from watcher.readers.smartctl import command, parse, read_drive


def read(text: str) -> DriveReading:
    """Parse an answer that must be a reading."""
    result = parse(text, node="/dev/sdb", device_type="sat", observed_at=NOW)
    assert isinstance(result, DriveReading), result
    return result


def test_the_arguments_are_the_ones_laid_down() -> None:
    assert command(TARGET) == (
        "smartctl", "--json=co", "-a", "-n", "standby,3", "-d", "sat", "/dev/sdb",
    )  # fmt: skip
    assert "-n" not in command(TARGET, wake=True)
    deep = command(TARGET, deep=True)
    assert {"devstat", "scttempsts", "scterc", "defects", "background"} <= set(deep)
    assert deep[-3:] == ("-d", "sat", "/dev/sdb")


def test_a_whole_answer_is_a_reading_with_everything_in_it() -> None:
    reading = ask(0, ata_answer())
    assert isinstance(reading, DriveReading)
    assert reading.identity == DriveIdentity(
        drive=DriveId("wwn-50b0b0b000000042"),
        model="Hollerup HX-8000",
        serial="HX81-00042",
        wwn="0x50b0b0b000000042",
        firmware="0004",
        capacity_bytes=8001563222016,
        protocol=Protocol.ATA,
        medium=Medium.ROTATING,
        rotation_rpm=7200,
        logical_sector_bytes=512,
        physical_sector_bytes=4096,
    )
    assert (reading.bay, reading.node, reading.device_type) == ("top left", "/dev/sdb", "sat")
    assert reading.verdict is Verdict.PASSED
    assert dict(reading.metrics) == {
        Metric.REALLOCATED_SECTORS: 24,
        Metric.POWER_ON_HOURS: 17000,
        Metric.POWER_CYCLES: 61,
        Metric.REPORTED_UNCORRECTABLE: 4,
        Metric.TEMPERATURE_CELSIUS: 34,
        Metric.PENDING_SECTORS: 16,
        Metric.OFFLINE_UNCORRECTABLE: 16,
        Metric.INTERFACE_CRC_ERRORS: 7,
        Metric.ERROR_LOG_ENTRIES: 4,
    }
    assert reading.self_tests == (
        SelfTest(
            kind="Extended offline",
            passed=False,
            found_damage=True,
            power_on_hours=16990,
            first_bad_lba=123456789,
        ),
        SelfTest(
            kind="Short offline",
            passed=True,
            found_damage=False,
            power_on_hours=16000,
            first_bad_lba=None,
        ),
    )
    assert reading.doubts == ()
    assert reading.source == "smartctl 7.3"
    assert len(reading.attributes) == len(ROWS)


def test_recorded_answers_give_ids_verdicts_and_kinds() -> None:
    told = {}
    for name in (
        "ata-healthy.json",
        "ata-healthy-x.json",
        "ata-after-self-test.json",
        "nvme-healthy.json",
        "nvme-healthy-namespace.json",
        "scsi-warning-off.json",
    ):
        reading = read(recorded(name))
        told[name] = (reading.identity.drive, reading.identity.protocol, reading.verdict)
    assert told == {
        "ata-healthy.json": ("wwn-5000c500a0000000", Protocol.ATA, Verdict.PASSED),
        "ata-healthy-x.json": ("wwn-5000c500a0000000", Protocol.ATA, Verdict.PASSED),
        "ata-after-self-test.json": ("wwn-5000c500a0000000", Protocol.ATA, Verdict.PASSED),
        "nvme-healthy.json": ("QEMU_NVMe_Ctrl_QLNVME0000", Protocol.NVME, Verdict.PASSED),
        "nvme-healthy-namespace.json": ("QEMU_NVMe_Ctrl_QLNVME0000", Protocol.NVME, Verdict.PASSED),
        # the drive's own warning is switched off, so "passed" says nothing
        "scsi-warning-off.json": ("wwn-333333300000abe0", Protocol.SCSI, Verdict.UNKNOWN),
    }


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "{}",
        '{"smartctl":{}}',
        '{"smartctl":{"exit_status":true}}',
        '{"smartctl":{"exit_status":256}}',
        '{"smartctl":{"exit_status":0,"version":[7,3]},"device":{"protocol":"ATAPI"}}',
        "[" * 100_000,
        '{"smartctl":{"exit_status":0,"output":1},"device":{"protocol":"ATA"}}',
        '{"smartctl":{"exit_status":0},"device":{"protocol":"ATA"}}',
    ],
)
def test_what_is_no_whole_answer_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse(text, node="/dev/sdb", observed_at=NOW)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 0.99])
def test_a_cut_answer_is_garbled(share: float) -> None:
    text = ata_answer()
    result = ask(0, text[: int(len(text) * share)])
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.GARBLED


def test_bits_of_history_are_no_failure_and_bit_three_is() -> None:
    """smartctl(8), EXIT STATUS: bits 6 and 7 are history, bit 3 is the drive's own verdict."""
    document = ata_document(status=0xC4)
    assert read(answer(document)).verdict is Verdict.PASSED
    document = ata_document(status=0x08)
    assert read(answer(document)).verdict is Verdict.FAILING


def test_the_exit_status_of_the_program_counts_too() -> None:
    result = ask(8, ata_answer())
    assert isinstance(result, DriveReading)
    assert result.verdict is Verdict.FAILING
    assert result.doubts == ("smartctl ended with status 8 but tells 0.",)


def test_a_name_that_another_drive_tells_too_gives_way_to_the_place() -> None:
    document = ata_document(serial="0123456789ABCDEF")
    del document["wwn"]
    shared = DriveId("Hollerup_HX-8000_0123456789ABCDEF")
    here = DriveIdentity(drive=DriveId(f"{shared}_at_sdb"), model="Dock", serial="0123456789ABCDEF")
    for told, expected in ((shared, here.drive), (DriveId("Dock_0123456789ABCDEF"), shared)):
        target = DriveTarget(node="/dev/sdb", known=here, shared=told)
        found = parse(answer(document), node="/dev/sdb", observed_at=NOW, target=target)
        assert isinstance(found, DriveReading)
        assert found.identity.drive == expected  # a bridge may hide a drive that tells its own
        assert (SAME_NAME in found.doubts) is (told == shared)


def test_an_unknown_serial_falls_back_on_the_block_layer() -> None:
    document = ata_document(serial="")
    del document["wwn"]
    host = RecordedHost(programs={command(TARGET): (0, answer(document), "")})
    result = read_drive(host, TARGET, observed_at=NOW)
    assert isinstance(result, DriveReading)
    assert result.identity.drive == "wwn-50b0b0b000000042"
    assert any("no serial number" in doubt for doubt in result.doubts)


# Real runs: a program named smartctl is first on the PATH.


def host_with(folder: Path, monkeypatch: pytest.MonkeyPatch, body: str, **how: Any) -> RealHost:
    """Give a real host on which ``smartctl`` is a small program."""
    program(folder, "smartctl", body)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    return RealHost(**how)


def test_a_real_run_reads_a_drive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "answer").write_text(ata_answer())
    body = f'echo "$@" > {tmp_path}/asked; cat {tmp_path}/answer'
    result = read_drive(host_with(tmp_path, monkeypatch, body), TARGET, observed_at=NOW)
    assert isinstance(result, DriveReading)
    assert (tmp_path / "asked").read_text().split() == list(command(TARGET)[1:])


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("kill -SEGV $$", Unread.GARBLED),
        ("head -c 300 {answer}", Unread.GARBLED),
        ("head -c 500 /dev/urandom", Unread.GARBLED),
        ("exit 0", Unread.GARBLED),
        ("yes", Unread.GARBLED),
    ],
)
def test_a_broken_program_is_no_healthy_drive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, body: str, why: Unread
) -> None:
    (tmp_path / "answer").write_text(ata_answer())
    body = body.format(answer=tmp_path / "answer")
    host = host_with(tmp_path, monkeypatch, body, output_limit_bytes=200_000)
    result = read_drive(host, TARGET, observed_at=NOW, limit_seconds=20)
    assert isinstance(result, DriveUnread)
    assert result.why is why


def test_a_hung_program_is_left_after_its_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    host = host_with(tmp_path, monkeypatch, "sleep 60")
    started = time.monotonic()
    result = read_drive(host, TARGET, observed_at=NOW, limit_seconds=0.5)
    assert time.monotonic() - started < 5
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.HUNG


def test_a_drive_stuck_in_the_kernel_is_not_asked_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wait inside the kernel, which no signal ends, is played by a killer that does nothing."""
    body = f"echo $$ >> {tmp_path}/pids; sleep 60"
    host = host_with(tmp_path, monkeypatch, body, kill=lambda _pid: None, grace_seconds=0.1)
    first = read_drive(host, TARGET, observed_at=NOW, limit_seconds=0.5)
    second = read_drive(host, TARGET, observed_at=NOW, limit_seconds=0.5)
    pids = (tmp_path / "pids").read_text().split()
    os.killpg(int(pids[0]), signal.SIGKILL)
    until = time.monotonic() + 5
    while host.run(("true",), lane=TARGET.lane).ended is Ended.STUCK:
        assert time.monotonic() < until
    assert len(pids) == 1
    assert isinstance(first, DriveUnread)
    assert isinstance(second, DriveUnread)
    assert (first.why, second.why) == (Unread.HUNG, Unread.HUNG)
    assert "still hangs" in second.detail


def test_a_missing_program_names_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr("watcher.readers.runner.EXTRA_FOLDERS", ())
    result = read_drive(RealHost(), TARGET, observed_at=NOW)
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.TOOL_MISSING
    assert "smartmontools" in result.detail


def test_a_program_that_may_not_be_run_is_forbidden(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "smartctl").mkdir()
    folder = tmp_path / "bin"
    folder.mkdir()
    target = folder / "smartctl"
    target.write_text("not a program")
    target.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    result = read_drive(RealHost(), TARGET, observed_at=NOW)
    assert isinstance(result, DriveUnread)
    assert result.why is Unread.FORBIDDEN


# Properties.


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        parse(text, node="/dev/sdb", observed_at=NOW)
    except CannotParse:
        return


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)


def _paths(document: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [at] if at else []
    if isinstance(document, dict):
        for key in document:
            found += _paths(document[key], (*at, key))
    elif isinstance(document, list):
        for index in range(len(document)):
            found += _paths(document[index], (*at, index))
    return found


PATHS = _paths(ata_document())


@given(st.sampled_from(PATHS), JSON)
def test_any_value_in_any_place_is_read_or_refused(path: tuple[Any, ...], value: Any) -> None:
    document = ata_document()
    place: Any = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    try:
        parse(json.dumps(document), node="/dev/sdb", observed_at=NOW)
    except CannotParse:
        return


DAMAGE = (
    Metric.REALLOCATED_SECTORS,
    Metric.REPORTED_UNCORRECTABLE,
    Metric.PENDING_SECTORS,
    Metric.OFFLINE_UNCORRECTABLE,
)

BAD = ata_document(
    tuple((n, name, 5 if n == 5 else v, w, t, raw, s) for n, name, v, w, t, raw, s in ROWS),
    passed=False,
    status=0x18,
)
WHOLE = ata_answer(BAD)


def looks_no_better(text: str) -> None:
    """Check that a damaged answer is refused, or says nothing better than the whole one."""
    whole = read(WHOLE)
    try:
        result = parse(text, node="/dev/sdb", device_type="sat", observed_at=NOW)
    except CannotParse:
        return
    if isinstance(result, DriveUnread):
        return
    assert result.verdict is not Verdict.PASSED
    for metric in DAMAGE:
        number = result.metric(metric)
        assert number is None or number >= (whole.metric(metric) or 0)


@given(st.integers(0, len(WHOLE) - 1))
def test_a_cut_answer_never_looks_better(length: int) -> None:
    looks_no_better(WHOLE[:length])


@given(st.integers(0, len(WHOLE) - 1), st.characters(min_codepoint=32, max_codepoint=126))
def test_one_changed_letter_never_makes_a_drive_look_better(place: int, letter: str) -> None:
    looks_no_better(WHOLE[:place] + letter + WHOLE[place + 1 :])


@given(st.integers(0, len(WHOLE) - 1), st.integers(0, 400))
def test_a_missing_piece_never_makes_a_drive_look_better(start: int, length: int) -> None:
    looks_no_better(WHOLE[:start] + WHOLE[start + length :])


def test_a_number_changed_in_the_json_alone_is_found_out_by_the_text() -> None:
    lines = ata_lines(BAD)
    for row in BAD["ata_smart_attributes"]["table"]:
        if row["id"] == 197:
            other = json.loads(json.dumps(BAD))
            other["ata_smart_attributes"]["table"][7]["raw"] = {"value": 0, "string": "0"}
            with pytest.raises(CannotParse, match="differ"):
                parse(answer(other, lines), node="/dev/sdb", observed_at=NOW)
