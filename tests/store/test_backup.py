"""A copy of a store in use is whole, or there is none."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from tests.store.made import BOX, NOW, book, case, notice, reading, survey
from tests.store.rounds import one_round, rounds_done
from watcher.store.backup import back_up
from watcher.store.database import open_store
from watcher.store.errors import StoreDamaged, StoreError, StoreReadOnly


def test_a_copy_holds_what_was_committed_and_nothing_of_what_is_under_way(tmp_path: Path) -> None:
    path, target = tmp_path / "m.db", tmp_path / "copy.db"
    with open_store(path, now=NOW) as store:
        for number in (1, 2, 3):
            one_round(store, number)
        with store.transaction() as tx:
            tx.put_notices([notice("never committed")])
            size = back_up(path, target)  # nobody waits for the other
    assert size == target.stat().st_size
    assert {file.name for file in tmp_path.iterdir()} == {"m.db", "copy.db"}
    with open_store(target, now=NOW) as copy:
        assert rounds_done(copy) == 3
        one_round(copy, 4)
        assert rounds_done(copy) == 4


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    path, target = tmp_path / "m.db", tmp_path / "copy.db"
    open_store(path, now=NOW).close()
    target.write_text("photos")
    with pytest.raises(StoreReadOnly, match="already"):
        back_up(path, target)
    assert target.read_text() == "photos"


def test_without_a_store_or_a_folder_there_is_no_backup(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store"):
        back_up(tmp_path / "none.db", tmp_path / "copy.db")
    open_store(tmp_path / "m.db", now=NOW).close()
    with pytest.raises(StoreReadOnly, match="folder"):
        back_up(tmp_path / "m.db", tmp_path / "none" / "copy.db")
    assert {file.name for file in tmp_path.iterdir()} == {"m.db"}


def test_a_damaged_store_gives_no_backup_that_looks_whole(tmp_path: Path) -> None:
    path, target = tmp_path / "m.db", tmp_path / "copy.db"
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        tx.take_survey(survey("s", drives=tuple(reading(n) for n in range(40))), NOW)
        tx.save_book(BOX, book(case(1)))
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE case_file SET state = 'nonsense'")
    connection.close()
    with pytest.raises(StoreDamaged):
        back_up(path, target)
    assert {file.name for file in tmp_path.iterdir()} == {"m.db"}


def test_a_stick_without_links_takes_a_backup_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")  # link(2): EPERM

    open_store(tmp_path / "m.db", now=NOW).close()
    monkeypatch.setattr(os, "link", no_links)
    back_up(tmp_path / "m.db", tmp_path / "copy.db")
    assert {file.name for file in tmp_path.iterdir()} == {"m.db", "copy.db"}
    with pytest.raises(StoreReadOnly, match="already"):
        back_up(tmp_path / "m.db", tmp_path / "copy.db")


def test_a_store_that_is_gone_back_to_works_as_the_first_did(tmp_path: Path) -> None:
    """Its log is written ahead, as sqlite.org/wal.html has it: the mode stands in the file."""
    open_store(tmp_path / "m.db", now=NOW).close()
    back_up(tmp_path / "m.db", tmp_path / "copy.db")
    connection = sqlite3.connect(tmp_path / "copy.db")
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


def test_nobody_else_may_read_a_backup(tmp_path: Path) -> None:
    open_store(tmp_path / "m.db", now=NOW).close()
    old = os.umask(0)
    try:
        back_up(tmp_path / "m.db", tmp_path / "copy.db")
    finally:
        os.umask(old)
    assert (tmp_path / "copy.db").stat().st_mode & 0o007 == 0
