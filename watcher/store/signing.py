"""What the pages sign and take once: signing keys, and forms that were sent.

Signing keys are secrets and are what they are; the file of the store is readable by its owner only.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from watcher.store.codec import making_sense
from watcher.store.connection import Values
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, to_micros

KEY_SERVES = timedelta(days=30)
"""How long a signing key signs; then a new one does. Our choice."""

KEY_LIVES = timedelta(days=60)
"""How long a key can still check what it signed: as long as it signs, and as long as the longest
link lives after that. Our choice."""

TICKET_KEPT = timedelta(days=3)
"""How long it is remembered that a form was sent: longer than a form can be sent. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SigningKey:
    """A secret by which links and forms are signed."""

    number: int
    secret: bytes = field(repr=False)
    made_at: datetime


class SigningPart(Part):
    """Keep what is signed with, and what was sent."""

    def signing_keys(self, now: datetime) -> tuple[SigningKey, ...]:
        """Give the keys by which something may have been signed, newest first."""
        return tuple(
            key
            for row in self.db.rows(statements("signing")["every-key"])
            if (key := _key(row)).made_at > now - KEY_LIVES
        )

    def key_to_sign(self, now: datetime, fresh: bytes) -> SigningKey:
        """Give the key to sign with now; when it is time for a new one, that is ``fresh``.

        Keys that cannot have signed anything that still lives are forgotten then.
        """
        found = self.signing_keys(now)
        if found and found[0].made_at > now - KEY_SERVES:
            return found[0]
        self.add_key(now, fresh)
        before = to_micros(now - KEY_LIVES)
        self.db.change(statements("signing")["drop-keys"], {"made_before": before})
        return self.signing_keys(now)[0]

    def add_key(self, now: datetime, fresh: bytes) -> None:
        """Begin to sign with a new key."""
        self.told_or_said()
        values: Values = {"secret": fresh.hex(), "made_at": to_micros(now)}
        self.db.change(statements("signing")["add-key"], values)

    def drop_old_keys(self) -> None:
        """Forget every key but the newest: what was signed with them is worth nothing then."""
        self.told_or_said()
        self.db.change(statements("signing")["drop-keys"], {"made_before": 2**62})

    def use_ticket(self, ticket: str, now: datetime) -> bool:
        """Note that a form was sent; False when it was sent before."""
        self.told_or_said()
        sql = statements("signing")
        before = to_micros(now - TICKET_KEPT)
        self.db.change(sql["drop-tickets"], {"used_before": before})
        values: Values = {"ticket": ticket, "used_at": to_micros(now)}
        return self.db.change(sql["use-ticket"], values) > 0

    def give_back_ticket(self, ticket: str) -> None:
        """Let a form be sent again that did nothing."""
        self.told_or_said()
        self.db.change(statements("signing")["give-back-ticket"], {"ticket": ticket})


def _key(row: Any) -> SigningKey:  # noqa: ANN401 - a row
    with making_sense("a signing key"):
        return SigningKey(
            number=row["id"],
            secret=bytes.fromhex(row["secret"]),
            made_at=from_micros(row["made_at"]),
        )
