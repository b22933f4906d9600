"""A copy of a store that is a file, while it is in use.

SQLite's online backup (sqlite.org/backup.html) in one step: the copy is the store as it was at one
moment, and with a write-ahead log nobody waits for it. It is made under another name, read from end
to end, brought to the disk, and only then given its own: a cut backup never looks like a whole one.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

from watcher.store.connection import connect_sqlite, open_db
from watcher.store.copies import copy_pages
from watcher.store.errors import StoreError, StoreReadOnly, translate, translate_os
from watcher.store.place import FILE_MODE
from watcher.store.salvage import examine


def back_up(path: Path, target: Path) -> int:
    """Copy the store at ``path`` to ``target``; give its size in bytes.

    Raises StoreError; then there is no ``target``. A file that is there already is left alone.
    """
    where = f"the backup {target}"
    if target.exists():
        raise StoreReadOnly(f"{where} is there already: choose another name")
    beside = target.with_name(f"{target.name}.part-{os.getpid()}")
    try:
        os.close(os.open(beside, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, FILE_MODE))
        _copy(path, beside, where)
        with beside.open("rb") as whole:
            os.fsync(whole.fileno())
        _name(beside, target)
        return target.stat().st_size
    except FileExistsError as error:
        raise StoreReadOnly(f"{where} is there already: choose another name") from error
    except OSError as error:
        raise translate_os(error, where) from error
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            with suppress(OSError):
                Path(f"{beside}{ending}").unlink(missing_ok=True)


def _name(beside: Path, target: Path) -> None:
    """Give a finished copy its name, unless somebody has taken that meanwhile."""
    try:
        os.link(beside, target)
    except PermissionError:  # a filesystem without links, as on many sticks
        if target.exists():
            raise FileExistsError(str(target)) from None
        beside.rename(target)


def _copy(path: Path, beside: Path, where: str) -> None:
    """Copy a store into an empty file, and read the copy from end to end."""
    if not path.exists():
        raise StoreError(f"there is no store {path} to copy")
    try:
        copy_pages(path, beside)
    except sqlite3.Error as error:
        raise translate(error, where) from error
    db = open_db(str(beside), where, connect_sqlite)
    try:
        examine(db)
    finally:
        db.close()
