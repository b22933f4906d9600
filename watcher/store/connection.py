"""One connection to SQLite: how it is set up, and the border at which its errors become ours.

Why each PRAGMA (sqlite.org/pragma.html):

- ``journal_mode=WAL``: people who look do not hold up the watch, nor it them; a transaction is
  one append to the log, so a kill at any moment leaves the file whole.
- ``synchronous=NORMAL``: a commit is not waited for on the disk. Readings come again, and at a
  hub the wait would be the limit. What people were told or said **is** waited for: after such a
  commit ``flush_log`` brings the log to the disk before the caller goes on. A choice at the start
  of the transaction (two connections, or the PRAGMA before BEGIN) would come too early: whether
  there is something to tell is known only when the survey has been judged, within it.
- ``busy_timeout``: a second process waits its turn, for a bounded time.
- ``cell_size_check=ON``: damage is met when a page is read, not when it has been built upon.
- ``mmap_size=0``: a disk error on a mapped page would be a SIGBUS, which kills the watch; read
  without mapping it is an error that can be told.
- ``temp_store=MEMORY``: sorting needs no room on a full disk.
- ``cache_size``: 4 MiB; 1 MiB for the watch of a box and its pages, for their memory budget.
- ``journal_size_limit``: a log that grew in a burst gives its room back.
- ``trusted_schema=OFF``: a damaged or foreign schema runs nothing.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from watcher.store.dialect import SQLITE, Dialect
from watcher.store.errors import translate, translate_os

BUSY_MILLISECONDS = 5_000
"""How long we wait for another process; our choice: a transaction of ours takes milliseconds, and
a command that stands still for longer than five seconds had better say why."""

CACHE_KIB = 4_096
SMALL_CACHE_KIB = 1_024
"""For a process that stays beside other work. Our choice: a round of 24 drives touches less."""

LOG_LIMIT_BYTES = 4 * 1024 * 1024

SET_UP = (
    f"PRAGMA busy_timeout={BUSY_MILLISECONDS}",
    "PRAGMA synchronous=NORMAL",
    "PRAGMA cell_size_check=ON",
    "PRAGMA mmap_size=0",
    "PRAGMA temp_store=MEMORY",
    f"PRAGMA cache_size=-{CACHE_KIB}",
    f"PRAGMA journal_size_limit={LOG_LIMIT_BYTES}",
    "PRAGMA trusted_schema=OFF",
)

SET_UP_TO_RESCUE = (
    "PRAGMA writable_schema=ON",  # also: read on where the file is shorter than it says it is
    "PRAGMA trusted_schema=OFF",
    "PRAGMA mmap_size=0",
)
"""For a damaged file, from which we only read: better read an odd page than refuse it."""

Value = str | int | float | bytes | None
Values = Mapping[str, Value]
Question = tuple[str, Values]


class Cursor(Protocol):
    """What we use of a cursor."""

    @property
    def rowcount(self) -> int:
        """How many rows were changed."""
        ...

    def fetchall(self) -> list[Any]:
        """Give all rows that are left."""
        ...

    def fetchone(self) -> Any:  # noqa: ANN401 - a row of any shape
        """Give the next row, or None."""
        ...


class Connection(Protocol):
    """What we use of a connection; tests hand in one that fails when told to."""

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        ...

    def execute(self, sql: str, values: Values = ..., /) -> Cursor:
        """Run one statement."""
        ...

    def executemany(self, sql: str, rows: Iterable[Values], /) -> Cursor:
        """Run one statement for each row of values."""
        ...

    def close(self) -> None:
        """Close it; an open transaction is undone."""
        ...


@runtime_checkable
class Together(Protocol):
    """What a connection can do more to which each wait is dear."""

    def write(self, sql: str, values: Values, /) -> None:
        """Run one statement, perhaps later: before the next question or the commit."""
        ...

    def ask(self, questions: Sequence[Question], /) -> Sequence[Cursor]:
        """Run several statements in their order, with one wait for all of their answers."""
        ...


Connect = Callable[[str], Connection]


def connect_sqlite(path: str) -> Connection:
    """Open a file (or ``:memory:``) with transactions begun and ended only by our own words."""
    connection = sqlite3.connect(
        path,
        isolation_level=None,
        check_same_thread=False,  # the store has a lock of its own
        timeout=BUSY_MILLISECONDS / 1000,
    )
    connection.row_factory = sqlite3.Row
    return connection


class Db:
    """A connection that speaks our errors, and knows by what name to call the store in them."""

    def __init__(self, connection: Connection, where: str, dialect: Dialect = SQLITE) -> None:
        """Take over a connection; ``where`` names the store in error sentences.

        A connection to something else than SQLite raises our errors itself.
        """
        self._connection = connection
        self._together = connection if isinstance(connection, Together) else None
        self.where = where
        self.dialect = dialect

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        return self._connection.in_transaction

    def rows(self, sql: str, values: Values | None = None) -> Sequence[Any]:
        """Give all rows of a query."""
        try:
            return self._connection.execute(sql, values or {}).fetchall()
        except sqlite3.Error as error:
            raise translate(error, self.where) from error

    def one(self, sql: str, values: Values | None = None) -> Any:  # noqa: ANN401 - a row of any shape
        """Give the first row of a query, or None."""
        try:
            return self._connection.execute(sql, values or {}).fetchone()
        except sqlite3.Error as error:
            raise translate(error, self.where) from error

    @property
    def is_far(self) -> bool:
        """Whether a server is asked: each wait is dear, and so is what it must look up twice."""
        return self._together is not None

    def ask(self, questions: Sequence[Question]) -> list[Sequence[Any]]:
        """Give all rows of each of several queries, which are asked in their order."""
        if self._together is None:
            return [self.rows(*question) for question in questions]
        return [answer.fetchall() for answer in self._together.ask(questions)]

    def walk(self, sql: str, values: Values | None = None) -> Iterator[Any]:
        """Give the rows of a query one by one, so that an error comes after the rows before it."""
        try:
            cursor = self._connection.execute(sql, values or {})
            while (row := cursor.fetchone()) is not None:
                yield row
        except sqlite3.Error as error:
            raise translate(error, self.where) from error

    def change(self, sql: str, values: Values | None = None) -> int:
        """Run a statement and give how many rows it changed."""
        try:
            return self._connection.execute(sql, values or {}).rowcount
        except sqlite3.Error as error:
            raise translate(error, self.where) from error

    def write(self, sql: str, values: Values) -> None:
        """Run a statement of which nobody asks how many rows it changed.

        Where a wait is dear it is run later: before the next question, or before the end of the
        transaction. What is wrong with it is told then.
        """
        if self._together is None:
            self.change(sql, values)
        else:
            self._together.write(sql, values)

    def change_many(self, sql: str, rows: Sequence[Values]) -> None:
        """Run a statement once for each row of values; as with ``write`` it may be later."""
        if not rows:
            return
        try:
            self._connection.executemany(sql, rows)
        except sqlite3.Error as error:
            raise translate(error, self.where) from error

    def close(self) -> None:
        """Close the connection; an open transaction is undone."""
        try:
            self._connection.close()
        except sqlite3.Error as error:
            raise translate(error, self.where) from error


def open_db(
    path: str, where: str, connect: Connect = connect_sqlite, set_up: Sequence[str] = SET_UP
) -> Db:
    """Open a file and set the connection up. Raises StoreError."""
    try:
        db = Db(connect(path), where)
    except sqlite3.Error as error:
        raise translate(error, where) from error
    try:
        for pragma in set_up:
            db.rows(pragma)
    except BaseException:
        db.close()
        raise
    return db


def flush_log(path: Path, where: str) -> None:
    """Bring the write-ahead log of a database to the disk.

    The log carries no locks (those are on the database and on its shared memory), so opening it
    beside SQLite is harmless. Where a checkpoint has just emptied or removed it, its content is
    in the database already, synced. Raises StoreError when the disk does not take it.
    """
    try:
        handle = os.open(f"{path}-wal", os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return
    except OSError as error:
        raise translate_os(error, where) from error
    try:
        os.fsync(handle)
    except OSError as error:
        raise translate_os(error, where) from error
    finally:
        os.close(handle)


def touch_log(path: Path, where: str) -> None:
    """Set the time of the write-ahead log, which takes no room and is written by a flush.

    Raises StoreError when the disk does not take it.
    """
    try:
        os.utime(f"{path}-wal")
    except FileNotFoundError:
        return
    except OSError as error:
        raise translate_os(error, where) from error
