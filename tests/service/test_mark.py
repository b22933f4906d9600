"""A mark beside the store says that the watch goes on in memory."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.lab.small_disks import make_read_only, small_disk
from watcher.service.mark import Mark, is_in_memory


def test_it_is_seen_while_it_is_shown(tmp_path: Path) -> None:
    path = tmp_path / "midwatch.db"
    assert not is_in_memory(path), "no watch was ever here"
    mark = Mark(path)
    assert not is_in_memory(path)
    for _ in range(2):
        mark.show()
        assert is_in_memory(path)
        assert is_in_memory(path), "looking at it does not take it down"
    mark.take_down()
    assert not is_in_memory(path)
    mark.show()
    mark.close()
    assert not is_in_memory(path)
    mark.show()
    assert not is_in_memory(path), "closed is closed"


def test_it_goes_away_with_a_watch_that_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "midwatch.db"
    program = (
        "import sys; from pathlib import Path; from watcher.service.mark import Mark\n"
        "Mark(Path(sys.argv[1])).show(); print('shown', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=Path(__file__).resolve().parents[2],
    ) as watch:
        assert watch.stdout is not None
        assert watch.stdout.readline() == b"shown\n"
        assert is_in_memory(path)
        watch.kill()
        watch.wait()
        assert not is_in_memory(path)


@pytest.mark.root
def test_it_can_be_shown_on_a_disk_that_takes_no_more_writes(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        path = disk / "midwatch.db"
        mark = Mark(path)
        make_read_only(disk)
        mark.show()
        assert is_in_memory(path)
        mark.close()


def test_where_it_cannot_be_made_there_is_none(tmp_path: Path) -> None:
    path = tmp_path / "not there" / "midwatch.db"
    mark = Mark(path)
    mark.show()
    mark.take_down()
    mark.close()
    assert not is_in_memory(path)
