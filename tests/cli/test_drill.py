"""Words of the command; real drills are in tests/lab/test_drill_btrfs.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("drill"), lose="")


def test_a_drill_needs_a_pool_a_member_and_a_span(config: Path) -> None:
    assert command(config, "drill")[0] == Exit.WRONG_WORDS
    assert command(config, "drill", "--pool", "orchard")[0] == Exit.WRONG_WORDS
    words = ("drill", "--pool", "orchard", "--member", "bay 1", "--wait", "soon")
    assert command(config, *words)[0] == Exit.WRONG_WORDS


def test_no_drill_begins_while_no_message_would_leave(config: Path) -> None:
    words = ("--pool", "orchard", "--member", "bay 1", "--by", "ada", "--yes")
    status, text = command(config, "drill", *words)
    assert (status, "the watch does not run" in text) == (Exit.REFUSED, True), text


def test_there_is_nothing_to_end_list_or_show_before_the_first(config: Path) -> None:
    assert command(config, "drill", "--end")[0] == Exit.REFUSED
    assert command(config, "drill", "--list") == (0, "No loss was rehearsed here yet.\n")
    assert command(config, "drill", "--show", "3")[0] == Exit.NOT_FOUND
