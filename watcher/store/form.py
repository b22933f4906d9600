"""The form of a store: its tables, columns, keys and indexes, and nothing that is not ours.

What is right is written down once, in the migrations: they make an empty store in memory, and a
store is held against that. So a table that is gone, or that somebody changed by hand, is met when
the store is opened, and not in the middle of a look.

- Tables, columns and keys hold what is known. Where one is missing, or is there and not ours, the
  store is damaged, and what can be read is saved (``salvage``).
- An index holds nothing of its own: a missing one is made again where it stands, and one that is
  not ours is taken away (``mend_indexes``).
- The record of the steps taken (``schema_step``) must name ours, without gaps. A number beyond
  ours is a newer version, whatever else is there: that is for ``refuse_newer``, and never damage.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

from watcher.store.connection import Db, open_db
from watcher.store.errors import StoreChanged, StoreError
from watcher.store.migrate import migrate, steps, version_of

MOST_TOLD: Final = 3
"""So many faults are told in a sentence; our choice. The others are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of a table."""

    kind: str
    is_needed: bool  # may not be empty
    usual: str | None = None  # its default; not looked at on a server


@dataclass(frozen=True, slots=True, kw_only=True)
class Index:
    """An index that only makes things faster."""

    table: str
    columns: tuple[str, ...]
    sql: str = field(compare=False)  # what makes it


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """All that a store is made of, by name."""

    tables: Mapping[str, Mapping[str, Column]]
    keys: frozenset[tuple[str, tuple[str, ...]]]  # table and columns that are there once only
    packed: frozenset[str]  # tables whose rows lie in the order of their key
    indexes: Mapping[str, Index]
    others: frozenset[str]  # triggers, views and the like, of which we make none


@cache
def shape_at(number: int) -> Shape:
    """Give the shape that a store has after the first ``number`` steps."""
    db = open_db(":memory:", "a store to compare with")
    try:
        migrate(db, datetime.fromtimestamp(0, UTC), upto=number)
        return shape_of(db)
    finally:
        db.close()


def check_form(db: Db) -> None:
    """Raise StoreChanged for a store that does not have the form that it says it has.

    Indexes are not looked at; see ``mend_indexes``.
    """
    with at_one_moment(db):
        number = version_of(db)
        faults = tuple(record_faults(db)) or tuple(faults_of(shape_of(db), shape_at(number)))
    if faults:
        raise StoreChanged(
            f"{db.where} is damaged ({told(faults)}): restart the watch, which sets it aside and "
            "keeps what can be read"
        )


@contextmanager
def at_one_moment(db: Db) -> Iterator[None]:
    """Let all that is asked in a block be true together: another process may change the form."""
    if db.in_transaction:
        yield
        return
    db.change(db.dialect.begin_look)
    try:
        yield
    finally:
        with suppress(StoreError):  # the error that led here is the one to tell
            db.change("ROLLBACK")


def record_faults(db: Db) -> Iterator[str]:
    """Tell when the record of the steps taken is not one that our migrations leave."""
    rows = db.rows("SELECT number, name FROM schema_step ORDER BY number")
    taken = [(row["number"], row["name"]) for row in rows]
    if not taken or taken != [(step.number, step.name) for step in steps()[: len(taken)]]:
        yield "the record of its form is not one of ours"


def told(faults: tuple[str, ...]) -> str:
    """Tell of the first faults in words, and count the others."""
    more = len(faults) - MOST_TOLD
    return ", ".join(faults[:MOST_TOLD]) + (f" and {more} more like that" if more > 0 else "")


def form_by_its_tables(db: Db, said: int) -> int:
    """Give the form that comes nearest to the tables there are, none below the one it ``said``.

    For a damaged store, whose record may be lost.
    """
    here = shape_of(db)
    numbers = range(max(said, 1), len(steps()) + 1)
    return min(numbers, key=lambda number: (len(tuple(faults_of(here, shape_at(number)))), number))


def mend_indexes(db: Db) -> tuple[str, ...]:
    """Make the indexes of a file what they should be; tell what was done, in words."""
    here, right = shape_of(db).indexes, shape_at(version_of(db)).indexes
    wrong = [name for name, index in here.items() if right.get(name) != index]
    missing = [name for name, index in right.items() if here.get(name) != index]
    if not wrong and not missing:
        return ()
    db.change(db.dialect.begin_alone)
    try:
        for name in wrong:
            db.change(f"DROP INDEX IF EXISTS {_quoted(name)}")
        for name in missing:
            db.change(f"DROP INDEX IF EXISTS {_quoted(name)}")
            db.change(right[name].sql)
        db.change("COMMIT")
    finally:
        if db.in_transaction:
            db.change("ROLLBACK")
    gone = [f"{name} was not ours and was taken away" for name in wrong if name not in right]
    return (*(f"{name} was missing and was made again" for name in missing), *gone)


def _quoted(name: str) -> str:
    """Give a name that may be anybody's as SQL takes it."""
    escaped = name.replace('"', '""')
    return f'"{escaped}"'


def faults_of(here: Shape, right: Shape) -> Iterator[str]:
    """Tell how a store differs from what is right, but for its indexes."""
    for table, columns in right.tables.items():
        if table not in here.tables:
            yield f"the table {table} is missing"
            continue
        there = here.tables[table]
        where = f"the table {table}"
        yield from (f"{where} lacks its column {name}" for name in columns if name not in there)
        more = [name for name in there if name not in columns]
        yield from (f"{where} has a column {name} that is not ours" for name in more)
        yield from (
            f"{where} has another kind of column {name}"
            for name, column in columns.items()
            if name in there and there[name] != column
        )
        if (table in here.packed) != (table in right.packed):
            yield f"{where} keeps its rows in another order"
    yield from (f"the table {name} is not ours" for name in here.tables if name not in right.tables)
    both = here.tables.keys() & right.tables.keys()
    for table, key in sorted(here.keys ^ right.keys):
        if table in both:
            yield f"the table {table} has another key ({', '.join(key)})"
    yield from (f"{name} is not ours" for name in sorted(here.others))


_COLUMNS = """
SELECT m.name AS "table", c.name, c.type, c."notnull", c.dflt_value, c.pk
FROM sqlite_master m, pragma_table_xinfo(m.name) c
WHERE m.type = 'table' AND m.rootpage <> 0
    AND m.name NOT LIKE 'sqlite~_%' ESCAPE '~'
ORDER BY m.name, c.pk, c.cid
"""

_INDEXES = """
SELECT m.name AS "table", l.name, l."unique" AS once, l.partial, i.sql, x.name AS "column",
    x."desc" AS down, x.coll
FROM sqlite_master m, pragma_index_list(m.name) l, pragma_index_xinfo(l.name) x
LEFT JOIN sqlite_master i ON i.type = 'index' AND i.name = l.name
WHERE m.type = 'table' AND m.rootpage <> 0 AND x.key = 1
    AND m.name NOT LIKE 'sqlite~_%' ESCAPE '~'
ORDER BY l.name, x.seqno
"""

_PACKED = re.compile(r"WITHOUT\s+ROWID", re.IGNORECASE)

# sqlite.org/pragma.html and sqlite.org/schematab.html. Names that begin with sqlite_ are its own;
# views, triggers and tables of an extension have no page in the file.


def shape_of(db: Db) -> Shape:
    """Look at what a file is made of. Raises StoreError."""
    tables: dict[str, dict[str, Column]] = {}
    main: dict[str, tuple[str, ...]] = {}
    for row in db.rows(_COLUMNS):
        table, name = row["table"], row["name"]
        tables.setdefault(table, {})[name] = Column(
            kind=row["type"].upper(),
            is_needed=bool(row["notnull"] or row["pk"]),
            usual=row["dflt_value"],
        )
        if row["pk"]:
            main[table] = (*main.get(table, ()), name)
    keys = set(main.items())
    indexes: dict[str, Index] = {}
    for name, rows in groupby(db.rows(_INDEXES), key=itemgetter("name")):
        parts = tuple(rows)
        table, columns = parts[0]["table"], tuple(_part(row) for row in parts)
        if parts[0]["once"]:
            keys.add((table, columns))
        else:
            indexes[name] = Index(table=table, columns=columns, sql=parts[0]["sql"])
    made = db.rows("SELECT type, name, rootpage, sql FROM sqlite_master WHERE type <> 'index'")
    return Shape(
        tables=tables,
        keys=frozenset(keys),
        packed=frozenset(row["name"] for row in made if _PACKED.search(row["sql"] or "")),
        indexes=indexes,
        others=frozenset(f"the {row['type']} {row['name']}" for row in made if not row["rootpage"]),
    )


def _part(row: Any) -> str:  # noqa: ANN401 - a row
    """Name a column of an index, with all that makes it another one."""
    name = row["column"] or "what is worked out"
    down = " downwards" if row["down"] else ""
    kind = "" if row["coll"] == "BINARY" else f" as {row['coll']}"
    return f"{name}{down}{kind}{' in part' if row['partial'] else ''}"
