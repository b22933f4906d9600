"""What is wrong, and all about one case."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("cases"))


def number_of(config: Path) -> str:
    _, text = command(config, "cases", "--json")
    (case,) = [c for c in json.loads(text) if c["urgency"] != "note"]
    return str(case["number"])


def test_the_list_says_what_how_soon_and_who_has_it(config: Path) -> None:
    status, text = command(config, "cases")
    assert status == 0
    first = text.splitlines()[0]
    assert "today" in first
    assert "nobody has answered" in first
    assert "orchard" in first
    assert "To know" in text


def test_a_case_tells_what_was_seen_what_to_do_and_how_long(config: Path) -> None:
    status, text = command(config, "case", number_of(config))
    assert status == 0
    for words in (
        "bay 5",
        "next:",
        "How long, how likely",
        "What happened",
        "opened",
        "To take it",
    ):
        assert words in text, words


def test_programs_get_the_same_in_json(config: Path) -> None:
    _, text = command(config, "case", number_of(config), "--json")
    case = json.loads(text)
    assert case["urgency"] == "today"
    assert {f["rule"] for f in case["findings"]} >= {"drive-gone", "margin-thinned"}


def test_a_case_that_is_not_there_is_said_to_be_so(config: Path) -> None:
    status, text = command(config, "case", "99")
    assert status == Exit.NOT_FOUND
    assert "no case 99" in text


def test_an_empty_book_is_not_called_health(tmp_path: Path) -> None:
    config = prepare(tmp_path, lose="")
    _, text = command(config, "cases")
    assert "Nothing is open that needs you" in text
    assert "health" not in text.replace("no proof of health", "")


def test_the_case_of_a_pool_says_where_its_recovery_is(config: Path) -> None:
    status, text = command(config, "case", number_of(config))
    assert status == 0
    assert "The way back to full margin" in text
    assert "What to do: midwatch recovery orchard" in " ".join(text.split())


def test_no_case_is_no_word_of_a_box_that_nobody_looked_at(tmp_path: Path) -> None:
    config = tmp_path / "m.yaml"
    config.write_text(f"state_directory: {tmp_path}/state\n", encoding="utf-8")
    command(config, "shelf", "order", "--size", "8TB")  # makes the store
    assert "Nothing was looked at here yet" in command(config, "cases")[1]


def test_an_old_look_is_told_as_one(tmp_path: Path) -> None:
    config = prepare(tmp_path, ago=timedelta(days=3))
    for words in (("cases",), ("exposure", "orchard"), ("recovery",), ("ready",)):
        assert "The last look was 2 days 23 h ago (the watch does not run" in (
            " ".join(command(config, *words)[1].split())
        ), words
