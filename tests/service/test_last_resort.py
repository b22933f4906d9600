"""When no way works: said on the machine itself."""

from __future__ import annotations

import errno
import io
import os
from pathlib import Path

import pytest

from watcher.service.last_resort import say_here


@pytest.fixture
def wall(tmp_path: Path) -> Path:
    program = tmp_path / "wall"
    program.write_text(f"#!/bin/sh\ncat > {tmp_path}/said\n")
    program.chmod(0o755)
    return program


def test_it_is_printed_and_told_to_all_who_are_logged_in(wall: Path) -> None:
    out = io.StringIO()
    assert say_here("Now: orchard", "bay 3\nNext: …", {}, out=out, wall=str(wall))
    assert out.getvalue().startswith("Now: orchard\nbay 3\n")
    said = (wall.parent / "said").read_bytes()
    assert said.startswith(b"Now: orchard\nbay 3\n")
    assert said.isascii()


def test_in_the_journal_each_line_is_an_alert() -> None:
    """sd-daemon(3): <1> at the beginning of a line is the priority "alert" of syslog(3)."""
    out = io.StringIO()
    say_here("a", "b\nc", {"JOURNAL_STREAM": "8:1"}, out=out, wall="")
    assert out.getvalue().startswith("<1>a\n<1>b\n<1>c\n")
    assert all(line.startswith("<1>") for line in out.getvalue().splitlines())


@pytest.mark.parametrize("wall", ["", "/nope/wall", "/bin/false"])
def test_without_a_wall_that_works_it_is_still_printed(wall: str) -> None:
    out = io.StringIO()
    assert not say_here("a", "b", {}, out=out, wall=wall)
    assert out.getvalue().startswith("a\nb\n")


class Full(io.StringIO):
    """A log on a disk that is full."""

    def write(self, _: str) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_log_that_takes_nothing_keeps_it_from_nobody_who_is_logged_in(wall: Path) -> None:
    """The log may lie on the very disk that is full."""
    assert say_here("Now: orchard", "bay 3", {}, out=Full(), wall=str(wall))
    assert (wall.parent / "said").read_bytes().startswith(b"Now: orchard")
