"""The chance of loss by trying everything: slow and plain, to hold the quick ways against."""

from __future__ import annotations

from itertools import combinations, product

from watcher.facts.identity import DriveId
from watcher.facts.pool import Member, MemberState, RedundancySet, members_of


def by_hand(
    tree: RedundancySet, fails: dict[DriveId, float], unread: dict[DriveId, float]
) -> tuple[float, float]:
    """Try every combination of failing and unreadable drives: slow and plain."""
    drives = sorted({d for m in members_of(tree) for d in m.drives})
    lost = damaged = 0.0
    for states in product(("lost", "dirty", "clean"), repeat=len(drives)):
        weight = 1.0
        for drive, state in zip(drives, states, strict=True):
            p, u = fails.get(drive, 0.0), unread.get(drive, 0.0)
            weight *= {"lost": p, "dirty": (1 - p) * u, "clean": (1 - p) * (1 - u)}[state]
        if weight == 0:
            continue
        where = dict(zip(drives, states, strict=True))

        def judge(part: RedundancySet | Member, where: dict[DriveId, str] = where) -> str:
            if isinstance(part, Member):
                if part.state is not MemberState.GOOD:
                    return "lost"
                kinds = {where[d] for d in part.drives}
                return "lost" if "lost" in kinds else "dirty" if "dirty" in kinds else "clean"
            below = [judge(one) for one in part.parts]
            gone = below.count("lost")
            if gone > part.bears:
                return "lost"
            return "dirty" if gone == part.bears and "dirty" in below else "clean"

        end = judge(tree)
        lost += weight * (end == "lost")
        damaged += weight * (end == "dirty")
    return lost, damaged


def stands(part: RedundancySet | Member, gone: frozenset[DriveId]) -> bool:
    """Say whether data survives, straight from the definition: no more parts lost than borne."""
    if isinstance(part, Member):
        return part.state is MemberState.GOOD and gone.isdisjoint(part.drives)
    return sum(not stands(below, gone) for below in part.parts) <= part.bears


def by_losses(
    tree: RedundancySet, fails: dict[DriveId, float], unread: dict[DriveId, float]
) -> tuple[float, float]:
    """Sum over every set of lost drives, for trees in which no set has a drive twice.

    What cannot be corrected is an unreadable sector of a drive without which the tree is lost.
    """
    drives = sorted({d for m in members_of(tree) for d in m.drives})
    lost = damaged = 0.0
    for count in range(len(drives) + 1):
        for gone in map(frozenset, combinations(drives, count)):
            weight = 1.0
            for drive in drives:
                weight *= fails[drive] if drive in gone else 1.0 - fails[drive]
            if weight == 0.0:
                continue
            if not stands(tree, gone):
                lost += weight
                continue
            clean = 1.0
            for drive in drives:
                if drive not in gone and not stands(tree, gone | {drive}):
                    clean *= 1.0 - unread[drive]
            damaged += weight * (1.0 - clean)
    return lost, damaged
