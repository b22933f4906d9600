import sqlite3
from datetime import UTC, datetime
from importlib.resources import files

import pytest

from watcher.store.database import open_memory
from watcher.store.statements import parse_statements, statements

FILES = sorted(
    file.name.removesuffix(".sql") for file in files("watcher.store").joinpath("sql").iterdir()
)


def test_a_statement_is_found_by_its_name_without_its_comment() -> None:
    found = parse_statements("-- about\n-- name: one\n-- What.\nSELECT 1\nFROM x;\n")
    assert dict(found) == {"one": "SELECT 1\nFROM x"}


@pytest.mark.parametrize(
    "text",
    [
        "-- name: one\nSELECT 1;",
        "-- name: one\n-- What.\nSELECT 1",
        "-- name: one\n-- What.\nSELECT 1; SELECT 2;",
        "-- name: one\n-- What.\nSELECT 1;\n-- name: one\n-- What.\nSELECT 2;",
        "SELECT 1;\n-- name: one\n-- What.\nSELECT 2;",
        "-- name: one\n-- What.\n",
    ],
)
def test_a_file_with_a_nameless_double_or_unexplained_statement_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"one|first"):
        parse_statements(text)


@pytest.mark.parametrize("file", FILES)
def test_every_statement_fits_the_schema(file: str) -> None:
    """SQLite compiles each one against the tables (EXPLAIN runs nothing)."""
    store = open_memory(now=datetime(2026, 1, 1, tzinfo=UTC))
    with store.snapshot():
        for name, sql in statements(file).items():
            values = _Anything()
            rows = store._db._connection.execute(f"EXPLAIN {sql}", values).fetchall()  # type: ignore[attr-defined]
            assert rows, name


def test_no_statement_of_the_desk_uses_words_that_only_sqlite_knows() -> None:
    for file in FILES:
        for name, sql in statements(file).items():
            words = sql.upper()
            for only_here in ("INSERT OR", "ROWID", "IFNULL", "STRFTIME", "JULIANDAY", "PRAGMA"):
                assert only_here not in words, f"{file}: {name}"


class _Anything(dict[str, None]):
    """Values for any name."""

    def __missing__(self, key: str) -> None:
        return None


def test_anything_is_taken_as_a_mapping_by_sqlite() -> None:
    row = sqlite3.connect(":memory:").execute("SELECT :whatever", _Anything()).fetchone()
    assert row == (None,)
