"""What people say on the command line: take, hand over, keep quiet."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return prepare(tmp_path)


@pytest.fixture
def number(config: Path) -> str:
    _, text = command(config, "cases", "--json")
    (case,) = [c for c in json.loads(text) if c["urgency"] != "note"]
    return str(case["number"])


def test_the_first_to_take_a_case_has_it_and_the_second_hears_who(
    config: Path, number: str
) -> None:
    status, text = command(config, "ack", number, "--until", "3h", "--by", "ada")
    assert status == 0
    assert f"Case {number} is yours until" in text
    status, text = command(config, "ack", number, "--until", "3h", "--by", "ben")
    assert status == 0
    assert f"ada has case {number} already" in text


def test_a_case_that_is_not_there_cannot_be_taken(config: Path) -> None:
    status, text = command(config, "ack", "99", "--by", "ada")
    assert status == Exit.NOT_FOUND
    assert "There is no case 99. midwatch cases --all lists them." in text
    assert command(config, "hand-over", "99", "ben", "--by", "ada")[0] == Exit.NOT_FOUND


def test_a_case_goes_to_somebody_known_only(config: Path, number: str) -> None:
    status, text = command(config, "hand-over", number, "ben", "--by", "ada", "--note", "away")
    assert status == 0
    assert f"ben is told that case {number} is theirs" in text
    status, text = command(config, "hand-over", number, "zed", "--by", "ada")
    assert status == Exit.REFUSED
    assert "known are: ada, ben" in text


@pytest.mark.parametrize(
    ("scope", "words"),
    [
        (["--drive", "bay 2"], "the drive Brinkmoor BX8"),
        (["--pool", "orchard"], "the pool orchard"),
        (["--rule", "drive-gone"], "the rule drive-gone"),
        (["--box"], "this whole box"),
    ],
)
def test_a_silence_is_said_listed_and_ended(config: Path, scope: list[str], words: str) -> None:
    """One thing at a time, until a time, with a reason and a name."""
    more = ["--until", "2h", "--reason", "known", "--by", "ada"]
    status, text = command(config, "silence", "add", *scope, *more)
    assert status == 0, text
    assert f"Quiet about {words}" in text
    _, text = command(config, "silence", "list")
    assert "ada: known" in text
    assert "wwn-" not in text, "the owner's names, not ours"
    assert "md:" not in text
    assert command(config, "silence", "end", "1", "--by", "ada") == (0, "Silence 1 is over.\n")
    assert command(config, "silence", "list") == (0, "Nothing is kept quiet.\n")


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (["--until", "2h", "--reason", "r"], Exit.WRONG_WORDS),
        (["--box", "--pool", "orchard", "--until", "2h", "--reason", "r"], Exit.WRONG_WORDS),
        (["--rule", "no-such-rule", "--until", "2h", "--reason", "r"], Exit.NOT_FOUND),
        (["--client", "--until", "2h", "--reason", "r"], Exit.NOT_FOUND),
        (["--box", "--until", "400d", "--reason", "r"], Exit.REFUSED),
        (["--box", "--until", "yesterday", "--reason", "r"], Exit.WRONG_WORDS),
    ],
)
def test_what_cannot_be_silenced_is_refused_with_what_would_be_right(
    config: Path, words: list[str], status: int
) -> None:
    found, text = command(config, "silence", "add", *words, "--by", "ada")
    assert found == status, text
    assert text.strip()


def test_a_client_is_silenced_by_the_name_in_the_settings(config: Path) -> None:
    config.write_text(f"client: mill\n{config.read_text()}")
    words = ["--client", "--until", "2h", "--reason", "their move", "--by", "ada"]
    status, text = command(config, "silence", "add", *words)
    assert status == 0, text
    assert "all that is mill's" in text


def test_a_silence_that_is_not_there_is_not_found(config: Path) -> None:
    status, text = command(config, "silence", "end", "99")
    assert status == Exit.NOT_FOUND
    assert "There is no silence 99. midwatch silence list shows them." in text


def test_what_is_kept_quiet_is_said_with_its_bay(config: Path) -> None:
    words = ("silence", "add", "--drive", "bay 7", "--until", "2d", "--reason", "known")
    assert (
        "Quiet about the drive Dorne D4 DO8746 (bay 7) until"
        in command(config, *words, "--by", "ada")[1]
    )
