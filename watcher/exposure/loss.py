"""The chance that data is lost before the margin is back.

Every part of the tree is lost, stands with unreadable sectors in the way, or stands clean. A set
that bears the loss of ``b`` of its parts is lost when more than ``b`` are (the tail of a
Poisson-binomial distribution). When exactly ``b`` are lost, nothing is left to correct an
unreadable sector of a survivor: some files are lost. With fewer lost, unreadable sectors heal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from watcher.exposure.chance import happens_within
from watcher.exposure.figure import Figure
from watcher.exposure.life import DriveLife, clustered_hours, hazard
from watcher.exposure.shared import walk_of
from watcher.exposure.span import Span
from watcher.facts.identity import DriveId
from watcher.facts.margin import judge_pool, margin_of, sure_margin_of
from watcher.facts.pool import Member, MemberState, Pool, RedundancySet, members_of

NODES = 8
"""How many lengths of the window the chance is averaged over; our choice: half a per cent exact."""


_margin_of = lru_cache(maxsize=16)(sure_margin_of)  # asked thousands of times for one tree


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

    A drive that carries several members takes them all with it. Where very many are tied together
    like this the good drives count as one set that bears the margin: never below the truth.
    """
    if not _shares_drives(tree):
        return _part_loss(tree, fails, unread)
    walk = walk_of(tree)
    if walk is not None:
        return walk.chances(fails, unread)
    return _as_one(tree, fails, unread, _margin_of(tree))


def _shares_drives(tree: RedundancySet) -> bool:
    """Tell whether any drive carries two members."""
    seen: set[DriveId] = set()
    shared = False
    for member in members_of(tree):
        shared = shared or not seen.isdisjoint(member.drives)
        seen.update(member.drives)
    return shared


def is_bounded(tree: RedundancySet) -> bool:
    """Tell whether :func:`tree_loss` gives no exact chance but one that is never below it."""
    return _shares_drives(tree) and walk_of(tree) is None


BOUNDED = (
    "So many of its parts share drives that each loss beyond its margin is counted as a loss of "
    "data: the true chance is lower."
)
"""What is said of a chance that is a bound."""


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


def _as_one(
    tree: RedundancySet,
    fails: Mapping[DriveId, float],
    unread: Mapping[DriveId, float],
    margin: int,
) -> tuple[float, float]:
    """Give the same two chances as if the good drives were one set that bears ``margin``.

    No loss of as many drives as the margin loses the tree, so what loses it is more than that, and
    where it is damaged at least as many are lost.
    """
    if margin < 0:
        return 1.0, 0.0
    good = {d for m in members_of(tree) if m.state is MemberState.GOOD for d in m.drives}
    if len(good) <= margin:
        return 0.0, 0.0
    parts = tuple(Member(name=d, state=MemberState.GOOD, drives=(d,)) for d in sorted(good))
    return _part_loss(RedundancySet(name="as one set", bears=margin, parts=parts), fails, unread)


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
    capped = margin if margin is not None and margin < sure_margin_of(tree) else None
    drives = {drive for member in members_of(tree) for drive in member.drives}
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
                one = max(one, _as_one(tree, fails, bad, capped), key=sum)
            lost, damaged = lost + one[0], damaged + one[1]
        beyond.append(lost / len(lengths))
        files.append(damaged / len(lengths))
    both = [one + other for one, other in zip(beyond, files, strict=True)]
    return Loss(
        any_data=Figure.chance(*both),
        beyond_margin=Figure.chance(*beyond),
        some_files=Figure.chance(*files),
    )


def pool_without(pool: Pool, drive: DriveId) -> Pool:
    """Give a pool as it would be with ``drive`` lost, its work at an end.

    What remarks take of its margin they take beside the loss, but for those of the lost member.
    Raises ValueError when the pool does not rest on that drive or its structure is not known.
    """
    if pool.tree is None or drive not in pool.drives:
        raise ValueError(f"the pool {pool.name} does not rest on that drive")
    tree = without(pool.tree, drive)
    had, has = margin_of(pool.tree), margin_of(tree)
    doubted = had - pool.margin if had is not None and pool.margin is not None else 0
    lost = {member.name for member in pool.in_tree if drive in member.drives}
    doubted -= sum(note.at_most is not None and note.member in lost for note in pool.notes)
    return judge_pool(
        pool=pool.pool,
        name=pool.name,
        kind=pool.kind,
        layout=pool.layout,
        observed_at=pool.observed_at,
        tree=tree,
        at_stake=pool.at_stake,
        others=pool.others,
        notes=pool.notes,
        said=pool.said,
        capacity_bytes=pool.capacity_bytes,
        used_bytes=pool.used_bytes,
        scrubbed_at=pool.scrubbed_at,
        node=pool.node,
        most=None if has is None else max(has - max(doubted, 0), min(has, 0)),
    )


def without(tree: RedundancySet, drive: DriveId) -> RedundancySet:
    """Give the tree with every member on ``drive`` missing."""
    return replace(tree, parts=tuple(_without(part, drive) for part in tree.parts))


def _without(part: RedundancySet | Member, drive: DriveId) -> RedundancySet | Member:
    """Give a part with every member on ``drive`` missing."""
    if isinstance(part, RedundancySet):
        return without(part, drive)
    return replace(part, state=MemberState.MISSING) if drive in part.drives else part
