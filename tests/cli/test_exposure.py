"""How long, how likely, and what habits change."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("exposure"))


def test_an_open_window_is_told_with_its_parts_and_choices(config: Path) -> None:
    status, text = command(config, "exposure", "orchard")
    assert status == 0
    for words in ("What takes time", "rebuild", "What you can choose, the best", "chance"):
        assert words in text, words


def test_a_narrow_terminal_is_enough(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is wider than 80 columns, whatever a choice costs."""
    monkeypatch.setenv("COLUMNS", "80")
    for words in (("exposure", "orchard"), ("plan", "orchard"), ("recovery", "orchard")):
        _, text = command(config, *words)
        assert [line for line in text.splitlines() if len(line) > 80] == []


def test_programs_get_numbers(config: Path) -> None:
    found = json.loads(command(config, "exposure", "orchard", "--json")[1])
    chance = found["chance_of_loss"]
    assert 0 <= chance["low"] <= chance["likely"] <= chance["high"] <= 1
    window = found["window"]
    assert window["earliest"] <= window["likely"] <= window["latest"]


def test_a_rehearsal_on_paper_is_called_one(config: Path) -> None:
    status, text = command(config, "exposure", "cellar", "--if-lost", "bay 7")
    assert status == 0
    assert text.startswith("A rehearsal on paper")


def test_a_drive_of_another_pool_cannot_be_lost_by_this_one(config: Path) -> None:
    assert command(config, "exposure", "cellar", "--if-lost", "bay 1")[0] == Exit.REFUSED


def test_a_pool_that_is_not_there_names_those_that_are(config: Path) -> None:
    status, text = command(config, "exposure", "meadow")
    assert status == Exit.NOT_FOUND
    assert "orchard" in text


def test_habits_are_ranked(config: Path) -> None:
    status, text = command(config, "plan", "orchard", "--quick")
    assert status == 0
    assert "chance of losing data" in text
    assert "the most helpful first" in text


def test_a_drive_that_is_out_already_is_not_lost_again_on_paper(config: Path) -> None:
    status, text = command(config, "exposure", "orchard", "--if-lost", "bay 5")
    assert status == Exit.REFUSED
    assert "is out already: midwatch exposure orchard tells how it stands." in text
