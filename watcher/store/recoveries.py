"""The recoveries of pools: those that go on, and the written record of those that are over."""

from __future__ import annotations

from typing import Final

from watcher.facts.identity import BoxId, PoolId
from watcher.recovery.record import RECOVERY_FORMAT, Recovery
from watcher.store.codec import Form
from watcher.store.connection import Value
from watcher.store.errors import StoreTooNew
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import to_micros, to_micros_or_none

RECOVERY: Final = Form[Recovery](Recovery)

_ENDLESS: Final = 1000
"""More recoveries than a box will ever see."""


def read_recovery(text: str) -> Recovery:
    """Read a recovery. Raises StoreDamaged or, for a newer form, StoreTooNew."""
    found = RECOVERY.read(text, "a recovery")
    if found.format > RECOVERY_FORMAT:
        raise StoreTooNew(
            "a recovery in the store was written by a newer version of midwatch: update midwatch"
        )
    return found


class RecoveriesPart(Part):
    """Keep recoveries."""

    def save_recovery(self, box: BoxId, recovery: Recovery) -> None:
        """Write a recovery; it is told by its pool and when it opened."""
        self.db.change(
            statements("recoveries")["save-recovery"],
            {
                "box": box,
                "pool": recovery.pool,
                "opened_at": to_micros(recovery.opened_at),
                "closed_at": to_micros_or_none(recovery.closed_at),
                "state": RECOVERY.write(recovery),
            },
        )

    def open_recoveries(self, box: BoxId) -> tuple[Recovery, ...]:
        """Give the recoveries of a box that go on, oldest first."""
        rows = self.db.rows(statements("recoveries")["open-recoveries"], {"box": box})
        return tuple(read_recovery(row["state"]) for row in rows)

    def recoveries(
        self, box: BoxId, pool: PoolId | None = None, *, limit: int = _ENDLESS
    ) -> tuple[Recovery, ...]:
        """Give the recoveries of a box or of one pool, newest first, at most ``limit``."""
        sql = statements("recoveries")[
            "recoveries-of-box" if pool is None else "recoveries-of-pool"
        ]
        values: dict[str, Value] = {"box": box, "limit": limit}
        if pool is not None:
            values["pool"] = pool
        rows = self.db.rows(sql, values)
        return tuple(read_recovery(row["state"]) for row in rows)
