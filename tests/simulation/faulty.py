"""A store whose every statement can be the one at which the disk is full, busy, or all ends."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from watcher.store.connection import Connection, connect_sqlite
from watcher.store.database import Store, open_memory, open_store

FULL, LOCKED = 13, 5  # SQLite's result codes (sqlite.org/rescode.html)


class Killed(BaseException):
    """The process ended here."""


class Faults:
    """Which statement goes wrong, and how; armed for one at a time."""

    def __init__(self) -> None:
        self.left: int | None = None
        self.how = ""

    def arm(self, how: str, after: int) -> None:
        """Let the statement number ``after`` from now fail: full, locked, killed."""
        self.how, self.left = how, after

    def disarm(self) -> None:
        self.left = None

    @contextmanager
    def spared(self) -> Iterator[None]:
        """Let nothing fail while the test itself looks."""
        left, self.left = self.left, None
        try:
            yield
        finally:
            self.left = left

    def connect(self, path: str) -> Connection:
        return _Faulty(connect_sqlite(path), self)

    def check(self) -> None:
        if self.left is None:
            return
        self.left -= 1
        if self.left > 0:
            return
        self.left = None
        if self.how == "killed":
            raise Killed
        error = sqlite3.OperationalError("injected")
        error.sqlite_errorcode = FULL if self.how == "full" else LOCKED
        raise error


class _Faulty:
    """A connection that asks its faults before each statement."""

    def __init__(self, inner: Connection, faults: Faults) -> None:
        self._inner = inner
        self._faults = faults

    @property
    def in_transaction(self) -> bool:
        return self._inner.in_transaction

    def _guarded(self, sql: str, act: Callable[[], object]) -> object:
        if sql != "ROLLBACK":  # undoing is what the next start of the process does
            self._faults.check()
        return act()

    def execute(self, sql: str, *values: object) -> object:
        return self._guarded(sql, lambda: self._inner.execute(sql, *values))  # type: ignore[arg-type]

    def executemany(self, sql: str, rows: object) -> object:
        return self._guarded(sql, lambda: self._inner.executemany(sql, rows))  # type: ignore[arg-type]

    def close(self) -> None:
        self._inner.close()


class Disk:
    """Where the store lies: in memory, or in a file that is opened anew after each kill."""

    def __init__(self, folder: Path | None, now: datetime) -> None:
        self.faults = Faults()
        self._path = folder / "midwatch.db" if folder is not None else None
        self.store = self._open(now)

    def _open(self, now: datetime) -> Store:
        if self._path is None:
            return open_memory(now=now, connect=self.faults.connect)  # type: ignore[arg-type]
        return open_store(self._path, now=now, check=False, connect=self.faults.connect)  # type: ignore[arg-type]

    def restart(self, now: datetime) -> None:
        """The process begins anew."""
        self.faults.disarm()
        if self._path is not None:
            self.store.close()
            self.store = self._open(now)

    def close(self) -> None:
        self.store.close()
