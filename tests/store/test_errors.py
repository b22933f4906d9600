import errno
import sqlite3
from pathlib import Path

import pytest

from watcher.store.errors import (
    StoreDamaged,
    StoreDiskFails,
    StoreError,
    StoreFull,
    StoreLocked,
    StoreReadOnly,
    translate,
    translate_os,
)


def coded(code: int, text: str = "something") -> sqlite3.Error:
    error = sqlite3.OperationalError(text)
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        # Values of sqlite.org/rescode.html, as the standard library has them.
        (sqlite3.SQLITE_FULL, StoreFull),
        (sqlite3.SQLITE_IOERR_SHMSIZE, StoreFull),
        (sqlite3.SQLITE_READONLY, StoreReadOnly),
        (sqlite3.SQLITE_READONLY_DIRECTORY, StoreReadOnly),
        (sqlite3.SQLITE_PERM, StoreReadOnly),
        (sqlite3.SQLITE_CANTOPEN, StoreReadOnly),
        (sqlite3.SQLITE_CANTOPEN_ISDIR, StoreReadOnly),
        (sqlite3.SQLITE_BUSY, StoreLocked),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, StoreLocked),
        (sqlite3.SQLITE_LOCKED, StoreLocked),
        (sqlite3.SQLITE_CORRUPT, StoreDamaged),
        (sqlite3.SQLITE_CORRUPT_INDEX, StoreDamaged),
        (sqlite3.SQLITE_IOERR_CORRUPTFS, StoreDamaged),
        (sqlite3.SQLITE_NOTADB, StoreDamaged),
        (sqlite3.SQLITE_IOERR_READ, StoreDamaged),
        (sqlite3.SQLITE_IOERR_SHORT_READ, StoreDamaged),
        (sqlite3.SQLITE_IOERR, StoreDiskFails),
        (sqlite3.SQLITE_IOERR_WRITE, StoreDiskFails),
        (sqlite3.SQLITE_IOERR_FSYNC, StoreDiskFails),
        (sqlite3.SQLITE_ERROR, StoreError),
    ],
)
def test_each_kind_of_failure_is_told_by_its_code(code: int, kind: type[StoreError]) -> None:
    found = translate(coded(code), "the store x")
    assert type(found) is kind
    assert "the store x" in str(found)


def test_an_error_without_a_code_keeps_its_own_words() -> None:
    found = translate(sqlite3.ProgrammingError("odd"), "the store x")
    assert (type(found), str(found)) == (StoreError, "the store x: odd")


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.ENOSPC, StoreFull),
        (errno.EDQUOT, StoreFull),
        (errno.EROFS, StoreReadOnly),
        (errno.EACCES, StoreReadOnly),
        (errno.ENOENT, StoreReadOnly),
        (errno.EIO, StoreDiskFails),
    ],
)
def test_errors_of_the_system_are_told_apart_too(number: int, kind: type[StoreError]) -> None:
    assert type(translate_os(OSError(number, "words"), "the store x")) is kind


def test_every_kind_is_in_the_drawing() -> None:
    text = Path(__file__).parents[2].joinpath("watcher/store/errors.py").read_text("utf-8")
    drawing = text.split('"""')[1]
    for kind in StoreError.__subclasses__():
        assert kind.__name__ in drawing
