import os
import sqlite3
from pathlib import Path

import pytest

from watcher.store.connection import Db, connect_sqlite, flush_log, open_db
from watcher.store.errors import StoreDamaged, StoreDiskFails, StoreError, StoreReadOnly


def test_the_connection_is_set_up_as_promised(tmp_path: Path) -> None:
    db = open_db(str(tmp_path / "x.db"), "it")
    found = {
        name: db.one(f"PRAGMA {name}")[0]
        for name in ("synchronous", "busy_timeout", "cell_size_check", "temp_store", "cache_size")
    }
    # sqlite.org/pragma.html: synchronous 1 is NORMAL, temp_store 2 is MEMORY.
    assert found == {
        "synchronous": 1,
        "busy_timeout": 5000,
        "cell_size_check": 1,
        "temp_store": 2,
        "cache_size": -4096,
    }
    db.close()


def test_every_way_to_ask_speaks_our_errors() -> None:
    db = Db(connect_sqlite(":memory:"), "the store x")
    for ask in (db.rows, db.one, db.change):
        with pytest.raises(StoreError, match=r"the store x: no such table"):
            ask("SELECT * FROM absent")
    with pytest.raises(StoreError, match="no such table"):
        db.change_many("INSERT INTO absent VALUES (:a)", [{"a": 1}])
    with pytest.raises(StoreError, match="no such table"):
        list(db.walk("SELECT * FROM absent"))
    db.change_many("INSERT INTO absent VALUES (:a)", [])


def test_a_folder_that_is_not_there_is_told() -> None:
    with pytest.raises(StoreReadOnly, match="folder"):
        open_db("/nowhere/at/all.db", "the store")


def test_a_file_that_is_no_database_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    path.write_bytes(b"\x01" * 8192)
    with pytest.raises(StoreDamaged, match="damaged"):
        open_db(str(path), "the store")


def test_bringing_the_log_to_the_disk_disturbs_no_lock(tmp_path: Path) -> None:
    """Closing a file drops this process's POSIX locks on it (fcntl(2)); the log carries none."""
    path = tmp_path / "x.db"
    one = connect_sqlite(str(path))
    one.execute("PRAGMA journal_mode=WAL")
    one.execute("CREATE TABLE t (x)")
    one.execute("BEGIN IMMEDIATE")
    flush_log(path, "the store")
    two = sqlite3.connect(path, timeout=0, isolation_level=None)
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        two.execute("BEGIN IMMEDIATE")
    one.execute("COMMIT")
    two.execute("BEGIN IMMEDIATE")


def test_without_a_log_there_is_nothing_to_bring(tmp_path: Path) -> None:
    flush_log(tmp_path / "none.db", "the store")
    assert list(tmp_path.iterdir()) == []


def test_a_log_that_cannot_be_brought_to_the_disk_is_told(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "x.db-wal")
    keep = os.open(tmp_path / "x.db-wal", os.O_RDWR)
    try:
        with pytest.raises(StoreDiskFails):  # fsync(2): EINVAL for a pipe
            flush_log(tmp_path / "x.db", "the store")
    finally:
        os.close(keep)
