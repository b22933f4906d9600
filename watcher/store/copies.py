"""A copy of the store beside it, made before its form is changed; only the newest few are kept.

Made by SQLite's online backup (sqlite.org/backup.html): other processes may read and write
meanwhile. It is whole and on the disk before it gets its name. Where there is no room for it the
form is not changed: nothing is lost, and the sentence says how much room is needed.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path

from watcher.store.errors import StoreError, StoreFull, translate, translate_os
from watcher.store.new_file import open_new

COPIES_KEPT = 3
"""How many copies stay. Our choice: the way back over the last upgrades, in a bounded place."""

COPY_MODE = 0o600

_BESIDE = ("-journal", "-wal", "-shm")
"""What SQLite puts beside a database that somebody opens."""


def copy_before(path: Path, where: str, now: datetime) -> Path:
    """Copy a store beside itself and give the copy's place. Raises StoreError; nothing is left."""
    copy = _free_name(path, now)
    beside = path.with_name(f"{path.name}.new-{os.getpid()}-{threading.get_ident()}")
    try:
        _drop(beside)  # of a process of this number that was killed
        os.close(open_new(beside, COPY_MODE))
        copy_pages(path, beside)
        handle = os.open(beside, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        beside.rename(copy)
    except (sqlite3.Error, OSError) as error:
        raise _told(error, path, where) from error
    finally:
        _drop(beside)
    _drop_old(path)
    return copy


def copies_of(path: Path) -> tuple[Path, ...]:
    """Give the copies of a store, oldest first; those that the installer makes count too."""
    found = path.parent.glob(f"{path.name}.before-*")
    return tuple(sorted(file for file in found if not file.name.endswith(_BESIDE)))


def copy_pages(path: Path, target: Path) -> None:
    """Copy all pages at one moment. Raises sqlite3.Error."""
    with (
        closing(sqlite3.connect(path, timeout=5.0)) as source,
        closing(sqlite3.connect(target, isolation_level=None)) as there,
    ):
        there.execute("PRAGMA synchronous=OFF")  # brought to the disk as a whole, once
        source.backup(there)


def _told(error: sqlite3.Error | OSError, path: Path, where: str) -> StoreError:
    """Turn an error into ours; want of room says how much is needed."""
    told = translate_os(error, where) if isinstance(error, OSError) else translate(error, where)
    if not isinstance(told, StoreFull):
        return told
    need = max(1, -(-path.stat().st_size // (1 << 20)))
    return StoreFull(
        f"no room is left for the copy of {where} that is made before its form is changed: make "
        f"{need} MiB of room on that disk; until then it stays as it is"
    )


def _free_name(path: Path, now: datetime) -> Path:
    """Give a name with the time that is not taken."""
    plain = path.with_name(f"{path.name}.before-{now:%Y%m%dT%H%M%SZ}")
    copy, number = plain, 1
    while copy.exists():
        number += 1
        copy = plain.with_name(f"{plain.name}-{number}")
    return copy


def _drop_old(path: Path) -> None:
    """Drop all but the newest copies; one that cannot be dropped stays."""
    for old in copies_of(path)[:-COPIES_KEPT]:
        _drop(old)


def _drop(copy: Path) -> None:
    """Drop a copy, and what SQLite may have put beside it."""
    for ending in ("", *_BESIDE):
        with suppress(OSError):
            Path(f"{copy}{ending}").unlink(missing_ok=True)
