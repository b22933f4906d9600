import sqlite3
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import pytest

from tests.store.made import BOX, NOW, book, case
from watcher.store.connection import Db, connect_sqlite
from watcher.store.database import open_store
from watcher.store.errors import StoreForeign, StoreTooNew
from watcher.store.migrate import Step, migrate, split_statements, steps, version_of

THEN = datetime(2026, 1, 2, tzinfo=UTC)


def schema(path: Path) -> set[tuple[str, str]]:
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL")
        return {(name, " ".join(sql.split())) for name, sql in rows}


def make_version(path: Path, number: int) -> None:
    """Make a store of an older version, from the SQL of its steps alone."""
    connection = sqlite3.connect(path)
    connection.execute(
        "CREATE TABLE schema_step "
        "(number INTEGER PRIMARY KEY, name TEXT NOT NULL, ran_at BIGINT NOT NULL)"
    )
    for step in steps()[:number]:
        for statement in step.statements:
            connection.execute(statement)
        connection.execute("INSERT INTO schema_step VALUES (?, ?, 0)", (step.number, step.name))
    connection.commit()
    connection.execute("PRAGMA journal_mode=WAL")
    connection.close()


def test_the_steps_are_numbered_from_one() -> None:
    assert [step.number for step in steps()] == list(range(1, len(steps()) + 1))
    names = [file.name for file in files("watcher.store").joinpath("migrations").iterdir()]
    assert len([name for name in names if name.endswith(".sql")]) == len(steps())


@pytest.mark.parametrize("number", range(1, len(steps()) + 1))
def test_every_released_version_comes_to_the_form_of_today(tmp_path: Path, number: int) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    make_version(old, number)
    with open_store(old, now=NOW) as store:
        assert version_of(store._db) == len(steps())
        with store.transaction() as tx:
            tx.save_book(BOX, book(case(1)))
            assert tx.load_book(BOX) == book(case(1))
    open_store(new, now=NOW).close()
    tables = {item for item in schema(old) if item[0] != "schema_step"}
    assert tables == {item for item in schema(new) if item[0] != "schema_step"}


def test_a_step_and_its_record_are_one_transaction(monkeypatch: pytest.MonkeyPatch) -> None:
    db = Db(connect_sqlite(":memory:"), "the store")
    migrate(db, THEN)
    broken = Step(
        number=len(steps()) + 1, name="broken", statements=("CREATE TABLE a (x)", "CREATE nonsense")
    )
    both = (*steps(), broken)
    monkeypatch.setattr("watcher.store.migrate.steps", lambda: both)
    with pytest.raises(Exception, match="nonsense"):
        migrate(db, THEN)
    assert version_of(db) == len(both) - 1
    assert not db.rows("SELECT * FROM sqlite_master WHERE name = 'a'")
    assert not db.in_transaction


def test_migrating_again_does_nothing() -> None:
    db = Db(connect_sqlite(":memory:"), "the store")
    assert migrate(db, THEN) == len(steps())
    assert migrate(db, THEN) == 0


def test_a_newer_store_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    open_store(path, now=NOW).close()
    with sqlite3.connect(path) as connection:
        connection.execute("INSERT INTO schema_step VALUES (99, 'later', 0)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreTooNew, match=r"newer version.*update midwatch") as caught:
        open_store(path, now=NOW)
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == before
    assert {file.name for file in tmp_path.iterdir()} == {"m.db"}


def test_a_database_of_another_program_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipes (name)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreForeign, match="another program"):
        open_store(path, now=NOW)
    assert path.read_bytes() == before


def test_statements_are_split_at_their_ends() -> None:
    first = "-- why; so\nCREATE TABLE a (x TEXT DEFAULT ';');"
    second = "INSERT INTO a VALUES ('\n;\n');"
    assert list(split_statements(f"{first}\n\n{second}\n-- end\n")) == [first, second]
    with pytest.raises(ValueError, match="does not end"):
        list(split_statements("SELECT 1;\nSELECT 2"))
