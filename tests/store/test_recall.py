"""What was heard is given again until something is written over it."""

from __future__ import annotations

import re
import sqlite3

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store.made import BOX, NOW
from tests.store.test_statements import FILES
from watcher.store.database import open_memory
from watcher.store.recall import Recall, table_written, tables_read
from watcher.store.statements import statements

KEEP, KEPT = statements("book")["keep"], statements("book")["kept"]


def kept(name: str = "a") -> dict[str, str]:
    return {"box": BOX, "name": name}


@pytest.fixture
def made() -> tuple[Recall, list[str]]:
    """A connection, and what reached the database."""
    store = open_memory(now=NOW)
    reached: list[str] = []
    store._db._connection.set_trace_callback(reached.append)  # type: ignore[attr-defined]
    return Recall(store._db), reached


def test_what_was_asked_once_is_not_asked_again(made: tuple[Recall, list[str]]) -> None:
    recall, reached = made
    assert list(recall.once(KEPT, kept())) == []
    assert recall.one(KEPT, kept()) is None
    assert list(recall.rows(KEPT, dict(reversed(kept().items())))) == []
    assert len(reached) == 1
    assert recall.one(KEPT, kept("b")) is None  # other values: another question
    assert len(reached) == 2


def test_what_is_written_is_heard(made: tuple[Recall, list[str]]) -> None:
    recall, _ = made
    for write in (
        lambda: recall.write(KEEP, kept() | {"text": "1"}),
        lambda: recall.change(KEEP, kept() | {"text": "2"}),
        lambda: recall.change_many(KEEP, [kept() | {"text": "3"}]),
        lambda: recall.change("REPLACE INTO kept VALUES (:box, :name, '4')", kept()),
    ):
        before = recall.once(KEPT, kept())
        write()
        assert list(map(tuple, recall.once(KEPT, kept()))) != list(map(tuple, before))


def test_what_is_written_elsewhere_leaves_what_was_heard(made: tuple[Recall, list[str]]) -> None:
    recall, reached = made
    recall.once(KEPT, kept())
    recall.write(statements("questions")["set-drive-use"], {"drive": "d", "in_use": 1})
    count = len(reached)
    recall.once(KEPT, kept())
    assert len(reached) == count


def test_what_was_asked_ahead_is_asked_once_and_what_was_of_no_use_is_known(
    made: tuple[Recall, list[str]],
) -> None:
    recall, reached = made
    recall.once(KEPT, kept("b"))
    recall.ask_ahead([(KEPT, kept("a")), (KEPT, kept("a")), (KEPT, kept("b"))])
    assert len(reached) == 2
    assert recall.asked_in_vain == {KEPT}
    recall.one(KEPT, kept("a"))
    assert len(reached) == 2
    assert recall.asked_in_vain == set()


@pytest.mark.parametrize("file", FILES)
def test_it_is_known_from_the_words_of_each_statement_what_it_reads_and_writes(file: str) -> None:
    """SQLite's own authorizer says which tables a statement touches (sqlite.org, C interface)."""
    store = open_memory(now=NOW)
    connection: sqlite3.Connection = store._db._connection  # type: ignore[assignment]
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    read: set[str] = set()
    written: set[str] = set()

    def note(action: int, table: str | None, *_: object) -> int:
        if action == sqlite3.SQLITE_READ and table in tables:
            read.add(table)
        if action in {sqlite3.SQLITE_INSERT, sqlite3.SQLITE_UPDATE, sqlite3.SQLITE_DELETE}:
            written.add(str(table))
        return sqlite3.SQLITE_OK

    connection.set_authorizer(note)
    for name, sql in statements(file).items():
        read.clear()
        written.clear()
        nothing = dict.fromkeys(re.findall(r":([a-z_]+)", sql))
        connection.execute(f"EXPLAIN {sql}", nothing)
        if written:
            assert table_written(sql) in {None, *written}, name
            assert len(written) == 1, name
        else:
            assert table_written(sql) is None, name
            assert set() < read <= tables_read(sql), name


MOVES = st.lists(st.tuples(st.sampled_from("abc"), st.booleans()), max_size=12)


@settings(max_examples=50, deadline=None)
@given(MOVES)
def test_whatever_is_asked_and_written_the_answers_are_those_of_the_database(
    moves: list[tuple[str, bool]],
) -> None:
    db = open_memory(now=NOW)._db
    recall = Recall(db)
    for number, (name, writes) in enumerate(moves):
        if writes:
            recall.write(KEEP, kept(name) | {"text": str(number)})
        heard = recall.once(KEPT, kept(name))
        assert list(map(tuple, heard)) == list(map(tuple, db.rows(KEPT, kept(name))))
