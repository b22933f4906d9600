"""The form of a store on a server, held against the same shape as that of a file.

Nothing is mended there: a server has an owner, and an index may take hours to make. What is wrong
is said, and the hub stops. What else lies in that database, tables of extensions or an index that
somebody added, is the owner's business and left alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Final

from watcher.store.connection import Db
from watcher.store.errors import StoreChanged
from watcher.store.form import (
    Column,
    Index,
    Shape,
    at_one_moment,
    faults_of,
    record_faults,
    shape_at,
    told,
)
from watcher.store.migrate import steps

ON_SERVER: Final[Mapping[str, str]] = {
    "BIGINT": "bigint",
    "BLOB": "bytea",
    "DOUBLE PRECISION": "double precision",
    "INTEGER": "bigint",
    "TEXT": "text",
}
"""What PostgreSQL calls the types that migrations use (``dialect.postgres_schema``)."""

_COLUMNS = """
SELECT table_name, column_name, data_type, is_nullable
FROM information_schema.columns WHERE table_schema = current_schema()
"""

_INDEXES = """
SELECT t.relname AS table_name, i.relname AS index_name, x.indisunique AS once,
    CASE WHEN x.indpred IS NULL THEN '' ELSE ' in part' END AS how,
    array_to_string(ARRAY(
        SELECT coalesce(a.attname, 'what is worked out')
        FROM unnest(x.indkey) WITH ORDINALITY k(number, place)
        LEFT JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = k.number
        ORDER BY k.place), ', ') AS columns
FROM pg_index x
JOIN pg_class t ON t.oid = x.indrelid
JOIN pg_class i ON i.oid = x.indexrelid
JOIN pg_namespace n ON n.oid = t.relnamespace
WHERE n.nspname = current_schema() AND x.indisvalid
"""

_TRIGGERS = """
SELECT g.tgname AS name, t.relname AS table_name FROM pg_trigger g
JOIN pg_class t ON t.oid = g.tgrelid
JOIN pg_namespace n ON n.oid = t.relnamespace
WHERE n.nspname = current_schema() AND NOT g.tgisinternal
"""
# PostgreSQL 15 documentation, chapters 37 (information schema) and 53 (system catalogs).


def _shape_of(db: Db, ours: Collection[str]) -> Shape:
    """Look at what the tables that are ours are made of. Raises StoreError."""
    tables: dict[str, dict[str, Column]] = {}
    for row in db.rows(_COLUMNS):
        if row["table_name"] in ours:
            tables.setdefault(row["table_name"], {})[row["column_name"]] = Column(
                kind=row["data_type"], is_needed=row["is_nullable"] == "NO"
            )
    keys = set()
    indexes = {}
    for row in db.rows(_INDEXES):
        columns = tuple(name + row["how"] for name in row["columns"].split(", "))
        if row["once"]:
            keys.add((row["table_name"], columns))
        else:
            indexes[row["index_name"]] = Index(table=row["table_name"], columns=columns, sql="")
    return Shape(
        tables=tables,
        keys=frozenset(keys),
        packed=frozenset(),
        indexes=indexes,
        others=frozenset(
            f"the trigger {row['name']} on {row['table_name']}"
            for row in db.rows(_TRIGGERS)
            if row["table_name"] in ours
        ),
    )


def check_server(db: Db) -> None:
    """Raise StoreChanged for a store that does not have the form of today, with what is wrong."""
    right = _as_on_server(shape_at(len(steps())))
    with at_one_moment(db):
        here = _shape_of(db, right.tables)
        faults = [*record_faults(db), *faults_of(here, right)]
    faults += [
        f"the index {name} is missing (make it again: {' '.join(index.sql.split())};)"
        for name, index in right.indexes.items()
        if here.indexes.get(name) != index and index.table in here.tables
    ]
    if faults:
        raise StoreChanged(
            f"{db.where} does not have the form that this version made ({told(tuple(faults))}): "
            "undo what was changed there by hand, or restore the last backup"
        )


def _as_on_server(shape: Shape) -> Shape:
    """Give a shape as PostgreSQL tells of it."""
    return replace(
        shape,
        tables={
            table: {
                name: Column(kind=ON_SERVER[column.kind], is_needed=column.is_needed)
                for name, column in columns.items()
            }
            for table, columns in shape.tables.items()
        },
        packed=frozenset(),
    )
