"""Kernel events into the history: like things within an hour become one row with a count."""

from __future__ import annotations

from collections.abc import Iterable

from watcher.facts.identity import BoxId
from watcher.facts.kernel_event import KernelEvent
from watcher.store.codec import clean
from watcher.store.connection import Value
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import HOUR, to_micros

LONGEST_LINE = 1_000
"""Characters of a log line that are kept as evidence; our choice: kernel lines end below that."""


class EventIntake(Part):
    """Take in kernel events."""

    def take_events(self, box: BoxId, events: Iterable[KernelEvent]) -> None:
        """Put kernel events into the history.

        An event joins the row of the same kind about the same thing when that row began no more
        than an hour before: a storm of days stays countable by the hour, and small.
        """
        sql = statements("intake")
        for event in events:
            at = to_micros(event.at)
            last_at = to_micros(event.last_at) if event.last_at is not None else at
            values: dict[str, Value] = {
                "box": box,
                "at": at,
                "last_at": max(at, last_at),
                "since": at - HOUR,
                "category": event.category.value,
                "what": clean(event.what),
                "device": clean(event.device),
                "subject_kind": event.subject.kind.value if event.subject is not None else "",
                "subject_key": event.subject.key if event.subject is not None else "",
                "line": clean(event.line)[:LONGEST_LINE],
                "count": event.count,
            }
            row = self.db.one(sql["event-to-fold-into"], values)
            if row is None:
                self.db.write(sql["add-event"], values)
            else:
                last = max(row["last_at"], at, last_at)
                self.db.write(sql["fold-event"], values | {"id": row["id"], "last_at": last})
