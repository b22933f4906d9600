"""The command as a whole: help, wrong words, and errors in one sentence."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit
from watcher.cli.main import COMMANDS, PARTS


@pytest.mark.parametrize("name", [None, *COMMANDS])
def test_every_command_has_help_that_says_what_it_does(name: str | None) -> None:
    status, text = command(None, *([name] if name else []), "--help")
    assert status == 0
    assert text.startswith("Usage: midwatch")
    assert len(text.splitlines()) > 5


def test_the_help_lists_every_command_once_in_one_column() -> None:
    assert sorted(name for _, names in PARTS for name in names) == sorted(COMMANDS)
    _, text = command(None, "--help")
    said = [text.index(f" {words}\n") for _, _, words in COMMANDS.values()]
    assert len({at - text.rindex("\n", 0, at) for at in said}) == 1


@pytest.mark.parametrize("name", [None, *COMMANDS])
def test_no_help_cuts_a_sentence_or_is_wider_than_its_terminal(
    name: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 80 columns, in the lists of commands too."""
    monkeypatch.setenv("COLUMNS", "80")
    _, text = command(None, *([name] if name else []), "--help")
    body = text.partition("Options:")[2]
    assert "..." not in body
    assert [line for line in text.splitlines() if len(line) > 80] == []


def test_a_wrong_option_is_told_in_a_sentence() -> None:
    status, text = command(None, "look", "--sideways")
    assert status == Exit.WRONG_WORDS
    assert "--sideways" in text


@pytest.mark.parametrize(
    ("word", "meant"), [("loook", "look"), ("maintenence", "maintenance"), ("RECOVERY", "recovery")]
)
def test_a_word_that_is_no_command_is_told_with_the_one_that_is_near(word: str, meant: str) -> None:
    status, text = command(None, word)
    assert status == Exit.WRONG_WORDS
    assert f"There is no command “{word}”. Did you mean {meant}?" in text


def test_a_word_that_is_near_to_nothing_gets_no_guess() -> None:
    status, text = command(None, "zzzz")
    assert (status, "Did you mean" in text) == (Exit.WRONG_WORDS, False)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_an_output_without_room_is_no_fault_of_ours() -> None:
    with Path("/dev/full").open("wb") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "watcher.cli", "rules"],
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
            timeout=60,
        )
    assert ran.returncode == Exit.REFUSED
    assert ran.stderr.decode().startswith("The output could not be written: ")


def test_who_names_the_settings_behind_the_command_is_told_where_they_stand() -> None:
    status, text = command(None, "look", "--config", "x.yaml")
    assert status == Exit.WRONG_WORDS
    assert "before the command: midwatch --config FILE COMMAND" in text


def test_faulty_settings_are_refused_with_every_fault(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text("survey:\n  every_minutes: never\nunknown_key: 1\n", encoding="utf-8")
    status, text = command(config, "cases")
    assert status == Exit.FAULTY_SETTINGS
    assert "line 2" in text
    assert "unknown_key" in text


def test_a_missing_state_says_what_to_do(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(f"state_directory: {tmp_path / 'none'}\n", encoding="utf-8")
    status, text = command(config, "cases")
    assert status == Exit.NO_STATE
    assert "midwatch watch" in text


def test_a_database_from_a_newer_version_is_refused_in_a_sentence(tmp_path: Path) -> None:
    config = prepare(tmp_path)
    with sqlite3.connect(tmp_path / "state" / "midwatch.db") as db:
        db.execute(
            "INSERT INTO schema_step SELECT 9999, name, ran_at FROM schema_step WHERE number = 1"
        )
    db.close()
    status, text = command(config, "cases")
    assert status == Exit.NO_STATE
    assert "newer" in text
    assert text.strip().count("\n") == 0


@pytest.mark.parametrize("closed", [">&-", "<&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_a_closed_input_or_output_is_no_fault_of_ours_and_the_store_stays_whole(
    tmp_path: Path, closed: str
) -> None:
    """Else the database would be opened in its place, and be written over by what is said."""
    config = prepare(tmp_path)
    line = f'exec "$0" -m watcher.cli --config "$1" cases {closed}'
    ran = subprocess.run(["/bin/sh", "-c", line, sys.executable, str(config)], check=False)
    assert ran.returncode == 0
    assert command(config, "cases")[0] == 0


@pytest.mark.parametrize(
    "words",
    [
        ("collect", "{}"),
        ("look", "--from", "{}"),
        ("bench", "{}"),
        ("replay", "{}"),
        ("hub", "backup", "{}"),
    ],
)
def test_a_file_that_cannot_even_be_asked_for_is_no_fault_of_ours(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    """A name that is too long, as one in a folder that only root may enter."""
    config = prepare(tmp_path)
    named = str(tmp_path / ("x" * 300))
    status, text = command(config, *(word.format(named) for word in words))
    assert status in {Exit.REFUSED, Exit.NOT_FOUND, Exit.WRONG_WORDS}, text
    assert "x" * 60 in text.replace("\n", "")
