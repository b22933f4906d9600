"""The chance that data is lost before the margin is back.

Every part of the tree is lost, stands with unreadable sectors in the way, or stands clean. A set
that bears the loss of ``b`` of its parts is lost when more than ``b`` are (the tail of a
Poisson-binomial distribution). When exactly ``b`` are lost, nothing is left to correct an
unreadable sector of a survivor: some files are lost. With fewer lost, unreadable sectors heal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

from watcher.exposure.chance import happens_within, more_than
from watcher.exposure.figure import Figure
from watcher.exposure.life import DriveLife, clustered_hours, hazard
from watcher.exposure.span import Span
from watcher.facts.identity import DriveId
from watcher.facts.margin import judge_pool, margin_of, sure_margin_of
from watcher.facts.pool import Member, MemberState, Pool, RedundancySet, members_of

NODES = 8
"""How many lengths of the window the chance is averaged over; our choice: half a per cent exact."""

_MOST_SHARED = 4
"""Drives that carry several members are tried in all combinations, up to this many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """The chances of losing data, one including the other."""

    any_data: Figure  # anything at all
    beyond_margin: Figure  # a drive too many: what is at stake for the layout
    some_files: Figure  # only unreadable sectors, with no margin left to correct them


def tree_loss(
    tree: RedundancySet,
    fails: Mapping[DriveId, float],
    unread: Mapping[DriveId, float],
) -> tuple[float, float]:
    """Give the chance that the tree is lost, and that it stands with damage nothing can correct.

    ``fails`` is each drive's chance of failing, ``unread`` its chance of having an unreadable
    sector where it must be read; both absent for a drive mean zero. A member that is not good
    counts as lost; one of unknown state too.

    A drive that carries several members takes them all with it: up to four such drives are tried
    in all combinations, beyond that the tail over all standing drives past the margin is given,
    which is never below the truth.
    """
    seen: set[DriveId] = set()
    shared: set[DriveId] = set()
    for member in members_of(tree):
        shared |= seen.intersection(member.drives)
        seen.update(member.drives)
    if not shared:
        return _part_loss(tree, fails, unread)
    if len(shared) > _MOST_SHARED:
        return _bound(tree, fails, unread)
    lost = damaged = 0.0
    several = sorted(shared)
    for gone in product((True, False), repeat=len(several)):
        weight = 1.0
        given = dict(fails)
        for drive, is_gone in zip(several, gone, strict=True):
            chance = fails.get(drive, 0.0)
            weight *= chance if is_gone else 1.0 - chance
            given[drive] = 1.0 if is_gone else 0.0
        if weight > 0.0:
            one = _part_loss(tree, given, unread)
            lost, damaged = lost + weight * one[0], damaged + weight * one[1]
    return lost, damaged


def _member_loss(
    member: Member,
    fails: Mapping[DriveId, float],
    unread: Mapping[DriveId, float],
) -> tuple[float, float]:
    """Give the same two chances for one member."""
    if member.state is not MemberState.GOOD:
        return 1.0, 0.0
    lost = damaged = 0.0
    for drive in member.drives:
        lost += (1.0 - lost) * fails.get(drive, 0.0)
        damaged += (1.0 - damaged) * unread.get(drive, 0.0)
    return lost, (1.0 - lost) * damaged


def _part_loss(
    part: RedundancySet | Member,
    fails: Mapping[DriveId, float],
    unread: Mapping[DriveId, float],
) -> tuple[float, float]:
    """Give the same two chances for any part, from its own parts up."""
    if isinstance(part, Member):
        return _member_loss(part, fails, unread)
    bears = part.bears
    clean = [1.0] + [0.0] * bears  # by how many parts are lost
    dirty = [0.0] * (bears + 1)
    beyond = 0.0
    for below in part.parts:
        lost, damaged = _part_loss(below, fails, unread)
        stands = 1.0 - lost
        whole = stands - damaged
        beyond += (clean[bears] + dirty[bears]) * lost
        for count in range(bears, 0, -1):
            dirty[count] = dirty[count] * stands + clean[count] * damaged + dirty[count - 1] * lost
            clean[count] = clean[count] * whole + clean[count - 1] * lost
        dirty[0] = dirty[0] * stands + clean[0] * damaged
        clean[0] *= whole
    return beyond, dirty[bears]


def _beyond(
    tree: RedundancySet,
    fails: Mapping[DriveId, float],
    unread: Mapping[DriveId, float],
    margin: int,
) -> tuple[float, float]:
    """Give the same two chances as if the good members were one set that bears ``margin``."""
    good = tuple(m for m in dict.fromkeys(members_of(tree)) if m.state is MemberState.GOOD)
    if len(good) <= margin:
        return 0.0, 0.0
    flat = RedundancySet(name="as one set", bears=margin, parts=good)
    return _part_loss(flat, fails, unread)


def _bound(
    tree: RedundancySet,
    fails: Mapping[DriveId, float],
    unread: Mapping[DriveId, float],
) -> tuple[float, float]:
    """Give a chance of loss that is never too small, for trees whose members share many drives.

    No loss of as many drives as the margin loses the tree, so what loses it is more than that.
    """
    margin = sure_margin_of(tree)
    if margin < 0:
        return 1.0, 0.0
    good = (m for m in members_of(tree) if m.state is MemberState.GOOD)
    standing = sorted({drive for member in good for drive in member.drives})
    failing = [fails.get(drive, 0.0) for drive in standing]
    lost = more_than(failing, margin)
    bare = more_than(failing, margin - 1)
    damaged = more_than([unread.get(drive, 0.0) for drive in standing], 0)
    return lost, min(bare * damaged, 1.0 - lost)


def loss_over(
    tree: RedundancySet,
    lives: Mapping[DriveId, DriveLife],
    bare: Span,
    *,
    unread: Mapping[DriveId, Figure],
    clustering: Figure,
    since_first_hours: float = 0.0,
    margin: int | None = None,
) -> Loss:
    """Give the chances of loss over a window of uncertain length.

    ``clustering`` is how many times likelier a second failure is right after the first, and
    ``since_first_hours`` how long ago that was. A drive with no entry in ``lives`` counts as one
    of unknown class and age. The chance is the mean over the lengths of the window.

    ``margin`` is the pool's own margin where it is smaller than its tree says (a remark capped
    it); then the tail over all standing drives beyond it counts, if that is worse.
    """
    by_tree = margin_of(tree)
    capped = margin if margin is not None and by_tree is not None and margin < by_tree else None
    drives = sorted({drive for member in members_of(tree) for drive in member.drives})
    rates = {d: hazard(lives.get(d) or DriveLife(drive=d)) for d in drives}
    lengths = bare.nodes(NODES)
    beyond, files = [], []
    for end in range(3):
        bad = {drive: figure.ends[end] for drive, figure in unread.items()}
        lost = damaged = 0.0
        for length in lengths:
            worth = clustered_hours(length, since_first_hours, clustering.ends[end])
            fails = {d: happens_within(rate.ends[end], worth) for d, rate in rates.items()}
            one = tree_loss(tree, fails, bad)
            if capped is not None:
                one = max(one, _beyond(tree, fails, bad, capped), key=sum)
            lost, damaged = lost + one[0], damaged + one[1]
        beyond.append(lost / len(lengths))
        files.append(damaged / len(lengths))
    both = [one + other for one, other in zip(beyond, files, strict=True)]
    low, high = min(files[0], files[1]), max(files[1], files[2])
    return Loss(
        any_data=Figure.chance(*both),
        beyond_margin=Figure.chance(*beyond),
        some_files=Figure.chance(low, files[1], high),
    )


def pool_without(pool: Pool, drive: DriveId) -> Pool:
    """Give a pool as it would be with ``drive`` lost, its work at an end.

    Raises ValueError when the pool does not rest on that drive or its structure is not known.
    """
    if pool.tree is None or drive not in pool.drives:
        raise ValueError(f"the pool {pool.name} does not rest on that drive")
    return judge_pool(
        pool=pool.pool,
        name=pool.name,
        kind=pool.kind,
        layout=pool.layout,
        observed_at=pool.observed_at,
        tree=without(pool.tree, drive),
        at_stake=pool.at_stake,
        others=pool.others,
        notes=pool.notes,
        said=pool.said,
        capacity_bytes=pool.capacity_bytes,
        used_bytes=pool.used_bytes,
        scrubbed_at=pool.scrubbed_at,
        node=pool.node,
    )


def without(tree: RedundancySet, drive: DriveId) -> RedundancySet:
    """Give the tree with every member on ``drive`` missing."""
    return replace(tree, parts=tuple(_without(part, drive) for part in tree.parts))


def _without(part: RedundancySet | Member, drive: DriveId) -> RedundancySet | Member:
    """Give a part with every member on ``drive`` missing."""
    if isinstance(part, RedundancySet):
        return without(part, drive)
    return replace(part, state=MemberState.MISSING) if drive in part.drives else part
