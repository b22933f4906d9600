"""A drive on the bench at a terminal: from a device, a saved report, or what is known here."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.cli.state import command, prepare
from tests.readers.drive_samples import FOLDER
from watcher.cli.bench import look_at
from watcher.cli.exits import Exit, Stop
from watcher.cli.main import cli
from watcher.facts.drive import DriveReading
from watcher.service.clock import SystemClock

LONGEST_PAGE = 60
"""Lines of a page of print; common practice, no source."""


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("bench"))


@pytest.fixture
def alone(tmp_path: Path) -> Path:
    """Settings of a place where nothing was ever watched."""
    path = tmp_path / "midwatch.yaml"
    path.write_text(f"state_directory: {tmp_path / 'none'}\n")
    return path


@pytest.mark.parametrize("name", ["ata-after-self-test.json", "nvme-warning-01.txt"])
def test_a_saved_report_becomes_one_page_also_where_nothing_was_ever_watched(
    alone: Path, name: str
) -> None:
    status, text = command(alone, "bench", str(FOLDER / name), "--for", "Harbour")
    assert status == 0, text
    assert "Statement for Harbour" in text
    assert "the drive itself was not here" in text
    assert "never seen here before" in text
    assert "What was not tested" in text
    assert len(text.splitlines()) <= LONGEST_PAGE
    assert max(len(line) for line in text.splitlines()) <= 100


def test_a_drive_that_is_known_here_is_found_by_its_serial_with_its_past(config: Path) -> None:
    status, text = command(config, "bench", "BR4859")
    assert status == 0, text
    assert "Not asked now" in text
    assert "seen here first" in text
    assert len(text.splitlines()) <= LONGEST_PAGE


def test_what_names_nothing_is_not_found(config: Path, alone: Path) -> None:
    for where in (config, alone):
        for text in ("XYZZY-NOBODY", "/dev/does-not-exist"):
            assert command(where, "bench", text)[0] == Exit.NOT_FOUND


def test_a_file_that_is_no_report_is_refused_and_never_becomes_a_clean_sheet(
    alone: Path, tmp_path: Path
) -> None:
    for number, content in enumerate(("hello", "{}", '{"smartctl": {}}', "smartctl 7.3\n\ncut")):
        path = tmp_path / f"{number}.txt"
        path.write_text(content)
        status, text = command(alone, "bench", str(path))
        assert status == Exit.REFUSED, (content, text)
        assert "No sign" not in text


def test_a_report_in_json_says_itself_when_it_was_made(tmp_path: Path) -> None:
    document = json.loads((FOLDER / "ata-healthy.json").read_text())
    document["local_time"] = {"time_t": 1_700_000_000, "asctime": "then"}
    path = tmp_path / "report.json"
    path.write_text(json.dumps(document))
    found = look_at(str(path), "auto", SystemClock().now())
    assert found is not None
    assert isinstance(found.reading, DriveReading)
    assert found.reading.observed_at.timestamp() == 1_700_000_000
    document["local_time"] = {"time_t": "soon"}
    path.write_text(json.dumps(document))
    again = look_at(str(path), "auto", SystemClock().now())
    assert again is not None


def test_a_device_that_is_none_of_smartctls_is_told_as_unread(alone: Path) -> None:
    status, text = command(alone, "bench", "/dev/null")
    assert status == 0
    assert "could not be read: nothing can be said about its state" in text


def test_the_page_is_one_file_and_a_place_that_cannot_be_written_is_told(
    alone: Path, tmp_path: Path
) -> None:
    page = tmp_path / "drive.html"
    report = str(FOLDER / "ata-healthy.json")
    assert command(alone, "bench", report, "--page", str(page))[0] == 0
    assert "<style>:root" in page.read_text()
    done = CliRunner().invoke(
        cli, ["--config", str(alone), "bench", report, "--page", str(tmp_path / "no" / "x")]
    )
    assert isinstance(done.exception, Stop)
    assert done.exception.status is Exit.REFUSED
