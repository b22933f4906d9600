"""Where a pool is on its way back, what is next, and the written record."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("recovery"))


@pytest.fixture(scope="module")
def well(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("well"), lose="")


def test_it_says_where_we_are_what_is_next_and_what_to_leave_alone(config: Path) -> None:
    status, text = command(config, "recovery", "orchard")
    assert status == 0
    for words in (
        "orchard: make sure",
        "Margin lost",
        "It kept some margin all the time.",
        "Full margin is proven back about",
        "here since",
        "whole again  to come",
        "bay 5",
        "BR4859",
        "Commands for you to type; midwatch runs none of them",
        "mdadm --detail /dev/md0",
        "words from",
        "Pull or unplug no other drive.",
        "Still readable: Everything; the pool can lose 1 more drive.",
    ):
        assert words in text, words


def test_commands_are_shown_whole_so_that_they_can_be_copied(config: Path) -> None:
    text = command(config, "recovery", "orchard")[1]
    commands = [
        c["line"]
        for c in json.loads(command(config, "recovery", "orchard", "--json")[1])["commands"]
    ]
    lines = [line.strip() for line in text.splitlines()]
    assert commands
    assert all(line in lines for line in commands)


def test_programs_get_the_way_and_the_commands(config: Path) -> None:
    found = json.loads(command(config, "recovery", "orchard", "--json")[1])
    assert found["step"] == "make-sure"
    assert found["verified"] is False
    assert found["closed_at"] is None
    assert found["lost"][0]["label"].startswith("bay 5")
    assert found["next"].startswith("Recovery, step 1 of 6")
    assert found["way"][0]["entered_on"]
    assert set(found["commands"][0]) == {"line", "does", "no_way_back", "source"}
    assert found["forecast"]["earliest"] <= found["forecast"]["latest"]


def test_the_written_record_can_be_printed(config: Path) -> None:
    status, text = command(config, "recovery", "orchard", "--print")
    assert status == 0
    assert text.startswith("Record of a recovery: orchard (md)")
    for words in ("began", "not yet: make sure", "Nothing, as far as surveys showed.", "The way"):
        assert words in text, words


def test_without_a_pool_all_recoveries_are_listed(config: Path) -> None:
    text = command(config, "recovery")[1]
    assert text.startswith("orchard")
    assert "make sure" in text
    (found,) = json.loads(command(config, "recovery", "--json")[1])
    assert found["name"] == "orchard"


def test_a_pool_that_lost_nothing_has_nothing_to_recover(config: Path, well: Path) -> None:
    status, text = command(config, "recovery", "cellar")
    assert status == Exit.REFUSED
    assert "has lost no margin" in text
    assert command(well, "recovery")[1].startswith("No pool has lost margin")


def test_a_pool_that_is_not_there_names_those_that_are(config: Path) -> None:
    status, text = command(config, "recovery", "meadow")
    assert status == Exit.NOT_FOUND
    assert "orchard" in text
