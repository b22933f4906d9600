"""What a transaction was told is remembered until it writes over it. Pure, but for the asking.

Within a transaction the same is asked more than once (the book before it is decided upon and before
it is saved), and many questions are known before their turn comes. ``once`` remembers an answer,
``ask_ahead`` has many of them come with one wait; asked again, they are given from here.

That is no less true than asking again, because what a transaction remembers changes by its own
writing only: it is alone, or it has locked the box that it asks about. What it writes to a table
makes it forget every answer that was read from that table.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

from watcher.store.connection import Db, Question, Values
from watcher.store.dialect import Dialect

_READ = re.compile(r"\b(?:FROM|JOIN)\s+([a-z_]+)")
_WRITTEN = re.compile(r"(?:INSERT\s+INTO|UPDATE|DELETE\s+FROM)\s+([a-z_]+)\b")

_Key = tuple[str, tuple[tuple[str, Any], ...]]


@lru_cache(maxsize=512)
def tables_read(sql: str) -> frozenset[str]:
    """Name the tables that a question of ours is read from."""
    return frozenset(_READ.findall(sql))


@lru_cache(maxsize=512)
def table_written(sql: str) -> str | None:
    """Name the table that a statement of ours writes to; None when that cannot be told."""
    found = _WRITTEN.match(sql)
    return found[1] if found is not None else None


class Recall:
    """A connection on which a transaction has begun, and what was heard on it."""

    def __init__(self, db: Db) -> None:
        """Remember nothing yet."""
        self._db = db
        self._heard: dict[_Key, Sequence[Any]] = {}
        self._by_table: dict[str, set[_Key]] = {}
        self._ahead: set[_Key] = set()

    @property
    def dialect(self) -> Dialect:
        """What the database is spoken to in."""
        return self._db.dialect

    @property
    def is_far(self) -> bool:
        """Whether a server is asked; see ``Db.is_far``."""
        return self._db.is_far

    @property
    def asked_in_vain(self) -> frozenset[str]:
        """The statements whose answers were asked ahead and were of no use so far."""
        return frozenset(sql for sql, _ in self._ahead)

    def ask_ahead(self, questions: Sequence[Question]) -> None:
        """Ask what will be asked: each answer is given when its turn comes."""
        keys = [_key(*question) for question in questions]
        fresh = {
            key: question
            for key, question in zip(keys, questions, strict=True)
            if key not in self._heard
        }
        for key, rows in zip(fresh, self._db.ask(list(fresh.values())), strict=True):
            self._remember(key, rows)
        self._ahead |= fresh.keys()

    def heard(self, sql: str, values: Values) -> Sequence[Any] | None:
        """Give all rows of a query if they were asked ahead and still hold, else None."""
        return self._recalled(_key(sql, values))

    def once(self, sql: str, values: Values | None = None) -> Sequence[Any]:
        """Give all rows of a query, and give them again until something is written over them."""
        key = _key(sql, values)
        found = self._recalled(key)
        if found is None:
            found = self._db.rows(sql, values)
            self._remember(key, found)
        return found

    def rows(self, sql: str, values: Values | None = None) -> Sequence[Any]:
        """Give all rows of a query."""
        found = self._recalled(_key(sql, values)) if self._heard else None
        return self._db.rows(sql, values) if found is None else found

    def one(self, sql: str, values: Values | None = None) -> Any:  # noqa: ANN401 - a row of any shape
        """Give the first row of a query, or None."""
        found = self._recalled(_key(sql, values)) if self._heard else None
        if found is None:
            return self._db.one(sql, values)
        return found[0] if found else None

    def walk(self, sql: str, values: Values | None = None) -> Iterator[Any]:
        """Give the rows of a query one by one; they are not remembered."""
        return self._db.walk(sql, values)

    def change(self, sql: str, values: Values | None = None) -> int:
        """Run a statement and give how many rows it changed."""
        self._forget(sql)
        return self._db.change(sql, values)

    def write(self, sql: str, values: Values) -> None:
        """Run a statement of which nobody asks how many rows it changed; see ``Db.write``."""
        self._forget(sql)
        self._db.write(sql, values)

    def change_many(self, sql: str, rows: Sequence[Values]) -> None:
        """Run a statement once for each row of values; as with ``write`` it may be later."""
        self._forget(sql)
        self._db.change_many(sql, rows)

    def _recalled(self, key: _Key) -> Sequence[Any] | None:
        """Give what was heard and still holds."""
        self._ahead.discard(key)
        return self._heard.get(key)

    def _remember(self, key: _Key, rows: Sequence[Any]) -> None:
        """Remember an answer by the tables that it was read from."""
        self._heard[key] = rows
        for table in tables_read(key[0]):
            self._by_table.setdefault(table, set()).add(key)

    def _forget(self, sql: str) -> None:
        """Forget what was read from where a statement writes to."""
        if not self._heard:
            return
        table = table_written(sql)
        if table is None:
            self._heard, self._by_table = {}, {}
            return
        for key in self._by_table.pop(table, ()):
            self._heard.pop(key, None)


def _key(sql: str, values: Values | None) -> _Key:
    return sql, tuple(sorted((values or {}).items()))
