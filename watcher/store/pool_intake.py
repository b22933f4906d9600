"""Pools into the history: how each is now, a row when its state changed, samples of its work."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from watcher.facts.pool import Pool, Protection, WorkKind
from watcher.facts.standing import as_borne
from watcher.store.codec import POOL, clean
from watcher.store.connection import Value, Values
from watcher.store.part import Part
from watcher.store.round import Round
from watcher.store.statements import statements
from watcher.store.times import to_micros_or_none

_SCRUBS = {WorkKind.SCRUB.value, WorkKind.REPAIR.value}


@dataclass(slots=True)
class PoolBatch:
    """Rows about several pools that are written together, in this order."""

    seen: list[Values] = field(default_factory=list)
    work: list[Values] = field(default_factory=list)
    changes: list[Values] = field(default_factory=list)


class PoolIntake(Part):
    """Take in pools."""

    def take_pools(self, here: Round, pools: Iterable[Pool]) -> None:
        """Put pools into the history. A late survey leaves what is newer as it is.

        A pool that stands twice in one survey is taken in twice, one after the other.
        """
        left = every = list(pools)
        while left:
            now = {pool.pool: pool for pool in reversed(left)}
            self._take_each(here, list(reversed(now.values())), every)
            left = [pool for pool in left if now[pool.pool] is not pool]

    def _take_each(self, here: Round, pools: list[Pool], every: list[Pool]) -> None:
        """Put pools into the history that are not the same, all rows of a kind at once.

        Of ``every`` pool of the survey it is told which bear a loss for others.
        """
        sql = statements("intake")
        known = self.pool_rows(here.box)
        names = {row["pool"] for row in known}
        new: list[Values] = [_who(here, pool) for pool in pools if pool.pool not in names]
        if new:
            self.db.change_many(sql["new-pool"], new)
            known = self.pool_rows(here.box)
        rows = {row["pool"]: row for row in known}
        last = {r["pool"]: r for r in self.db.rows(sql["last-pool-changes"], {"box": here.box})}
        batch = PoolBatch()
        for pool in pools:
            row = rows[pool.pool]
            if here.taken_at >= here.known_until(row["last_seen"]):
                stands = as_borne(pool, every)
                self._take_pool(here, pool, stands, row, last.get(row["id"]), batch)
        self.db.change_many(sql["pool-seen"], batch.seen)
        self.db.change_many(sql["add-pool-work"], batch.work)
        self.db.change_many(sql["add-pool-change"], batch.changes)

    def _take_pool(
        self,
        here: Round,
        pool: Pool,
        stands: Pool,
        row: Any,  # noqa: ANN401 - a row
        last: Any,  # noqa: ANN401 - a row
        batch: PoolBatch,
    ) -> None:
        """Put a pool into the history; ``row`` is how it was seen last, ``last`` its state then.

        ``stands`` is the pool with the margin that its data has.
        """
        values: dict[str, Value] = _who(here, pool) | {
            "id": row["id"],
            "protection": stands.protection.value,
            "margin": stands.margin,
            "full_margin": row["full_margin"] if stands.full_margin is None else stands.full_margin,
            "not_whole_since": _not_whole_since(stands, row["not_whole_since"], here.taken_at),
            "work_kind": pool.work.kind.value if pool.work is not None else None,
            "work_state": pool.work.state.value if pool.work is not None else None,
            "scrubbed_at": self._scrubbed_at(here, pool, row),
            "in_use": int(row["in_use"] or here.missed(row["last_seen"])),
            "lost": json.dumps(_lost(pool, row)),
            "body": POOL.write(pool),
        }
        if values["work_kind"] is None or values["work_kind"] != row["work_kind"]:
            values["work_since"] = None if pool.work is None else here.taken_at
        else:
            values["work_since"] = row["work_since"]
        batch.seen.append(values)
        if pool.work is not None:
            sample: dict[str, Value] = {
                "pool": row["id"],
                "at": here.taken_at,
                "kind": pool.work.kind.value,
                "done_fraction": pool.work.done_fraction,
            }
            batch.work.append(sample)
        state: dict[str, Value] = {
            "protection": values["protection"],
            "margin": stands.margin,
            "full_margin": stands.full_margin,
            "work_kind": values["work_kind"],
            "work_state": values["work_state"],
            "said": clean(pool.said),
            "drives": json.dumps(sorted(pool.drives)),
        }
        if last is None or {name: last[name] for name in state} != state:
            batch.changes.append(state | {"pool": row["id"], "at": here.taken_at})

    def _scrubbed_at(self, here: Round, pool: Pool, row: Any) -> int | None:  # noqa: ANN401 - a row
        """Give when the last full scrub ended: as the stack says, or as we saw.

        A scrub that we watched counts when, at its last pace, it must have come to its end before
        this survey, and nothing else has taken its place; one that was stopped on the way never
        does.
        """
        said = to_micros_or_none(pool.scrubbed_at)
        known: int | None = row["scrubbed_at"]
        if said is not None:
            known = said if known is None else max(said, known)
        if row["work_kind"] not in _SCRUBS or pool.work is not None:
            return known
        ended = self._scrub_end(row["id"], row["work_kind"], row["work_since"], here.taken_at)
        if ended is None:
            return known
        return ended if known is None else max(ended, known)

    def _scrub_end(self, number: int, kind: str, since: int, now: int) -> int | None:
        """Work out when a scrub that is over reached its end, or None when it cannot have."""
        samples = [
            sample
            for sample in self.db.rows(
                statements("intake")["last-pool-work"],
                {"pool": number, "since": since, "limit": 2},
            )
            if sample["kind"] == kind and sample["done_fraction"] is not None
        ]
        if len(samples) < 2:
            return None
        last, before = samples
        gain = last["done_fraction"] - before["done_fraction"]
        span = last["at"] - before["at"]
        if gain <= 0 or span <= 0:
            return None
        ends = last["at"] + round((1.0 - last["done_fraction"]) * span / gain)
        return ends if ends <= now else None


def _who(here: Round, pool: Pool) -> dict[str, Value]:
    """Say which pool it is, and when it was seen."""
    return {
        "box": here.box,
        "pool": pool.pool,
        "name": clean(pool.name),
        "kind": pool.kind.value,
        "at": here.taken_at,
    }


def _lost(pool: Pool, row: Any) -> list[str]:  # noqa: ANN401 - a row
    """Name the drives that the pool rested on while it was whole and misses since.

    A pool that is whole misses none, whatever it was built from before. While it cannot be seen
    nothing is added and nothing forgotten.
    """
    known: set[str] = set(json.loads(row["lost"]))
    if pool.protection is Protection.WHOLE:
        return []
    if pool.tree is None or pool.protection is Protection.UNKNOWN:
        return sorted(known)
    before = POOL.read(row["body"], "a pool").drives if row["body"] else frozenset()
    return sorted((known | before) - pool.drives)


def _not_whole_since(pool: Pool, known: int | None, at: int) -> int | None:
    """Give since when the pool lacks margin.

    A pool that cannot be seen neither begins nor ends that; one built without margin never had it
    to lose.
    """
    if pool.protection is Protection.UNKNOWN:
        return known
    built_bare = pool.full_margin == 0 and pool.protection is not Protection.BROKEN
    if pool.protection is Protection.WHOLE or built_bare:
        return None
    return at if known is None else known
