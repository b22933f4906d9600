"""From memory back to the disk, when it takes writes again.

Rows are matched by what they are about, never by their numbers, since a memory that began empty
numbered things anew. Such a memory also has a case book of its own, which cannot be joined with
the one on the disk: then the history and the messages come back, and the desk judges anew on the
book of the disk. People may hear of a case a second time; none is lost. Links that were signed in
memory stay valid; spares and accounts are those of the disk.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from watcher.store.connection import Value
from watcher.store.database import Store
from watcher.store.memory import MIRRORED, Fallback
from watcher.store.recall import Recall
from watcher.store.salvage import Table, our_tables


def return_to_disk(memory: Fallback, disk: Store) -> None:
    """Bring what happened in memory to the disk, in one transaction; the newer wins.

    What another process managed to write to the disk meanwhile about the same cases is replaced.
    Raises StoreError when the disk still does not take it; then it is as it was.
    """
    with memory.store.snapshot() as source, disk.transaction() as tx:
        tx.told_or_said()
        for drive in _Return(source.db, tx.db, memory).run():
            tx.recount(drive)


class _Return:
    """One return: the two connections and the numbers that rows have on each."""

    def __init__(self, source: Recall, target: Recall, memory: Fallback) -> None:
        """Prepare; nothing is read yet."""
        self.source = source
        self.target = target
        self.memory = memory
        self.tables = {table.name: table for table in our_tables(source)}

    def run(self) -> Iterable[int]:
        """Bring back every table; give the numbers of the drives whose history has grown."""
        metrics = self._match("metric", ("name",))
        drives = self._match("drive", ("drive",))
        pools = self._match("pool", ("box", "pool"))
        self._bring("change", {"drive": drives, "metric": metrics})
        self._bring("span", {"drive": drives, "metric": metrics})
        self._bring("fresh", {"drive": drives, "metric": metrics})
        self._bring("pool_change", {"pool": pools})
        self._bring("pool_work", {"pool": pools})
        self._add_polls(drives)
        self._bring_boxes()
        self._bring("survey", {})
        if self.memory.knows_the_past:
            self._bring("book", {})
            self._bring("case_file", {})
            for name in MIRRORED:
                self.target.change(f"DELETE FROM {name}")  # noqa: S608 - a name of ours
                self._bring(name, {})
        else:
            self._bring("kept", {})
            self._match("recovery", ("box", "pool", "opened_at"))
            self._append("signing_key", 0)
            self._append("restore_try", 0)
        for name in ("record", "event", "audit"):
            self._append(name, self.memory.copied_up_to.get(name, 0))
        notices = self._match("notice", ("box", "notice_key", "target"), renamed="notice_key")
        self._bring("attempt", {"notice": notices})
        return drives.values()

    def _match(
        self, name: str, key: tuple[str, ...], *, renamed: str | None = None
    ) -> Mapping[int, int]:
        """Bring back a numbered table, matched by its key; give the new number of each row.

        A memory that does not know the past gets its ``renamed`` column marked, so that its keys
        are not taken for those of the disk.
        """
        table = self.tables[name]
        where = " AND ".join(f"{column} = :{column}" for column in key)
        find = f"SELECT id FROM {name} WHERE {where}"  # noqa: S608 - names of ours
        numbers: dict[int, int] = {}
        for row in self._rows(table):
            number = row.pop("id")
            if renamed is not None and not self.memory.knows_the_past:
                row[renamed] = f"{row[renamed]!s}/from-memory-{row['created_at']!s}"
            there = self.target.one(find, row)
            if there is None:
                self.target.change(_insert(table, row), row)
                there = self.target.one(find, row)
            else:
                row["id"] = there["id"]
                self.target.change(_update(table, row), row)
            numbers[int(str(number))] = there["id"]
        return numbers

    def _bring(self, name: str, numbers: Mapping[str, Mapping[int, int]]) -> None:
        """Bring back a table whose key is made of numbers or of what it is about."""
        table = self.tables[name]
        for row in self._rows(table):
            for column, new in numbers.items():
                row[column] = new.get(int(str(row[column])))
            if all(row[column] is not None for column in numbers):
                self.target.change(table.insert("REPLACE"), row)

    def _append(self, name: str, after: int) -> None:
        """Add the rows that are new in memory, with new numbers; the others may have grown."""
        table = self.tables[name]
        for row in self._rows(table):
            if int(str(row["id"])) <= after:
                self.target.change(_update(table, row), row)
                continue
            row.pop("id")
            self.target.change(_insert(table, row), row)

    def _bring_boxes(self) -> None:
        """Bring back the last survey of each box; when it was first seen stays."""
        table = self.tables["box"]
        for row in self._rows(table):
            there = self.target.one("SELECT first_seen FROM box WHERE box = :box", row)
            if there is not None:
                row["first_seen"] = there["first_seen"]
            self.target.change(table.insert("REPLACE"), row)

    def _add_polls(self, drives: Mapping[int, int]) -> None:
        """Add the daily counts to those on the disk."""
        table = self.tables["poll"]
        sums = ", ".join(
            f"{name} = poll.{name} + excluded.{name}" for name in table.columns if "count" in name
        )
        for row in self._rows(table):
            row["drive"] = drives[int(str(row["drive"]))]
            sql = f"{_insert(table, row)} ON CONFLICT (day, drive) DO UPDATE SET {sums}"
            self.target.change(sql, row)

    def _rows(self, table: Table) -> Iterable[dict[str, Value]]:
        """Give the rows of a table in memory, to be changed at will."""
        return (dict(row) for row in self.source.walk(table.select()))


def _insert(table: Table, row: Mapping[str, Value]) -> str:
    """Give the statement that adds a row with the columns it has."""
    names = ", ".join(row)
    values = ", ".join(f":{name}" for name in row)
    return f"INSERT INTO {table.name} ({names}) VALUES ({values})"  # noqa: S608 - names of ours


def _update(table: Table, row: Mapping[str, Value]) -> str:
    """Give the statement that replaces what is there; the first time something was seen stays."""
    sets = ", ".join(f"{name} = :{name}" for name in row if name not in {"id", "first_seen"})
    return f"UPDATE {table.name} SET {sets} WHERE id = :id"  # noqa: S608 - names of ours
