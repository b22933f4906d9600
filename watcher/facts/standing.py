"""How a pool stands that bears no loss itself, where all of it stands on pools that do.

So it is with a filesystem in an encrypted device on an array, and with a stripe over mirrors that
are arrays of their own: a drive that is lost is borne below.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from watcher.facts.margin import judge_pool
from watcher.facts.pool import Pool, Protection, RedundancySet, how_bad


def bearers(pool: Pool, pools: Collection[Pool]) -> tuple[Pool, ...]:
    """Give the pools below that bear a loss, the least protected first; none if any part has none.

    Of those that hold their full margin, the one built to lose the fewest comes first.
    """
    guarded = {p.node: p for p in pools if p.full_margin and p.node and p is not pool}
    found: dict[str, Pool] = {}
    for member in pool.in_tree:
        itself = (member.node,) if member.node in guarded else ()
        below = [node for node in itself or member.stands_on if node]
        if not below or not guarded.keys() >= set(below):
            return ()
        found |= {node: guarded[node] for node in below}
    return tuple(sorted(found.values(), key=lambda p: (-how_bad(p.protection), p.margin or 0)))


def as_borne(pool: Pool, pools: Collection[Pool]) -> Pool:
    """Give a pool with the margin that its data has; one that bears a loss itself as it is.

    So is one that something else than its structure keeps from being whole.
    """
    if pool.full_margin != 0 or pool.protection is not Protection.BARE:
        return pool
    if any(note.at_most is not None for note in pool.notes):
        return pool
    below = bearers(pool, pools)
    if not below:
        return pool
    least = below[0]
    return replace(
        pool,
        protection=least.protection,
        margin=least.margin,
        full_margin=least.full_margin,
    )


def where_borne(pool: Pool, pools: Collection[Pool]) -> Pool:
    """Give the pool of which a lost drive has to be reckoned: itself, or the pool that bears it.

    Where several bear it, they are taken as one, of which the loss of any is the loss of all.
    """
    below = bearers(pool, pools) if pool.full_margin == 0 else ()
    if not below:
        return pool
    if len(below) == 1:
        return below[0]
    trees = tuple(one.tree for one in below if one.tree is not None)
    if len(trees) < len(below):
        return pool
    first = below[0]
    return judge_pool(
        pool=pool.pool,
        name=pool.name,
        kind=first.kind,
        layout=pool.layout,
        observed_at=pool.observed_at,
        tree=RedundancySet(name=pool.layout, bears=0, parts=trees),
        at_stake=pool.at_stake,
        work=first.work,
        notes=tuple(note for one in below for note in one.notes),
        said=first.said,
        capacity_bytes=pool.capacity_bytes,
        used_bytes=pool.used_bytes,
    )
