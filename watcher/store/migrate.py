"""The numbered steps that bring a store to the shape of today.

Each file ``migrations/NNNN_name.sql`` is one step. It runs in one transaction with the row that
records it, so that a store is always exactly at a known step, whenever we are killed. A store
with a step that we do not have was written by a newer version and is refused.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files

from watcher.store.connection import Db
from watcher.store.errors import StoreChanged, StoreError, StoreForeign, StoreTooNew
from watcher.store.times import to_micros

_FILE = re.compile(r"(\d{4})_([a-z_]+)\.sql")

_STEPS_TABLE = """
CREATE TABLE IF NOT EXISTS schema_step (
    number INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    ran_at BIGINT NOT NULL
)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One migration."""

    number: int  # from 1, without gaps
    name: str
    statements: tuple[str, ...]


def split_statements(text: str) -> Iterator[str]:
    """Split a script into its statements, comments kept. Raises ValueError on a cut end."""
    part = ""
    for line in text.splitlines(keepends=True):
        part += line
        if line.rstrip().endswith(";") and sqlite3.complete_statement(part):
            yield part.strip()
            part = ""
    if any(line.strip() and not line.startswith("--") for line in part.splitlines()):
        raise ValueError(f"a statement does not end: {part.strip()[:80]!r}")


@cache
def steps() -> tuple[Step, ...]:
    """Give all steps in order. Raises ValueError when their numbers have a gap."""
    found = [
        Step(
            number=int(match[1]),
            name=match[2],
            statements=tuple(split_statements(file.read_text("utf-8"))),
        )
        for file in files("watcher.store").joinpath("migrations").iterdir()
        if (match := _FILE.fullmatch(file.name)) is not None
    ]
    found.sort(key=lambda step: step.number)
    if [step.number for step in found] != list(range(1, len(found) + 1)):
        raise ValueError("the numbers of the migrations have a gap")
    return tuple(found)


def version_of(db: Db) -> int:
    """Give the last step that a store has taken, 0 for an empty one.

    Raises StoreForeign for a database that has tables, but none of ours, and StoreChanged for one
    of ours without a record that can be read.
    """
    tables = {row["name"] for row in db.rows(db.dialect.tables)}
    if "schema_step" not in tables:
        if _are_ours(tables):
            raise StoreChanged(f"{db.where} is damaged (the record of its form is missing)")
        if tables:
            raise StoreForeign(
                f"{db.where} belongs to another program: choose another place for it"
            )
        return 0
    try:
        number = db.one("SELECT max(number) AS number FROM schema_step")["number"] or 0
    except StoreError as error:
        if type(error) is not StoreError:
            raise
        number = None  # no such column
    if not isinstance(number, int):
        raise StoreChanged(f"{db.where} is damaged (the record of its form cannot be read)")
    return number


def _are_ours(tables: Collection[str]) -> bool:
    """Tell whether tables are those of a store of ours, by the names of the first step."""
    names = {
        match[1]
        for statement in steps()[0].statements
        if (match := re.search(r"^CREATE TABLE (\w+)", statement, re.MULTILINE)) is not None
    }
    return len(names.intersection(tables)) > len(names) / 2


def refuse_newer(db: Db) -> None:
    """Raise StoreTooNew for a store with steps that we do not have; nothing is touched."""
    version, ours = version_of(db), len(steps())
    if version > ours:
        raise StoreTooNew(
            f"{db.where} was written by a newer version of midwatch (its form is {version}, this "
            f"version knows up to {ours}): update midwatch, or choose another path"
        )


def migrate(db: Db, now: datetime, *, upto: int | None = None) -> int:
    """Take the steps that are missing, each in a transaction of its own; give how many."""
    refuse_newer(db)
    wanted = len(steps()) if upto is None else upto
    taken = 0
    while version_of(db) < wanted:
        db.change(db.dialect.begin_alone)
        try:
            # Another process may have taken the step while we waited for the lock.
            version = version_of(db)
            if version < wanted:
                _take(db, steps()[version], now)
                taken += 1
            db.change("COMMIT")
        finally:
            if db.in_transaction:
                db.change("ROLLBACK")
    return taken


def _take(db: Db, step: Step, now: datetime) -> None:
    """Take one step, within the open transaction."""
    db.change(db.dialect.schema(_STEPS_TABLE))
    for statement in step.statements:
        db.change(db.dialect.schema(statement))
    db.change(
        "INSERT INTO schema_step (number, name, ran_at) VALUES (:number, :name, :ran_at)",
        {"number": step.number, "name": step.name, "ran_at": to_micros(now)},
    )
