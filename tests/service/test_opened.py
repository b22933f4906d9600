"""The store for who wants to see it: in full, only to look at, or from a server."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.cli.state import SETTINGS
from tests.lab.small_disks import make_read_only, small_disk
from tests.service.manual_clock import ManualClock
from tests.store.test_migrate import make_version
from watcher.service.bootstrap import load_settings
from watcher.service.ground import Ground
from watcher.service.opened import open_for_command, open_to_remember
from watcher.service.settings_shape import Config
from watcher.service.state import STORE_NAME, open_state
from watcher.store.errors import StoreReadOnly

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
WHY = StoreReadOnly("read-only")


def config_in(folder: Path, state: Path) -> Config:
    path = folder / "midwatch.yaml"
    path.write_text(SETTINGS.format(state=state), encoding="utf-8")
    return load_settings(str(path), {})


def test_a_store_that_is_as_it_should_be_needs_no_remark(tmp_path: Path) -> None:
    config = config_in(tmp_path, tmp_path / "state")
    for _ in range(2):  # made, and found
        opened = open_for_command(config, NOW)
        assert opened.remark == ""
        opened.store.close()


def test_an_older_one_was_copied_and_that_is_said(tmp_path: Path) -> None:
    config = config_in(tmp_path, tmp_path)
    make_version(tmp_path / STORE_NAME, 1)
    opened = open_for_command(config, NOW)
    opened.store.close()
    assert "as it was before, it lies in" in opened.remark


def test_while_the_watch_is_in_memory_it_is_said_that_this_is_not_all(tmp_path: Path) -> None:
    """Also where the disk says that it takes writes, as some do whose file system met an error."""
    config = config_in(tmp_path, tmp_path)
    ground = Ground(open_state(config, NOW, check=True), ManualClock(NOW))
    ground.give_way(WHY)
    opened = open_for_command(config, NOW)
    opened.store.close()
    assert "what the watch has seen since is not in it" in opened.remark
    assert "goes on in memory" in opened.remark
    assert ground.come_back()
    opened = open_for_command(config, NOW)
    opened.store.close()
    assert opened.remark == ""
    ground.close()


@pytest.mark.root
def test_one_on_a_read_only_disk_is_shown_with_the_time_of_its_last_word(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        config = config_in(tmp_path, disk)
        open_state(config, NOW, check=True).close()
        make_read_only(disk)
        opened = open_for_command(config, NOW)
        assert opened.remark.startswith("The history cannot be written now, so this is what was")
        with pytest.raises(StoreReadOnly), opened.store.transaction():
            raise AssertionError
        opened.store.close()
        past = open_to_remember(config, NOW, WHY)
        assert past is not None
        past.close()


def test_of_what_is_not_there_nothing_is_remembered(tmp_path: Path) -> None:
    config = config_in(tmp_path, tmp_path / "none")
    assert open_to_remember(config, NOW, WHY) is None
    assert open_to_remember(config, NOW, OSError(30, "read-only")) is None
