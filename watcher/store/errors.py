"""What can go wrong with the store, divided by what can be done about it.

StoreError
├── StoreFull         no room on the disk: make room; nothing half-written is left behind
├── StoreReadOnly     the place cannot be written: rights, a read-only mount, a missing folder
├── StoreLocked       another process keeps the store busy: try again a little later
│   └── StoreRaced    another process did the same at the same moment: try again at once
├── StoreDamaged      a part of the file cannot be read, or makes no sense: opening it anew for the
│   │                 watch saves what is left
│   └── StoreChanged  its tables are not those that we made: somebody wrote to it
├── StoreAway         the server that holds the store is not reached: see whether it runs
├── StoreDiskFails    the disk under the store gave an error: look at that drive first
├── StoreTooNew       written by a newer version: never guessed at; update this program
└── StoreForeign      a file of somebody else: never touched; choose another path

Each text is one sentence that says what is wrong and what to do. A transaction that ends in one
of them has changed nothing.
"""

from __future__ import annotations

import errno
import sqlite3


class StoreError(Exception):
    """The store could not do what was asked; nothing was changed."""


class StoreFull(StoreError):
    """There is no room left."""


class StoreReadOnly(StoreError):
    """The store cannot be written where it is."""


class StoreLocked(StoreError):
    """Another process holds the store for longer than we wait."""


class StoreRaced(StoreLocked):
    """Another process was faster; the same again finds what it did."""


class StoreDamaged(StoreError):
    """The file, or a row in it, does not make sense."""


class StoreChanged(StoreDamaged):
    """The store is not of the form that it says it has."""


class StoreAway(StoreError):
    """The server that holds the store is not reached."""


class StoreDiskFails(StoreError):
    """The disk under the store gave an error."""


class StoreTooNew(StoreError):
    """The store was written by a newer version of this program."""


class StoreForeign(StoreError):
    """The file belongs to another program."""


# SQLite's result codes (sqlite.org/rescode.html): the low eight bits name the kind of error, some
# extended codes are better told as another kind.
_PERM, _BUSY, _LOCKED, _READONLY, _IOERR = 3, 5, 6, 8, 10
_CORRUPT, _FULL, _CANTOPEN, _NOTADB = 11, 13, 14, 26
_TOLD_AS = {
    _IOERR | (19 << 8): _FULL,  # IOERR_SHMSIZE: the shared memory file could not grow
    _IOERR | (1 << 8): _CORRUPT,  # IOERR_READ: a sector under the file cannot be read
    _IOERR | (2 << 8): _CORRUPT,  # IOERR_SHORT_READ
    _IOERR | (33 << 8): _CORRUPT,  # IOERR_CORRUPTFS
}


def translate(error: sqlite3.Error, where: str) -> StoreError:
    """Turn an error of SQLite into ours, by its code and never by its wording.

    ``where`` names the store in the sentence. An error without a code, or with one that only a
    fault in our own statements can cause, becomes a plain ``StoreError`` with SQLite's own words.
    """
    code: int = getattr(error, "sqlite_errorcode", 0) or 0
    kind = _TOLD_AS.get(code, code & 0xFF)
    if kind == _FULL:
        return StoreFull(f"no room is left for {where}: make room on that disk")
    if kind in {_READONLY, _PERM}:
        return StoreReadOnly(
            f"{where} cannot be written ({error}): check the rights and whether the disk is "
            "mounted read-only"
        )
    if kind == _CANTOPEN:
        return StoreReadOnly(
            f"{where} cannot be opened ({error}): check that its folder is there and may be "
            "written, and that the disk is not mounted read-only"
        )
    if kind in {_BUSY, _LOCKED}:
        return StoreLocked(f"another process keeps {where} busy: try again in a moment")
    if kind in {_CORRUPT, _NOTADB}:
        return StoreDamaged(
            f"{where} is damaged ({error}): restart the watch, which sets it aside and keeps what "
            "can be read"
        )
    if kind == _IOERR:
        return StoreDiskFails(
            f"the disk under {where} gave an error ({error}): look at that drive first"
        )
    return StoreError(f"{where}: {error}")


def translate_os(error: OSError, where: str) -> StoreError:
    """Turn an error of the operating system into ours."""
    reason = error.strerror or str(error)
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return StoreFull(f"no room is left for {where}: make room on that disk")
    if error.errno in {errno.EROFS, errno.EACCES, errno.EPERM, errno.ENOENT, errno.ENOTDIR}:
        return StoreReadOnly(
            f"{where} cannot be written ({reason}): check that its folder is there, its rights, "
            "and whether the disk is mounted read-only"
        )
    return StoreDiskFails(f"the disk under {where} gave an error ({reason}): look at it first")
