"""How long the kernel waits for a drive."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.drive_samples import NOW, answer, ata_document
from watcher.facts.drive import DriveReading, Recovery
from watcher.readers.errors import CannotParse
from watcher.readers.kernel_wait import add_waits, parse
from watcher.readers.recorded import RecordedHost
from watcher.readers.smartctl import parse as parse_smartctl

TIMEOUT = "/sys/block/sdb/device/timeout"
TOLD = {"ata_sct_erc": {part: {"enabled": False} for part in ("read", "write")}}


def reading(*, node: str = "/dev/sdb", kind: str = "sat", told: bool = True) -> DriveReading:
    document = ata_document() | (TOLD if told else {})
    found = parse_smartctl(answer(document), node=node, device_type=kind, observed_at=NOW)
    assert isinstance(found, DriveReading)
    return found


def waits(files: dict[str, str], one: DriveReading) -> Recovery | None:
    (found,) = add_waits(RecordedHost(files=files), [one], None)
    return found.recovery


def test_the_wait_stands_beside_what_the_drive_told() -> None:
    """Seconds and a line end (from memory of the kernel's drivers/scsi/scsi_sysfs.c)."""
    assert waits({TIMEOUT: "30\n"}, reading()) == Recovery(
        limit_milliseconds=None, kernel_seconds=30
    )


@pytest.mark.parametrize("files", [{}, {TIMEOUT: ""}, {TIMEOUT: "thirty\n"}, {TIMEOUT: "0\n"}])
def test_a_wait_that_is_not_told_is_not_known(files: dict[str, str]) -> None:
    assert waits(files, reading()) == Recovery(limit_milliseconds=None)


def test_nothing_is_asked_for_a_drive_that_does_not_tell() -> None:
    one = reading(told=False)
    assert add_waits(RecordedHost(files={TIMEOUT: "30\n"}), [one], None) == (one,)


def test_behind_a_controller_the_wait_is_not_the_drives() -> None:
    assert waits({TIMEOUT: "30\n"}, reading(kind="megaraid,4")) == Recovery(limit_milliseconds=None)


@given(st.text())
def test_any_text_is_seconds_or_cannot_be_parsed(text: str) -> None:
    with suppress(CannotParse):
        assert parse(text) > 0
