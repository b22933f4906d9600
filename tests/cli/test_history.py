"""What is known of drives."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("history"))


def test_history_shows_what_a_bay_reported(config: Path) -> None:
    status, text = command(config, "history", "bay 3")
    assert status == 0
    assert "temperature" in text
    assert "read 4 times" in text


def test_history_writes_csv(config: Path) -> None:
    _, text = command(config, "history", "bay 3", "--metric", "pending-sectors", "--csv")
    lines = text.splitlines()
    assert lines[0] == "metric,at,lasts_seconds,last,lowest,highest"
    assert lines[1].startswith("pending-sectors,")


def test_a_span_that_is_none_is_refused(config: Path) -> None:
    assert command(config, "history", "bay 3", "--since", "soon")[0] == Exit.WRONG_WORDS


def test_a_drive_without_a_sign_is_not_called_well(config: Path) -> None:
    _, text = command(config, "drive", "AL4785")
    assert "fail within 30 days" in text
    assert "It shows no sign." in text
    assert "No sign does not mean that the drive is sound" in " ".join(text.split())


def test_the_inventory_keeps_a_drive_that_left(config: Path) -> None:
    _, text = command(config, "drives")
    (gone,) = [line for line in text.splitlines() if "BR4859" in line]
    assert "expected" in gone


def test_a_retired_drive_is_expected_no_more_and_comes_back(config: Path) -> None:
    assert "not expected any more" in command(config, "retire", "BR4859")[1]
    assert "retired" in command(config, "drives")[1]
    assert "expected again" in command(config, "retire", "BR4859", "--back")[1]


def test_a_stranger_is_not_found(config: Path) -> None:
    status, text = command(config, "drive", "nobody")
    assert status == Exit.NOT_FOUND
    assert "midwatch drives" in text
