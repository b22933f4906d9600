"""What a box keeps for its hub: surveys in the order they were taken, until they are taken in.

They are written in the transaction of the box's own desk, so that a survey is both judged here and
kept for the hub, or neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from watcher.facts.identity import BoxId
from watcher.store.codec import clean, making_sense
from watcher.store.connection import Values
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, to_micros


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """A survey that waits for the hub."""

    number: int
    survey: str
    put_at: datetime
    level: int  # how far it was thinned; 0: not at all
    weighs: bool  # it holds what is never thinned
    body: bytes


class OutgoingPart(Part):
    """Keep surveys for the hub."""

    def put_outgoing(self, survey: str, now: datetime, *, weighs: bool, body: bytes) -> None:
        """Keep a survey; what weighs must be on the disk before the box goes on."""
        if weighs:
            self.told_or_said()
        values: Values = {
            "survey": clean(survey),
            "put_at": to_micros(now),
            "weighs": int(weighs),
            "body": body,
        }
        self.db.change(statements("hub")["put-outgoing"], values)

    def first_outgoing(self, after: int = 0) -> Outgoing | None:
        """Give the survey that goes next, of those kept after number ``after``, or None."""
        row = self.db.one(statements("hub")["first-outgoing"], {"after": after})
        return None if row is None else _outgoing(row)

    def outgoing_before(self, number: int) -> tuple[Outgoing, ...]:
        """Give the surveys that were kept before one, oldest first."""
        rows = self.db.rows(statements("hub")["outgoing-before"], {"number": number})
        return tuple(_outgoing(row) for row in rows)

    def outgoing_size(self) -> tuple[int, int]:
        """Give how many bytes and how many surveys wait."""
        row = self.db.one(statements("hub")["outgoing-size"])
        return int(row["size"]), int(row["surveys"])

    def outgoing_below(self, level: int, limit: int) -> tuple[Outgoing, ...]:
        """Give the oldest surveys that are not thinned as far as ``level``."""
        values: Values = {"level": level, "limit": limit}
        rows = self.db.rows(statements("hub")["outgoing-of-level"], values)
        return tuple(_outgoing(row) for row in rows)

    def thin_outgoing(self, number: int, level: int, body: bytes) -> None:
        """Keep less of a survey."""
        values: Values = {"number": number, "level": level, "body": body}
        self.db.change(statements("hub")["thin-outgoing"], values)

    def drop_outgoing(self, number: int) -> None:
        """Keep a survey no more: the hub has it, or it need not be sent."""
        self.db.change(statements("hub")["drop-outgoing"], {"number": number})

    def held_notices(self, box: BoxId, until: datetime) -> tuple[int, ...]:
        """Give the numbers of messages that wait, were never tried and were decided by then.

        Those that were let go are none of them.
        """
        values: Values = {"box": box, "until": to_micros(until)}
        rows = self.db.rows(statements("hub")["waiting-notices"], values)
        return tuple(int(row["id"]) for row in rows)

    def let_go(self, box: BoxId, until: datetime) -> int:
        """Let messages leave that wait and were decided by then; give how many."""
        self.told_or_said()
        values: Values = {"box": box, "until": to_micros(until)}
        return self.db.change(statements("hub")["let-notices-go"], values)


def _outgoing(row: Any) -> Outgoing:  # noqa: ANN401 - a row
    with making_sense("a survey that waits for the hub"):
        return Outgoing(
            number=int(row["number"]),
            survey=row["survey"],
            put_at=from_micros(row["put_at"]),
            level=int(row["level"]),
            weighs=bool(row["weighs"]),
            body=bytes(row["body"]),
        )
