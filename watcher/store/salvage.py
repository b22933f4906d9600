"""A damaged store: seen, set aside, and as much of it kept as can be read.

A rescue is plain: every row that can still be read is copied into a new store, the damaged file
gets a name with the time (nothing of it is ever deleted), and the new one takes its place. Each
table is read from its beginning until the damage, and then from its end backwards until the
damage; what lies between is lost to the new store. Rows that the desk could not read are left out,
and so are tables and columns that are not ours.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from watcher.store.book import record_of
from watcher.store.codec import BOOK, CASE, Form, read_day
from watcher.store.connection import SET_UP_TO_RESCUE, Connect, Db, Values, open_db
from watcher.store.errors import (
    StoreDamaged,
    StoreError,
    StoreForeign,
    StoreFull,
    StoreLocked,
    StoreReadOnly,
    translate_os,
)
from watcher.store.form import check_form, form_by_its_tables
from watcher.store.history import known_drive
from watcher.store.migrate import version_of
from watcher.store.outbox import notice_of
from watcher.store.questions import event_of, pool_past_of
from watcher.store.recall import Recall
from watcher.store.recoveries import RECOVERY
from watcher.store.statements import statements

_HEADER = b"SQLite format 3\x00"  # sqlite.org/fileformat.html, section 1.3.1
_MOST_FLIPPED = 4
"""Bytes of the header's text that may be wrong in a file that still counts as ours; our choice:
a file with less in common was never a database, and must not be moved about."""

SMALLEST_ROW_BYTES = 4
"""No row of ours is smaller in the file, so more rows than this allows are a loop in the damage."""


def _check_drive(row: Any) -> None:  # noqa: ANN401 - a row
    known_drive(row)
    read_day(row["day"])


def _check_kept(row: Any) -> None:  # noqa: ANN401 - a row
    if row["name"] == RESCUE_NOTE:
        _RESCUE.read(row["text"], "the note of a rescue")


_CHECKS: Mapping[str, Callable[[Any], object]] = {
    "book": lambda row: BOOK.read(row["state"], "a case book"),
    "case_file": lambda row: CASE.read(row["state"], "a case"),
    "drive": _check_drive,
    "event": event_of,
    "kept": _check_kept,
    "notice": notice_of,
    "pool": pool_past_of,
    "record": record_of,
    "recovery": lambda row: RECOVERY.read(row["state"], "a recovery"),
}
"""Tables without which a round cannot be finished: each row is read as the desk will read it."""

_ORPHANS = (
    ("change", "drive", "drive"),
    ("change", "metric", "metric"),
    ("span", "drive", "drive"),
    ("span", "metric", "metric"),
    ("fresh", "drive", "drive"),
    ("fresh", "metric", "metric"),
    ("poll", "drive", "drive"),
    ("raw_answer", "drive", "drive"),
    ("pool_change", "pool", "pool"),
    ("pool_work", "pool", "pool"),
    ("attempt", "notice", "notice"),
)
"""Table, column, and the table whose number it holds: a number whose row was lost will be given
anew, and must not find the history of something else."""

_MARK_KEYS = """
UPDATE notice SET notice_key = notice_key || :mark WHERE box NOT IN (SELECT box FROM book)
"""
"""Where the case book was lost its numbers may be given anew; a message of then must not make one
of now look as if it had been decided before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rescue:
    """What was done about a damaged store."""

    at: datetime
    reason: str  # what was seen, one sentence
    aside: Path  # where the damaged file is now
    rows_kept: int = 0
    tables_cut: tuple[str, ...] = ()  # tables of which a part could not be read
    was_changed: bool = False  # its tables were not those that we made: no sign of a bad drive

    @property
    def sentence(self) -> str:
        """Tell the person what happened, in one sentence."""
        lost = (
            f"parts of these were lost: {', '.join(self.tables_cut)}"
            if self.tables_cut
            else "every table could be read"
        )
        return (
            f"The history was damaged and was set aside as {self.aside}; a new one was begun with "
            f"the {self.rows_kept} rows that could be read ({lost})."
        )


RESCUE_NOTE = "rescue"
_RESCUE = Form[Rescue](Rescue)


def refuse_foreign(path: Path, where: str) -> None:
    """Raise StoreForeign for a file that was never a database: it must not be set aside.

    A file of nothing but zeros (a crash of the machine leaves such) and one whose header differs
    in a few bytes count as ours, and as damaged.
    """
    try:
        with path.open("rb") as file:
            head = file.read(len(_HEADER))
    except OSError as error:
        raise translate_os(error, where) from error
    if not head.strip(b"\x00"):
        return
    padded = head.ljust(len(_HEADER), b"\xff")
    wrong = sum(one != other for one, other in zip(padded, _HEADER, strict=True))
    if wrong > _MOST_FLIPPED:
        raise StoreForeign(f"{where} is not a store of midwatch: choose another path for it")


def examine(db: Db) -> None:
    """Look at a database from end to end. Raises StoreDamaged with what was found first."""
    found = db.one("PRAGMA quick_check(1)")[0]
    if found != "ok":
        raise StoreDamaged(f"{db.where} is damaged ({' '.join(str(found).split())})")
    check_form(db)
    tables = {row[0] for row in db.rows("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for table, check in _CHECKS.items():
        if table in tables:
            for row in db.walk(f"SELECT * FROM {table}"):  # noqa: S608 - a name of ours
                check(row)


def version_of_damaged(path: Path, connect: Connect) -> int | None:
    """Give the form of a damaged file: by its tables, else as its record says; None: not known."""
    said = 0
    try:
        old = open_db(str(path), "the damaged store", connect, SET_UP_TO_RESCUE)
        try:
            with suppress(StoreDamaged):
                said = version_of(old)
            return form_by_its_tables(old, said)
        finally:
            old.close()
    except (StoreDamaged, StoreForeign):
        return said if said > 0 else None


def save_what_is_left(
    rescue: Rescue, path: Path, beside: Path, where: str, connect: Connect
) -> None:
    """Copy every row that can be read from the damaged file at ``path`` to the new one ``beside``.

    The new store must have the form of the old one. All is copied in one transaction, with a
    note of the rescue, which stays until a person was told. Raises StoreError when the new one
    cannot be written; then nothing has happened to the old one.
    """
    new = open_db(str(beside), where, connect)
    try:
        new.change("BEGIN IMMEDIATE")
        done = replace(rescue, tables_cut=("all of it",))
        with suppress(StoreDamaged):
            old = open_db(str(path), "the damaged store", connect, SET_UP_TO_RESCUE)
            try:
                done = _copy_all(rescue, old, new, path.stat().st_size // SMALLEST_ROW_BYTES)
            finally:
                old.close()
        new.change(_MARK_KEYS, {"mark": f"/before-{rescue.at:%Y%m%dT%H%M%SZ}"})
        note: Values = {"box": "", "name": RESCUE_NOTE, "text": _RESCUE.write(done)}
        new.change(statements("book")["keep"], note)
        new.change("COMMIT")
    finally:
        new.close()


def untold_rescue(db: Db) -> Rescue | None:
    """Give the rescue of which nobody was told yet, or None."""
    row = db.one(statements("book")["kept"], {"box": "", "name": RESCUE_NOTE})
    return None if row is None else _RESCUE.read(row["text"], "the note of a rescue")


def _copy_all(rescue: Rescue, old: Db, new: Db, most: int) -> Rescue:
    """Copy all tables; give the rescue with what came of it."""
    kept, cut = 0, set()
    for table in our_tables(new):
        copied, whole = _copy_table(old, new, table, most)
        kept += copied
        if not whole:
            cut.add(table.name)
    for name, count in _drop_orphans(new).items():
        kept -= count
        cut.add(name)
    return replace(rescue, rows_kept=kept, tables_cut=tuple(sorted(cut)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of ours and how to walk it."""

    name: str
    columns: tuple[str, ...]
    order: tuple[str, ...]  # the columns in whose order its rows lie in the file

    def insert(self, conflict: str) -> str:
        """Give the statement that adds a row; ``conflict`` is IGNORE or REPLACE."""
        names = ", ".join(self.columns)
        values = ", ".join(f":{name}" for name in self.columns)
        return f"INSERT OR {conflict} INTO {self.name} ({names}) VALUES ({values})"  # noqa: S608 - names of ours

    def select(self, *, where: str = "", backwards: bool = False) -> str:
        """Give the statement that walks the table, or a part of it, from one end."""
        way = " DESC" if backwards else ""
        order = ", ".join(f"{name}{way}" for name in self.order)
        return f"SELECT {', '.join(self.columns)} FROM {self.name} {where} ORDER BY {order}"  # noqa: S608 - names of ours


def our_tables(db: Db | Recall) -> Iterator[Table]:
    """Name the tables of a store in good order, but for the record of its migrations."""
    for row in db.rows("SELECT name, sql FROM sqlite_master WHERE type = 'table' ORDER BY name"):
        name = row["name"]
        if name == "schema_step" or name.startswith("sqlite_"):
            continue
        info = db.rows(f"PRAGMA table_info({name})")
        keys = sorted((column["pk"], column["name"]) for column in info if column["pk"])
        packed = "WITHOUT ROWID" in row["sql"]
        yield Table(
            name=name,
            columns=tuple(column["name"] for column in info),
            order=tuple(key for _, key in keys) if packed else ("rowid",),
        )


def _copy_table(old: Db, new: Db, table: Table, most: int) -> tuple[int, bool]:
    """Copy a table from both ends; give how many rows, and whether all of it was taken over."""
    copied, left_out = 0, 0
    for backwards in (False, True):
        rows = _rows_until_damage(old, table.select(backwards=backwards), most)
        while (row := next(rows, None)) is not None:
            if row is _END:
                return copied, not left_out
            taken = 0
            if _makes_sense(table.name, row):
                taken = max(new.change(table.insert("IGNORE"), dict(row)), 0)
            copied += taken
            left_out += 1 - taken
    return copied, False


_END = object()


def _rows_until_damage(old: Db, sql: str, most: int) -> Iterator[Any]:
    """Give rows until they end, and then ``_END``; only the rows where damage ends them.

    More than ``most`` rows are a tree that leads in circles. A table that is not there ends too,
    and so does one that lacks a column: with that made up its rows would say what nobody saw.
    """
    try:
        for number, row in enumerate(old.walk(sql)):
            if number > most:
                return
            yield row
    except (StoreFull, StoreReadOnly, StoreLocked):
        raise
    except StoreError:
        return
    yield _END


def _makes_sense(table: str, row: Any) -> bool:  # noqa: ANN401 - a row
    """Tell whether a row whose content the watch stands on can be used."""
    check = _CHECKS.get(table)
    if check is None:
        return True
    try:
        check(row)
    except StoreDamaged:
        return False
    return True


def _drop_orphans(new: Db) -> dict[str, int]:
    """Drop the rows of drives, metrics, pools and messages that were lost; tell how many."""
    have = {table.name for table in our_tables(new)}
    dropped: dict[str, int] = {}
    for table, column, parent in _ORPHANS:
        if {table, parent} <= have:
            sql = f"DELETE FROM {table} WHERE {column} NOT IN (SELECT id FROM {parent})"  # noqa: S608 - names of ours
            dropped[table] = dropped.get(table, 0) + new.change(sql)
    return {table: count for table, count in dropped.items() if count}
