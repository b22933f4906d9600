"""All kinds of pools at once, each on its own: trouble with one is a blind spot of that one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime

from watcher.facts.pool import Pool
from watcher.readers.errors import ReadError
from watcher.readers.host import Host
from watcher.readers.pools import btrfs, lvm, md
from watcher.readers.pools.shape import Blocks, PoolsRead, blindness_of, together


def read_pools(
    host: Host, blocks: Blocks, *, observed_at: datetime, previous: Iterable[Pool] = ()
) -> PoolsRead:
    """Look at the pools of every kind."""
    before = tuple(previous)
    kinds: tuple[tuple[str, Callable[[], PoolsRead]], ...] = (
        (md.SOURCE, lambda: md.read(host, blocks, observed_at=observed_at, previous=before)),
        (lvm.SOURCE, lambda: lvm.read(host, blocks, observed_at=observed_at, previous=before)),
        (btrfs.SOURCE, lambda: btrfs.read(host, blocks, observed_at=observed_at)),
    )
    return together(_alone(source, look) for source, look in kinds)


def _alone(source: str, look: Callable[[], PoolsRead]) -> PoolsRead:
    try:
        return look()
    except ReadError as error:
        return PoolsRead(blind=(blindness_of(source, error),))
