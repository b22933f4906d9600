"""What identifies a drive, and what does not."""

from __future__ import annotations

import pytest

from watcher.facts.identity import (
    Subject,
    SubjectKind,
    about_drive,
    about_pool,
    about_source,
    drive_id,
)


@pytest.mark.parametrize(
    "written",
    ["0x5000c500a0000000", "5000c500a0000000", "5 000c50 0a0000000", "naa.5000C500A0000000"],
)
def test_a_world_wide_name_is_the_same_however_it_is_written(written: str) -> None:
    assert drive_id(wwn=written, model="M", serial="S") == "wwn-5000c500a0000000"


@pytest.mark.parametrize(
    "nothing", [None, "", "0x0000000000000000", "ffffffffffffffff", "5000000000000000", "eui.12"]
)
def test_without_a_world_wide_name_model_and_serial_identify(nothing: str | None) -> None:
    assert drive_id(wwn=nothing, model="Altair A8", serial=" X 1 ") == "Altair_A8_X_1"
    assert drive_id(wwn=nothing, model=None, serial="X1") == "X1"


@pytest.mark.parametrize("serial", [None, "", "   ", "0000000"])
def test_a_model_alone_identifies_nothing(serial: str | None) -> None:
    assert drive_id(wwn=None, model="Altair A8", serial=serial) is None


def test_subjects_are_equal_for_the_same_thing_and_never_nameless() -> None:
    drive = drive_id(wwn=None, model=None, serial="X1")
    assert drive is not None
    assert about_drive(drive) == Subject(kind=SubjectKind.DRIVE, key="X1")
    assert str(about_source("kernel-log")) == "source:kernel-log"
    assert about_pool("md:1") != about_drive(drive)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="key"):
        Subject(kind=SubjectKind.BOX, key="")
