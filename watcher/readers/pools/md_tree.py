"""From the slots of a software array to the tree of its redundancy.

Sources: md(4) (levels, raid10 layouts), Documentation/admin-guide/md.rst, and for the place of the
copies in raid10 ``setup_geo`` and ``__raid10_find_phys`` of drivers/md/raid10.c (from memory):
copies of a chunk lie on adjacent devices. With ``near`` copies the groups begin at multiples of
that number, counted round the array, so they overlap when the devices do not divide by it; with
``far`` or ``offset`` copies every device's neighbour holds its copies. Overlapping groups are
kept as overlapping mirrors, so a member may stand in several; the margin is exact either way.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

from watcher.facts.pool import Member, RedundancySet
from watcher.readers.pools.shape import mirror, parity, stripe

PARITY_DEVICES = {"raid4": 1, "raid5": 1, "raid6": 2}
"""Losses that each parity level bears (md(4))."""

PARITY_LEVELS = frozenset(PARITY_DEVICES)
PLAIN_LEVELS = frozenset({"linear", "raid0"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Copies:
    """How raid10 places its copies."""

    near: int = 1
    far: int = 1
    far_sets: int = 0  # 0: the far copies go round the whole array; 1, 2: round groups of devices

    @property
    def count(self) -> int:
        """Give how many copies there are of everything."""
        return self.near * self.far


def copies_of_layout(layout: int) -> Copies:
    """Read the number in ``layout``: near, far << 8, offset << 16, far sets << 17."""
    return Copies(near=layout & 0xFF, far=(layout >> 8) & 0xFF, far_sets=(layout >> 17) & 3)


def copy_groups(devices: int, copies: Copies) -> tuple[tuple[int, ...], ...]:
    """Give the groups of slots that hold the same data, in order of their first slot."""
    if not 0 < copies.count <= devices:
        return ()
    groups: list[tuple[int, ...]] = []
    for first, size in _rings(devices, copies):
        step = gcd(copies.near, size)
        for start in range(0, size, step):
            group = tuple(first + (start + i) % size for i in range(copies.count))
            if sorted(group) not in [sorted(other) for other in groups]:
                groups.append(group)
    return tuple(groups)


def _rings(devices: int, copies: Copies) -> list[tuple[int, int]]:
    """Give the runs of slots (first, size) that copies stay within."""
    if copies.far == 1 or not copies.far_sets:
        return [(0, devices)]
    size = devices // copies.far if copies.far_sets == 1 else copies.count
    count = devices // size
    rings = [(i * size, size) for i in range(count)]
    last, _ = rings[-1]
    rings[-1] = (last, devices - last)  # the last one takes what does not divide
    return rings


def tree_of(level: str, slots: tuple[Member, ...], copies: Copies) -> RedundancySet | None:
    """Build the tree; None when the level says nothing about redundancy that we know."""
    if not slots:
        return None
    if level in PLAIN_LEVELS:
        return stripe(level, slots)
    if level == "raid1":
        return mirror(level, slots)
    if level in PARITY_DEVICES:
        return parity(level, PARITY_DEVICES[level], slots)
    if level == "raid10":
        groups = copy_groups(len(slots), copies)
        sets = tuple(
            mirror(f"copies {'+'.join(str(i) for i in group)}", tuple(slots[i] for i in group))
            for group in groups
        )
        if len(sets) == 1:
            return sets[0]
        return stripe(level, sets) if sets else None
    return None
