from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit

THINGS = """
irreplaceable:
  - name: photos
    paths: [/nowhere/photos]
    copies:
      - name: nas
        marker_file: /nowhere/nas/done
"""


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = prepare(tmp_path_factory.mktemp("ready"), lose="")
    made.write_text(made.read_text() + THINGS)
    return made


def test_the_card_says_in_sentences_what_is_lacking_and_what_to_do(config: Path) -> None:
    status, text = command(config, "ready")
    assert status == 0
    for words in ("No spare drive is ready", "Next: ", "Not looked at: whether a firmware"):
        assert words in text, text


def test_nothing_is_wider_than_a_narrow_terminal(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert [line for line in command(config, "ready")[1].splitlines() if len(line) > 80] == []


def test_programs_get_each_line_with_its_rule(config: Path) -> None:
    found = json.loads(command(config, "ready", "--json")[1])
    assert {line["topic"] for line in found["lines"]} >= {"shelf", "copies", "drill"}
    assert all(line["rule"] for line in found["lines"])


def test_a_restore_that_was_tried_is_written_down(config: Path) -> None:
    words = ("restored", "photos", "--from", "nas", "--by", "ada")
    status, text = command(config, *words, "--on", "2026-01-05", "--note", "one file, compared")
    told = "Written down: getting photos back from nas worked, 05 Jan 2026."
    assert (status, text.strip()) == (0, told)
    assert "did not work" in command(config, *words, "--failed")[1]


@pytest.mark.parametrize(
    ("day", "why"),
    [("2099-01-05", "has not come yet"), ("yesterday", "not a day"), ("05.01.2026", "not a day")],
)
def test_a_day_that_has_not_come_or_is_none_is_not_taken_for_today(
    config: Path, day: str, why: str
) -> None:
    status, text = command(
        config, "restored", "photos", "--from", "nas", "--by", "ada", "--on", day
    )
    assert (status, why in text) == (Exit.WRONG_WORDS, True), text


def test_a_thing_or_copy_that_is_not_declared_is_not_written_down(config: Path) -> None:
    thing = command(config, "restored", "letters", "--from", "nas", "--by", "ada")
    copy = command(config, "restored", "photos", "--from", "moon", "--by", "ada")
    assert thing[0] == copy[0] == Exit.NOT_FOUND
    assert "known are: photos" in thing[1]
    assert "known are: nas" in copy[1]


def test_without_a_survey_there_is_no_card(tmp_path: Path) -> None:
    empty = tmp_path / "m.yaml"
    empty.write_text(f"state_directory: {tmp_path}/none\n")
    assert command(empty, "ready")[0] == Exit.NO_STATE
