"""A store that cannot be written is still looked at, and nothing of it is changed."""

from __future__ import annotations

import os
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.lab.small_disks import make_read_only, small_disk
from tests.store.made import BOX, NOW, book, case
from tests.store.test_migrate import make_version
from watcher.store import only_look
from watcher.store.database import Store, open_store
from watcher.store.errors import StoreDamaged, StoreForeign, StoreReadOnly, StoreTooNew
from watcher.store.memory import fall_back
from watcher.store.migrate import steps
from watcher.store.only_look import last_written, open_to_look

WHY = StoreReadOnly("the disk is read-only")


def fill(path: Path) -> None:
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        tx.save_book(BOX, book(case(4)))


def numbers(store: Store) -> list[int]:
    with store.snapshot() as tx:
        return [one.number for one in tx.load_book(BOX).cases]


def files(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def test_it_shows_what_is_there_and_refuses_to_write(tmp_path: Path) -> None:
    path = tmp_path / "my ? store %20.db"
    fill(path)
    before = files(tmp_path)
    with open_to_look(path, now=NOW, error=WHY) as store:
        assert numbers(store) == [4]
        with pytest.raises(StoreReadOnly, match="the disk is read-only"), store.transaction():
            raise AssertionError
    assert files(tmp_path) == before


def test_a_store_of_an_older_form_is_read_by_the_form_of_today(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make_version(path, 1)
    before = files(tmp_path)
    with open_to_look(path, now=NOW, error=WHY) as store:
        assert numbers(store) == []
        with store.snapshot() as tx:
            assert tx.accounts() == ()
    assert files(tmp_path) == before


def test_what_lies_only_in_the_log_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a killed watch leaves it: a log, and no index that could be read where it is."""
    live, left = tmp_path / "live", tmp_path / "left"
    live.mkdir()
    left.mkdir()
    with open_store(live / "m.db", now=NOW) as store:
        with store.transaction() as tx:
            tx.save_book(BOX, book(case(9)))
        for name in ("m.db", "m.db-wal"):
            shutil.copyfile(live / name, left / name)
    monkeypatch.setattr(only_look, "_as_it_stands", lambda *_, **__: None)
    before = files(left)
    with open_to_look(left / "m.db", now=NOW, error=WHY) as store:
        assert numbers(store) == [9]
    assert files(left) == before


def test_the_watch_looks_at_it_without_mapping_anything(tmp_path: Path) -> None:
    """A disk that fails can then give it errors, and never end it; what lies in the log is seen."""
    live, left = tmp_path / "live", tmp_path / "left"
    live.mkdir()
    left.mkdir()
    with open_store(live / "m.db", now=NOW) as store:
        with store.transaction() as tx:
            tx.save_book(BOX, book(case(9)))
        for name in ("m.db", "m.db-wal"):
            shutil.copyfile(live / name, left / name)
    before = files(left)
    with open_to_look(left / "m.db", now=NOW, error=WHY, mapped=False) as store:
        assert numbers(store) == [9]
        maps = Path("/proc/self/maps").read_text(encoding="utf-8", errors="replace")
        assert str(left) not in maps
    assert files(left) == before
    (left / "m.db-wal").write_bytes(b"")
    with open_to_look(left / "m.db", now=NOW, error=WHY, mapped=False) as store:
        assert numbers(store) == []
    assert (left / "m.db-wal").exists(), "somebody else's log is not taken away"


def test_a_store_too_large_for_memory_gives_the_first_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_version(tmp_path / "m.db", 1)
    monkeypatch.setattr(only_look, "MOST_IN_MEMORY_BYTES", 100)
    with pytest.raises(StoreReadOnly, match="the disk is read-only"):
        open_to_look(tmp_path / "m.db", now=NOW, error=WHY)


def test_foreign_newer_and_damaged_files_are_told_as_such(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    path.write_text("a shopping list, and a long one at that")
    with pytest.raises(StoreForeign):
        open_to_look(path, now=NOW, error=WHY)
    path.unlink()
    make_version(path, len(steps()))
    with sqlite3.connect(path) as connection:
        connection.execute("INSERT INTO schema_step VALUES (99, 'later', 0)")
    connection.close()
    with pytest.raises(StoreTooNew):
        open_to_look(path, now=NOW, error=WHY)
    path.write_bytes(b"SQLite format 3\x00" + b"\x00" * 5000)
    with pytest.raises((StoreDamaged, StoreReadOnly)):
        open_to_look(path, now=NOW, error=WHY)


def test_a_file_that_is_not_there_gives_the_first_reason(tmp_path: Path) -> None:
    with pytest.raises(StoreReadOnly):
        open_to_look(tmp_path / "m.db", now=NOW, error=WHY)
    assert last_written(tmp_path / "m.db") is None
    assert list(tmp_path.iterdir()) == []


def test_when_it_was_written_last_is_told(tmp_path: Path) -> None:
    fill(tmp_path / "m.db")
    os.utime(tmp_path / "m.db", (1_770_000_000, 1_770_000_000))
    assert last_written(tmp_path / "m.db") == datetime(2026, 2, 2, 2, 40, tzinfo=UTC)


def test_a_watch_can_go_on_from_it_in_memory(tmp_path: Path) -> None:
    fill(tmp_path / "m.db")
    with open_to_look(tmp_path / "m.db", now=NOW, error=WHY) as store:
        memory = fall_back(store, now=NOW)
    assert memory.knows_the_past
    assert numbers(memory.store) == [4]
    memory.store.close()


@pytest.mark.root
def test_on_a_disk_that_is_really_read_only(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        fill(disk / "m.db")
        make_read_only(disk)
        with open_to_look(disk / "m.db", now=NOW, error=WHY) as store:
            assert numbers(store) == [4]


@pytest.mark.root
def test_on_a_read_only_disk_with_the_log_of_a_watch_that_was_killed(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        with open_store(disk / "live.db", now=NOW) as store:
            with store.transaction() as tx:
                tx.save_book(BOX, book(case(9)))
            for ending in ("", "-wal"):
                shutil.copyfile(disk / f"live.db{ending}", disk / f"m.db{ending}")
        make_read_only(disk)
        with open_to_look(disk / "m.db", now=NOW, error=WHY) as store:
            assert numbers(store) == [9]
