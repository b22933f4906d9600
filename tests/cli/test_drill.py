"""Words of the command; real drills are in tests/lab/test_drill_btrfs.py."""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path

import click
import pytest

from tests.cli.state import command, prepare
from watcher.cli.drill import drill as drill_command
from watcher.cli.drill import going_on, wait_for_answer
from watcher.cli.exits import Exit
from watcher.cli.parts import room_of


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("drill"), lose="", ago=timedelta(hours=3))


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


WORDS = ("drill", "--pool", "orchard", "--member", "bay 1", "--by", "ada", "--yes")


def test_a_drill_that_nobody_answers_in_time_ends_with_its_page(tmp_path: Path) -> None:
    config = prepare(tmp_path, lose="")
    status, text = command(config, *WORDS, "--wait", "0.01min")
    assert status == Exit.ACT, text
    assert "Waiting up to" in text
    assert "Answered      by nobody" in text
    assert command(config, "drill", "--end")[0] == Exit.REFUSED


def test_who_waits_for_an_answer_hears_whose_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = prepare(tmp_path, lose="")
    assert command(config, *WORDS, "--no-wait")[0] == 0
    context = click.Context(drill_command, obj=str(config))
    with room_of(context) as room:
        drill = going_on(room)
        assert drill is not None
        with room.store.snapshot() as tx:
            (case,) = [c for c in tx.load_book(room.box).open_cases if not c.only_notes]
    assert command(config, "ack", str(case.number), "--by", "ben")[0] == 0
    capsys.readouterr()
    assert wait_for_answer(context, drill, timedelta(minutes=5)).answered_by == "ben"
    assert "ben answered after" in capsys.readouterr().out


class _Terminal(io.StringIO):
    """An input at which a person sits."""

    def isatty(self) -> bool:
        return True


def test_nobody_is_asked_about_a_drill_that_cannot_be_and_a_no_tells_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "thin").mkdir()
    for folder, told in ((tmp_path / "thin", "is not whole"), (tmp_path, "No drill was begun")):
        config = prepare(folder, lose="e" if folder.name == "thin" else "")
        monkeypatch.setattr("sys.stdin", _Terminal("n\n"))
        status, text = command(config, *WORDS[:-1])
        assert (status, told in text) == (Exit.REFUSED, True), text
        assert ("Begin?" in text) == (folder == tmp_path)
        assert command(config, "drill", "--list")[1] == "No loss was rehearsed here yet.\n"
