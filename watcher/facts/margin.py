"""How many more drives a pool can lose, and the protection that this is.

**Margin** is how many more drives the pool can lose, from now, with no data lost. It is computed
from the tree of members and never read off a state word: several stacks say that all is well
while a member is gone.

Every part of the tree either stands or is lost. A member stands while it is ``GOOD``. A set bears
the loss of ``bears`` of its parts (0 for a stripe, n-1 for a mirror of n, 1 to 3 for parity).
The cheapest way to lose a set is therefore to lose its ``bears + 1`` cheapest parts, and the
margin of a pool is the price of its cheapest total loss, less one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime

from watcher.facts.identity import DriveId, PoolId
from watcher.facts.pool import (
    AtStake,
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Work,
    members_of,
    worse_of,
)

_Place = tuple[tuple[int, ...], Member]


def _price(
    part: RedundancySet | Member,
    *,
    unknown_is_good: bool,
    as_built: bool,
    lost: frozenset[DriveId],
) -> int:
    """Give how many members must still be lost before this part is lost; 0 when it is."""
    if isinstance(part, Member):
        stands = as_built or part.state is MemberState.GOOD
        if part.state is MemberState.UNKNOWN and unknown_is_good:
            stands = True
        return 1 if stands and lost.isdisjoint(part.drives) else 0
    prices = sorted(
        _price(below, unknown_is_good=unknown_is_good, as_built=as_built, lost=lost)
        for below in part.parts
    )
    return sum(prices[: part.bears + 1])


def _places(tree: RedundancySet, path: tuple[int, ...] = ()) -> Iterator[_Place]:
    """Walk all members, each with the way to the set that holds it."""
    for number, part in enumerate(tree.parts):
        if isinstance(part, Member):
            yield path, part
        else:
            yield from _places(part, (*path, number))


def _alike(tree: RedundancySet) -> list[list[DriveId]]:
    """Group the drives of a tree so that of each group it only counts how many are lost.

    Drives under the same members stand for each other, so one of them is enough. Members of one set
    in one state that share no drive with any other stand for each other, too.
    """
    places = list(_places(tree))
    under: dict[DriveId, list[int]] = {}
    for index, (_, member) in enumerate(places):
        for drive in set(member.drives):
            under.setdefault(drive, []).append(index)
    sharing = {index for indexes in under.values() if len(indexes) > 1 for index in indexes}
    one_of: dict[tuple[int, ...], DriveId] = {}
    for drive in sorted(under):
        one_of.setdefault(tuple(under[drive]), drive)
    groups: dict[object, list[DriveId]] = {}
    for indexes, drive in one_of.items():
        path, member = places[indexes[0]]
        key = indexes if sharing.intersection(indexes) else (path, member.state)
        groups.setdefault(key, []).append(drive)
    return list(groups.values())


def _choices(alike: list[list[DriveId]], count: int) -> Iterator[tuple[DriveId, ...]]:
    """Give every way to lose some drives, but one only of those that come to the same."""
    if not alike:
        if count == 0:
            yield ()
        return
    first, *others = alike
    for number in range(min(len(first), count) + 1):
        for chosen in _choices(others, count - number):
            yield (*first[:number], *chosen)


def _cheapest_loss(tree: RedundancySet, *, unknown_is_good: bool, as_built: bool) -> int:
    """Give the fewest drives whose loss loses the tree.

    A set that bears no loss falls with the cheapest of its parts, whatever they share. Elsewhere
    members that share a drive fall together: there combinations of drives are tried from the
    smallest up, once for all that come to the same; the count of members is the upper bound.
    """
    if not tree.bears and all(isinstance(part, RedundancySet) for part in tree.parts):
        return min(
            _cheapest_loss(part, unknown_is_good=unknown_is_good, as_built=as_built)
            for part in tree.parts
            if isinstance(part, RedundancySet)
        )
    none: frozenset[DriveId] = frozenset()
    bound = _price(tree, unknown_is_good=unknown_is_good, as_built=as_built, lost=none)
    seen = [drive for member in members_of(tree) for drive in member.drives]
    if len(seen) == len(set(seen)):
        return bound
    alike = _alike(tree)
    for count in range(1, bound):
        for chosen in _choices(alike, count):
            lost = frozenset(chosen)
            if not _price(tree, unknown_is_good=unknown_is_good, as_built=as_built, lost=lost):
                return count
    return bound


def full_margin_of(tree: RedundancySet) -> int:
    """Give how many drives the pool could lose with every member good."""
    return _cheapest_loss(tree, unknown_is_good=True, as_built=True) - 1


def margin_of(tree: RedundancySet) -> int | None:
    """Give the margin now: -1 when data is lost already, None when unknown members decide it."""
    best = _cheapest_loss(tree, unknown_is_good=True, as_built=False) - 1
    return best if best == sure_margin_of(tree) else None


def sure_margin_of(tree: RedundancySet) -> int:
    """Give the margin now with every unknown member counted as lost; -1 when that is too many."""
    return _cheapest_loss(tree, unknown_is_good=False, as_built=False) - 1


def without(tree: RedundancySet, names: Iterable[str]) -> RedundancySet:
    """Give the tree as if some members had failed."""
    lost = frozenset(names)

    def struck(part: RedundancySet | Member) -> RedundancySet | Member:
        if isinstance(part, RedundancySet):
            return replace(part, parts=tuple(struck(below) for below in part.parts))
        return replace(part, state=MemberState.FAILED) if part.name in lost else part

    return replace(tree, parts=tuple(struck(part) for part in tree.parts))


def relied_margin(tree: RedundancySet | None, doubted: Iterable[str], less: int = 0) -> int | None:
    """Give the margin with all doubted members taken for lost, and some losses more.

    A doubt proves no loss, so it is never below 0. None when unknown members decide it.
    """
    margin = None if tree is None else margin_of(without(tree, doubted))
    return None if margin is None else max(margin - less, 0)


def hangs_on(tree: RedundancySet) -> tuple[Member, ...]:
    """Name the standing members of which one more loss would lose the tree, in order.

    All of them in a parity set without margin; in a stripe of mirrors only the lone copies. Empty
    while the tree can lose any one of them, and when it is lost already.
    """

    def is_lost(drives: Iterable[DriveId]) -> bool:
        lost = frozenset(drives)
        return not _price(tree, unknown_is_good=True, as_built=False, lost=lost)

    if is_lost(()):
        return ()
    return tuple(
        member
        for member in dict.fromkeys(members_of(tree))
        if member.state is MemberState.GOOD and member.drives and is_lost(member.drives)
    )


def protection_of(margin: int | None, full_margin: int | None) -> Protection:
    """Name the protection that a margin means.

    A pool built with no redundancy (full margin 0) is ``BARE`` from its first day: the next loss
    costs data, and calling it whole would promise what it does not have.
    """
    if margin is None or full_margin is None:
        return Protection.UNKNOWN
    if margin < 0:
        return Protection.BROKEN
    if margin == 0:
        return Protection.BARE
    return Protection.WHOLE if margin >= full_margin else Protection.THINNED


def judge_pool(  # noqa: PLR0913 - a pool has this many facts
    *,
    pool: PoolId,
    name: str,
    kind: PoolKind,
    layout: str,
    observed_at: datetime,
    tree: RedundancySet | None,
    at_stake: AtStake = AtStake.POOL,
    others: tuple[Member, ...] = (),
    work: Work | None = None,
    notes: tuple[Noted, ...] = (),
    said: str = "",
    capacity_bytes: int | None = None,
    used_bytes: int | None = None,
    scrubbed_at: datetime | None = None,
    node: str | None = None,
    most: int | None = None,
) -> Pool:
    """Compute margin and protection from the tree and the remarks, and build the pool.

    ``most`` is the margin that all doubts together leave: two that cost one each cost two, and
    they cost as much again when a member is lost besides, which no single remark can say.
    A remark with ``at_most`` caps the protection: a suspended pool is broken however many of its
    members stand. A pool capped at ``THINNED`` keeps at most one below its full margin.
    """
    full = full_margin_of(tree) if tree else None
    margin = margin_of(tree) if tree else None
    if margin is not None and most is not None:
        margin = min(margin, most)
    protection = protection_of(margin, full)
    for note in notes:
        if note.at_most is not None:
            protection = worse_of(protection, note.at_most)
    shown: int | None
    if protection in {Protection.BARE, Protection.BROKEN}:
        shown = 0
    elif protection is Protection.UNKNOWN:
        shown = None
    elif protection is Protection.THINNED and full is not None and margin is not None:
        shown = min(margin, max(full - 1, 0))
    else:
        shown = margin
    if protection is Protection.THINNED and shown == 0:
        protection = Protection.BARE
    return Pool(
        pool=pool,
        name=name,
        kind=kind,
        layout=layout,
        observed_at=observed_at,
        protection=protection,
        full_margin=full,
        margin=shown,
        at_stake=at_stake,
        tree=tree,
        others=others,
        work=work,
        notes=notes,
        said=said,
        capacity_bytes=capacity_bytes,
        used_bytes=used_bytes,
        scrubbed_at=scrubbed_at,
        node=node,
    )
