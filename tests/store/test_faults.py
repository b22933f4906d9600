"""Fail the first operation of a round, then the second, and so on, until one passes untouched."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.store.made import BOX, NOW
from tests.store.rounds import one_round, rounds_done
from watcher.store.connection import Connection, connect_sqlite
from watcher.store.database import open_store
from watcher.store.errors import StoreDiskFails, StoreError, StoreFull
from watcher.store.memory import fall_back
from watcher.store.return_to_disk import return_to_disk

MOST_OPERATIONS = 2_000


class Faults:
    """Connections of which one operation in all fails: before it is done, or after."""

    def __init__(self, *, after: bool, code: int) -> None:
        self.left: int | None = None
        self.hit = False
        self.after = after
        self.code = code

    def arm(self, number: int) -> None:
        self.left, self.hit = number, False

    def disarm(self) -> None:
        self.left = None

    def connect(self, path: str) -> Connection:
        return Faulty(connect_sqlite(path), self)

    def due(self) -> bool:
        if self.left is None:
            return False
        self.left -= 1
        return self.left == 0

    def fail(self) -> None:
        self.hit = True
        error = sqlite3.OperationalError("an injected fault")
        error.sqlite_errorcode = self.code
        raise error


class Faulty:
    """A connection that fails when its faults say so."""

    def __init__(self, inner: Connection, faults: Faults) -> None:
        self._inner = inner
        self._faults = faults

    @property
    def in_transaction(self) -> bool:
        return self._inner.in_transaction

    def _do(self, act: Callable[[], object]) -> object:
        if not self._faults.due():
            return act()
        if self._faults.after:
            act()
        self._faults.fail()
        raise AssertionError

    def execute(self, sql: str, *values: object) -> object:
        return self._do(lambda: self._inner.execute(sql, *values))

    def executemany(self, sql: str, rows: object) -> object:
        return self._do(lambda: self._inner.executemany(sql, rows))  # type: ignore[arg-type]

    def close(self) -> None:
        self._inner.close()


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize(
    ("code", "kind"),
    [(sqlite3.SQLITE_FULL, StoreFull), (sqlite3.SQLITE_IOERR_WRITE, StoreDiskFails)],
)
def test_a_round_is_done_whole_or_not_at_all(
    tmp_path: Path, code: int, kind: type[StoreError], *, after: bool
) -> None:
    path = tmp_path / "m.db"
    faults = Faults(after=after, code=code)
    store = open_store(path, now=NOW, connect=faults.connect)
    one_round(store, 1)
    done, hits = 1, 0
    for number in range(1, MOST_OPERATIONS):
        faults.arm(number)
        try:
            one_round(store, done + 1)
        except kind:
            hits += 1
        except StoreError as error:
            raise AssertionError(f"operation {number}: {error!r}") from error
        faults.disarm()
        found = rounds_done(store)
        with open_store(path, now=NOW) as other:  # as another process sees it
            assert rounds_done(other) == found
            assert other.rescue is None
        assert found in {done, done + 1}
        if found == done:  # the same again must work
            one_round(store, done + 1)
        done += 1
        assert rounds_done(store) == done
        if not faults.hit:
            break
    else:
        raise AssertionError("the faults never came to an end")
    assert hits > 30
    store.close()


@pytest.mark.parametrize("after", [False, True])
def test_opening_works_whole_or_is_told_and_works_the_next_time(
    tmp_path: Path, *, after: bool
) -> None:
    faults = Faults(after=after, code=sqlite3.SQLITE_IOERR_WRITE)
    for number in range(1, MOST_OPERATIONS):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = folder / "m.db"
        faults.arm(number)
        try:
            open_store(path, now=NOW, connect=faults.connect).close()
        except StoreDiskFails:
            assert faults.hit
        faults.disarm()
        with open_store(path, now=NOW) as store:
            assert store.rescue is None
            one_round(store, 1)
            assert rounds_done(store) == 1
        assert [file.name for file in folder.iterdir()] == ["m.db"]
        if not faults.hit:
            return
    raise AssertionError("the faults never came to an end")


@pytest.mark.slow
@pytest.mark.parametrize("after", [False, True])
def test_a_rescue_that_fails_loses_nothing_that_the_next_one_cannot_read(
    tmp_path: Path, *, after: bool
) -> None:
    faults = Faults(after=after, code=sqlite3.SQLITE_FULL)
    whole = tmp_path / "whole.db"
    with open_store(whole, now=NOW) as store:
        for number in (1, 2):
            one_round(store, number)
        store._db.change("UPDATE case_file SET state = 'nonsense' WHERE number = 2")
    for number in range(1, MOST_OPERATIONS):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = folder / "m.db"
        path.write_bytes(whole.read_bytes())
        faults.arm(number)
        try:
            open_store(path, now=NOW, connect=faults.connect).close()
        except StoreError:
            assert faults.hit
        faults.disarm()
        with open_store(path, now=NOW) as store, store.snapshot() as tx:
            cases = {c.number for c in tx.load_book(BOX).cases}
            told = {n.key for n in tx.list_notices(BOX)}
        kept = (cases, told) == ({1}, {"1/opened", "2/opened"})
        assert kept, f"operation {number}: {cases} {told}"
        if not faults.hit:
            return
    raise AssertionError("the faults never came to an end")


@pytest.mark.parametrize("after", [False, True])
def test_a_return_from_memory_is_whole_or_not_at_all(tmp_path: Path, *, after: bool) -> None:
    faults = Faults(after=after, code=sqlite3.SQLITE_FULL)
    for number in range(1, MOST_OPERATIONS):
        path = tmp_path / f"m{number}.db"
        store = open_store(path, now=NOW, connect=faults.connect)
        one_round(store, 1)
        memory = fall_back(store, now=NOW)
        one_round(memory.store, 2)
        faults.arm(number)
        try:
            return_to_disk(memory, store)
        except StoreFull:
            assert faults.hit
        faults.disarm()
        assert rounds_done(store) in {1, 2}
        return_to_disk(memory, store)
        assert rounds_done(store) == 2
        store.close()
        memory.store.close()
        if not faults.hit:
            return
    raise AssertionError("the faults never came to an end")
