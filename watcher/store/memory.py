"""When the disk takes no more: the watch goes on with a store in memory.

The state folder may lie on the very drive that is dying. What the desk stands on is copied into
memory (cases, book, outbox, drives, pools, counters, the last weeks of events and records); the
long series, the raw answers and the folded observations are not. The code and the statements are
the same; that this store ends with the process is a finding. ``return_to_disk`` brings it back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from watcher.store.database import Store, open_memory
from watcher.store.errors import StoreError
from watcher.store.salvage import our_tables
from watcher.store.times import to_micros

LATELY = timedelta(days=30)
"""Events, records and messages of that age go into memory; our choice: what a person who is told
now may ask about."""

MIRRORED: Final = (
    "account",
    "box_gap",
    "box_sender",
    "box_token",
    "box_told",
    "drill",
    "enrolled_box",
    "invitation",
    "kept",
    "outgoing",
    "program_token",
    "recovery",
    "restore_try",
    "session",
    "shelf",
    "signing_key",
    "used_ticket",
)
"""Small tables that go into memory whole and come back whole: what was taken away in memory is
gone on the disk too."""

LEFT: Final = ("audit", "fresh", "observation", "poll", "raw_answer", "span")
"""Tables that stay on the disk, and begin empty in memory."""

TAKEN: Final[Mapping[str, str]] = {
    **dict.fromkeys(MIRRORED, ""),
    "attempt": "WHERE at >= :lately",
    "book": "",
    "box": "",
    "case_file": "WHERE in_book = 1",
    "change": "",
    "drive": "",
    "event": "WHERE last_at >= :lately",
    "metric": "",
    "notice": "WHERE state IN ('waiting', 'sending') OR created_at >= :lately",
    "pool": "",
    "pool_change": "",
    "pool_work": "WHERE at >= :lately",
    "record": "WHERE at >= :lately",
    "survey": "",
}
"""The tables that go into memory, and which of their rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fallback:
    """A store in memory, and what it was made from."""

    store: Store
    knows_the_past: bool  # False: it began empty, because the disk could not be read
    unreadable: str = ""  # why
    copied_up_to: Mapping[str, int] = field(default_factory=dict)  # last number in a table


def fall_back(store: Store | None, *, now: datetime) -> Fallback:
    """Give a store in memory with what the desk needs of ``store`` (None: it could not be opened).

    The old store is left open and untouched. When a part of it cannot be read the memory begins
    empty: half a memory would contradict what is on the disk.
    """
    if store is None:
        return Fallback(store=open_memory(now=now), knows_the_past=False)
    memory = open_memory(now=now)
    try:
        with store.snapshot() as old, memory.transaction() as tx:
            for table in list(our_tables(tx.db)):
                if table.name in TAKEN:
                    sql = table.select(where=TAKEN[table.name])
                    for row in old.db.walk(sql, {"lately": to_micros(now - LATELY)}):
                        tx.db.change(table.insert("REPLACE"), dict(row))
            last = {
                name: tx.db.one(f"SELECT max(id) AS last FROM {name}")["last"] or 0  # noqa: S608 - names of ours
                for name in ("record", "event")
            }
    except StoreError as error:
        memory.close()
        return Fallback(
            store=open_memory(now=now),
            knows_the_past=False,
            unreadable=str(error),
        )
    return Fallback(store=memory, knows_the_past=True, copied_up_to=last)
