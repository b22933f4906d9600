"""Saved reports are read, passed over, or named with what is wrong; none goes missing."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from watcher.demo.drives import SimDrive
from watcher.readers import saved_reports
from watcher.readers.errors import CannotRead
from watcher.readers.saved_reports import time_of

SAID = "Local Time is:    "
WRITTEN = datetime(2026, 3, 9, 8, 30, tzinfo=UTC)


def report(
    serial: str = "PLOUGH0001", *, pending: int = 0, uncorrectable: int = 0, said: str = ""
) -> str:
    """Give what smartctl would print of an invented drive."""
    drive = SimDrive(
        letter="a", bay="1", model="Corvid Plough 4000", serial=serial, wwn=0x5A0B0C0000000101,
        capacity_bytes=4_000_787_030_016, hours=20_000, pending=pending,
        uncorrectable=uncorrectable,
    )  # fmt: skip
    lines = drive.text()
    if said:
        lines.insert(12, f"Local Time is:    {said}")
    return "\n".join(lines) + "\n"


def put(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    os.utime(path, (WRITTEN.timestamp(), WRITTEN.timestamp()))
    return path


@pytest.mark.parametrize(
    ("text", "name", "expected"),
    [
        (f"{SAID}Mon Mar  2 12:05:00 2026 CET\n", "2020-01-01.txt", "2026-03-02T12:05:00"),
        ("", "sda-2026-03-02.txt", "2026-03-02T00:00:00"),
        ("", "20260302/sda.txt", "2026-03-02T00:00:00"),
        ("", "2026-13-02.txt", WRITTEN.replace(tzinfo=None).isoformat()),
        ("", "serial-120260302.txt", WRITTEN.replace(tzinfo=None).isoformat()),
        (f"{SAID}Xxx Foo  2 12:05:00 2026 CET\n", "x", "2026-03-09T08:30:00"),
        ("", "2026-02-31.txt", "2026-03-09T08:30:00"),
    ],
)
def test_the_time_is_the_reports_own_else_the_names_else_the_files(
    text: str, name: str, expected: str
) -> None:
    assert time_of(text, name, WRITTEN) == datetime.fromisoformat(expected).replace(tzinfo=UTC)


def test_a_folder_is_read_with_its_folders(tmp_path: Path) -> None:
    put(tmp_path / "a.txt", report(said="Mon Mar  2 12:05:00 2026 UTC"))
    put(tmp_path / "deeper" / "b.txt", report("PLOUGH0002", pending=8))
    put(tmp_path / "notes.txt", "call ben\n")
    put(tmp_path / ".hidden", report("PLOUGH0003"))
    put(tmp_path / "cut.txt", report("PLOUGH0004")[:900])
    (tmp_path / "link.txt").symlink_to(tmp_path / "a.txt")
    found = saved_reports.read(tmp_path)
    assert [r.identity.serial for r in found.readings] == ["PLOUGH0001", "PLOUGH0002"]
    assert [r.node for r in found.readings] == ["a.txt", "deeper/b.txt"]
    assert found.readings[1].observed_at == WRITTEN
    assert [r.file for r in found.refused] == ["cut.txt"]
    assert found.passed_over == 1


def test_a_report_that_holds_no_data_says_so(tmp_path: Path) -> None:
    head = report().splitlines()[0]
    put(tmp_path / "a.txt", f"{head}\n\nDevice is in STANDBY mode, exit(2)\n")
    (unread,) = saved_reports.read(tmp_path / "a.txt").unread
    assert unread.why.value == "asleep"


def test_a_huge_file_is_passed_over(tmp_path: Path) -> None:
    put(tmp_path / "a.txt", report() + " " * saved_reports.LARGEST_BYTES)
    assert saved_reports.read(tmp_path).passed_over == 1


def test_what_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(CannotRead, match="No such file"):
        saved_reports.read(tmp_path / "nothing")


def test_too_many_files_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(saved_reports, "MOST_FILES", 1)
    put(tmp_path / "a.txt", report())
    put(tmp_path / "b.txt", report("PLOUGH0002"))
    with pytest.raises(CannotRead, match="more than 1 files"):
        saved_reports.read(tmp_path)


def test_what_may_not_be_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(tmp_path / "a.txt", report())

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(CannotRead, match=r"a\.txt may not be read"):
        saved_reports.read(path)
