"""The tasks of the practice; the whole of it is in tests/lab/test_drill_btrfs.py."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from watcher.cli.hands_on import Task, follow, tasks_for
from watcher.readers.recorded import RecordedHost
from watcher.service.scratch import Scratch


def test_every_command_names_only_what_was_made_for_the_practice() -> None:
    scratch = Scratch(host=RecordedHost(), folder=Path("/scratch"), nodes={3: "/dev/loop9"})
    commands = [task.command for task in tasks_for(scratch)]
    assert len(commands) == 4
    for command in commands:
        paths = [word for word in command.split() if word.startswith("/")]
        assert paths
        assert set(paths) <= {"/scratch/mirror", "/dev/loop9"}


def follow_with(typed: str, *done: bool) -> tuple[bool, str]:
    answers = iter(done)
    task = Task(words="Do it.", command="x", is_done=lambda: next(answers), hint="It is not so.")
    runner = CliRunner()
    with runner.isolation(input=typed) as streams:
        went = follow((task,))
        return went, streams[0].getvalue().decode()


def test_a_task_is_over_when_it_is_seen_to_be_done_and_not_when_somebody_says_so() -> None:
    went, text = follow_with("\n\n\n", False, False, True)
    assert went
    assert text.count("Not yet: It is not so.") == 2


@pytest.mark.parametrize("word", ["stop", "STOP "])
def test_a_person_can_give_up(word: str) -> None:
    assert follow_with(f"{word}\n")[0] is False
