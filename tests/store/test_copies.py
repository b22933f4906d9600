"""The copy made before a store's form is changed: whole, few, and never half."""

from __future__ import annotations

import os
import sqlite3
from datetime import timedelta
from pathlib import Path

import pytest

from tests.lab.small_disks import small_disk
from tests.store.made import BOX, NOW, book, case
from tests.store.test_migrate import make_version
from watcher.store import database
from watcher.store.copies import COPIES_KEPT, copies_of, copy_before
from watcher.store.database import open_store
from watcher.store.errors import StoreFull, StoreReadOnly
from watcher.store.migrate import steps, version_of


def words(path: Path) -> list[tuple[object, ...]]:
    """Give all that the oldest form and this one have in common, as rows."""
    with sqlite3.connect(path) as connection:
        return connection.execute("SELECT name, text FROM kept ORDER BY name").fetchall()


def old_store(folder: Path) -> Path:
    """Make a store of the first form with something in it."""
    path = folder / "m.db"
    make_version(path, 1)
    with sqlite3.connect(path) as connection:
        connection.executemany(
            "INSERT INTO kept (box, name, text) VALUES ('orchard', ?, ?)",
            [(f"n{number}", "x" * 2000) for number in range(500)],
        )
    connection.close()
    return path


def test_an_older_store_is_copied_before_it_gets_the_form_of_today(tmp_path: Path) -> None:
    path = old_store(tmp_path)
    before = words(path)
    with open_store(path, now=NOW) as store:
        copy = store.standing.copy
        assert version_of(store._db) == len(steps())
        assert copy is not None
        assert str(copy) in store.standing.copied
        assert store.standing.copied.count(". ") == 0, "one sentence"
    assert words(path) == before
    assert words(copy) == before
    assert copy.stat().st_mode & 0o777 == 0o600
    with sqlite3.connect(copy) as connection:
        assert connection.execute("SELECT max(number) FROM schema_step").fetchone() == (1,)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    with open_store(path, now=NOW) as store:
        assert store.standing.copied == ""
    assert copies_of(path) == (copy,)


def test_a_store_of_today_and_a_new_one_are_not_copied(tmp_path: Path) -> None:
    for _ in range(2):
        with open_store(tmp_path / "m.db", now=NOW) as store:
            assert store.standing.copy is None
    assert copies_of(tmp_path / "m.db") == ()


def test_the_newest_few_copies_stay(tmp_path: Path) -> None:
    path = old_store(tmp_path)
    made = [copy_before(path, "it", NOW + timedelta(days=day)) for day in range(COPIES_KEPT + 2)]
    assert copies_of(path) == tuple(made[-COPIES_KEPT:])


def test_two_copies_of_one_second_are_two(tmp_path: Path) -> None:
    path = old_store(tmp_path)
    assert len({copy_before(path, "it", NOW) for _ in range(2)}) == 2
    assert len(copies_of(path)) == 2


def test_what_another_process_holds_in_the_log_is_in_the_copy(tmp_path: Path) -> None:
    with open_store(tmp_path / "m.db", now=NOW) as store:
        with store.transaction() as tx:
            tx.save_book(BOX, book(case(7)))
        assert (tmp_path / "m.db-wal").stat().st_size > 0
        copy = copy_before(tmp_path / "m.db", "it", NOW)
    with open_store(copy, now=NOW) as store, store.snapshot() as tx:
        assert tx.load_book(BOX) == book(case(7))


def test_a_rescue_makes_no_second_copy(tmp_path: Path) -> None:
    """What was set aside is the copy."""
    path = old_store(tmp_path)
    with path.open("r+b") as file:
        file.seek(4096 * 3)
        file.write(b"\xff" * 4096)
    with open_store(path, now=NOW) as store:
        assert store.rescue is not None
        assert store.standing.copy is None
        assert version_of(store._db) == len(steps())
    assert copies_of(path) == ()


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreReadOnly):
        copy_before(tmp_path / "none" / "m.db", "it", NOW)


@pytest.mark.root
def test_where_there_is_no_room_for_the_copy_nothing_is_changed_and_it_is_said(
    tmp_path: Path,
) -> None:
    """Less room than the store is large: how much it must be is said."""
    with small_disk(tmp_path / "small", 4) as disk:
        path = old_store(disk)
        ballast = disk / "ballast"
        room = os.statvfs(disk)
        ballast.write_bytes(b"x" * (room.f_bavail * room.f_frsize - path.stat().st_size // 2))
        before = path.read_bytes()
        with pytest.raises(StoreFull, match=r"copy of .* make [12] MiB of room"):
            open_store(path, now=NOW)
        assert path.read_bytes() == before
        assert sorted(file.name for file in disk.iterdir()) == ["ballast", "m.db"]
        ballast.unlink()
        with open_store(path, now=NOW) as store:
            assert store.standing.copy is not None


def test_a_copy_that_fails_leaves_the_form_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = old_store(tmp_path)

    def full(*_: object) -> Path:
        raise StoreFull("no room")

    monkeypatch.setattr(database, "copy_before", full)
    with pytest.raises(StoreFull):
        open_store(path, now=NOW)
    monkeypatch.undo()
    with open_store(path, now=NOW) as store:
        assert version_of(store._db) == len(steps())
