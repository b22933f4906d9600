"""Looking at a store that cannot be written: on a read-only or full disk, or not ours to write.

A quick command then still shows what is there. Nothing is written, neither to the store nor beside
it. Every transaction that would write raises the error with which opening failed.

SQLite reads a store with a log only where an index lies beside it (sqlite.org/wal.html, "read-only
databases"). So there are these ways: as a file that nobody changes, when there is no log; as it
stands, when a watch has it open; with an index of one's own, for the watch itself; and from a copy
in memory, when a watch was killed and left a log.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from watcher.store.connection import BUSY_MILLISECONDS, SET_UP, Connection, Db, open_db
from watcher.store.database import Standing, Store
from watcher.store.errors import StoreError, StoreReadOnly, translate, translate_os
from watcher.store.form import check_form
from watcher.store.migrate import migrate, refuse_newer, steps, version_of
from watcher.store.salvage import refuse_foreign, untold_rescue

MOST_IN_MEMORY_BYTES = 512 << 20
"""The largest store that is copied into memory. Our choice: a box's own is a tenth of it."""

INDEX_ON_THE_HEAP = "PRAGMA locking_mode=EXCLUSIVE"
"""The index of the log is then kept by the process itself (sqlite.org/wal.html, "Use of WAL Without
Shared-Memory"). That wants the store alone, for which a system without locks need not be asked
(sqlite.org/vfs.html, "unix-none")."""


def open_to_look(path: Path, *, now: datetime, error: StoreError, mapped: bool = True) -> Store:
    """Open the store at ``path`` for looking only; ``error`` says why it cannot be opened in full.

    Without ``mapped`` no file of it is mapped, so that a disk that fails gives errors only. That is
    for the watch, which is the one that writes: somebody else's writing would not be noticed.
    Raises ``error`` when it cannot even be looked at, and StoreTooNew, StoreForeign and
    StoreDamaged.
    """
    where = f"the store {path}"
    refuse_foreign(path, where)
    try:
        db = _as_it_stands(path, where, mapped=mapped)
        if db is None or version_of(db) < len(steps()):
            if db is not None:
                db.close()
            db = _in_memory(path, where)
        refuse_newer(db)
        check_form(db)
        migrate(db, now)
        standing = Standing(rescue=untold_rescue(db))
    except (sqlite3.Error, OSError, StoreReadOnly) as also:
        raise error from also
    return Store(db, path=path, standing=standing, refusal=error)


def last_written(path: Path) -> datetime | None:
    """Give when a store was last written; None when that cannot be told."""
    times = []
    for file in (path, _log(path)):
        try:
            times.append(file.stat().st_mtime)
        except OSError:
            continue
    return datetime.fromtimestamp(max(times), UTC) if times else None


def _as_it_stands(path: Path, where: str, *, mapped: bool) -> Db | None:
    """Open the file itself for reading; None when its log cannot be read where it is."""
    log, set_up = _log(path), list(SET_UP)
    try:
        if log.exists() and mapped:
            way = "mode=ro"
        elif log.exists() and log.stat().st_size:
            way, set_up = "mode=ro&vfs=unix-none", [INDEX_ON_THE_HEAP, *SET_UP]
        else:
            way = "mode=ro&immutable=1"
        db = open_db(f"{path.absolute().as_uri()}?{way}", where, _connect_address, set_up)
    except (StoreError, OSError):
        return None
    try:
        db.rows("SELECT count(*) FROM sqlite_master")
    except StoreError:
        db.close()
        return None
    return db


def _log(path: Path) -> Path:
    """Name the log beside a store: it is there whenever somebody has the store open."""
    return Path(f"{path}-wal")


def _in_memory(path: Path, where: str) -> Db:
    """Copy a store and its log into memory. Raises StoreReadOnly when it is too large for that."""
    try:
        if path.stat().st_size > MOST_IN_MEMORY_BYTES:
            raise StoreReadOnly(f"{where} is too large to be looked at in memory")
        with tempfile.TemporaryDirectory(prefix="midwatch-") as folder:
            copy = Path(folder) / path.name
            shutil.copyfile(path, copy)
            if _log(path).exists():
                shutil.copyfile(_log(path), _log(copy))
            memory = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
            with closing(sqlite3.connect(copy)) as source:
                source.backup(memory)
    except OSError as fault:
        raise translate_os(fault, where) from fault
    except sqlite3.Error as fault:
        raise translate(fault, where) from fault
    memory.row_factory = sqlite3.Row
    return open_db(":memory:", where, lambda _path: memory)


def _connect_address(address: str) -> Connection:
    """Open an address of a file, as SQLite has them (sqlite.org/uri.html)."""
    connection = sqlite3.connect(
        address,
        uri=True,
        isolation_level=None,
        check_same_thread=False,  # the store has a lock of its own
        timeout=BUSY_MILLISECONDS / 1000,
    )
    connection.row_factory = sqlite3.Row
    return connection
