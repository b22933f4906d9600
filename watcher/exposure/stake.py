"""Which bytes a loss beyond the margin would cost."""

from __future__ import annotations

from watcher.facts.pool import AtStake, Pool, Role


def bytes_at_stake(pool: Pool) -> int | None:
    """Give how much a loss beyond the margin costs; None when not known.

    Where only the lost drives' own content goes, that is one drive more than the full margin, at
    the mean share of a data drive.
    """
    held = pool.used_bytes if pool.used_bytes is not None else pool.capacity_bytes
    if held is None or pool.at_stake is AtStake.POOL:
        return held
    data = [m for m in pool.in_tree if m.role is Role.DATA]
    if not data:
        return held
    drives = min(len(data), (pool.full_margin or 0) + 1)
    return round(held * drives / len(data))


def without_backup(pool: Pool, alone: int | None) -> int | None:
    """Give how much of what is at stake has no backup; None when not known.

    ``alone`` is how much of the whole pool has none. Where only some drives' content is at stake,
    it is taken as spread evenly.
    """
    at_stake = bytes_at_stake(pool)
    if alone is None or at_stake is None or pool.at_stake is AtStake.POOL:
        return alone if at_stake is None or alone is None else min(alone, at_stake)
    held = pool.used_bytes if pool.used_bytes is not None else pool.capacity_bytes
    return min(at_stake, round(alone * at_stake / held)) if held else alone
