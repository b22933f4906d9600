"""All kinds of pools at once, each on its own: trouble with one is a blind spot of that one.

A stack without its tool is a full answer only where the block devices are known and none of them
carries that stack's signature: so each reader is told its carriers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from functools import partial

from watcher.facts.pool import Pool
from watcher.readers.block_map import BlockMap
from watcher.readers.errors import ReadError
from watcher.readers.host import Host
from watcher.readers.pools import btrfs, file_parity, lvm, md, zfs
from watcher.readers.pools.md_stopped import Carrier
from watcher.readers.pools.shape import Blocks, PoolsRead, blindness_of, together

SIGNATURES = {
    md.SOURCE: frozenset({"linux_raid_member", "isw_raid_member", "ddf_raid_member"}),
    lvm.SOURCE: frozenset({"LVM2_member"}),
    zfs.SOURCE: frozenset({"zfs_member"}),
    btrfs.SOURCE: frozenset({"btrfs"}),
}
"""What lsblk calls the signature of a member (libblkid's names), for each kind of pool."""


def carriers_of(source: str, blocks: Blocks) -> tuple[str, ...] | None:
    """Name the block devices that carry a stack's signature; None when they are not known."""
    if not isinstance(blocks, BlockMap):
        return None
    kinds = SIGNATURES[source]
    return tuple(block.kname for block in blocks.blocks if block.filesystem in kinds)


def _array_carriers(blocks: Blocks) -> tuple[Carrier, ...] | None:
    """Give the devices with the signature of a software array; None when they are not known."""
    if not isinstance(blocks, BlockMap):
        return None
    return tuple(
        Carrier(
            name=block.kname,
            uuid=(block.uuid or "") if block.filesystem == "linux_raid_member" else "",
            label=block.label,
            in_use=any(blocks.above(block.kname)),
        )
        for block in blocks.blocks
        if block.filesystem in SIGNATURES[md.SOURCE]
    )


def read_pools(
    host: Host,
    blocks: Blocks,
    *,
    observed_at: datetime,
    previous: Iterable[Pool] = (),
    wake: bool = True,
) -> PoolsRead:
    """Look at the pools of every kind. ``previous`` are those of the last look, for comparison.

    With ``wake`` off nothing is asked that walks all disks (changes since the last sync of
    file-level parity): what the last look found of it is kept.
    """
    before = tuple(previous)
    kinds = (
        (md.SOURCE, partial(md.read, carriers=_array_carriers(blocks), previous=before)),
        (lvm.SOURCE, partial(lvm.read, carriers=carriers_of(lvm.SOURCE, blocks), previous=before)),
        (zfs.SOURCE, partial(zfs.read, carriers=carriers_of(zfs.SOURCE, blocks), previous=before)),
        (btrfs.SOURCE, partial(btrfs.read, carriers=carriers_of(btrfs.SOURCE, blocks))),
        (
            file_parity.SOURCE,
            partial(file_parity.read, look_for_changes=wake, previous=before),
        ),
    )
    return together(
        _alone(source, partial(read, host, blocks, observed_at=observed_at))
        for source, read in kinds
    )


def _alone(source: str, look: Callable[[], PoolsRead]) -> PoolsRead:
    try:
        return look()
    except ReadError as error:
        return PoolsRead(blind=(blindness_of(source, error),))
