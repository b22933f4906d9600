"""What a survey shows of a pool that is on its way back: one sight, with its evidence.

A sight is the one thing a survey shows that decides where the recovery goes. When several hold,
the first in the order of :class:`Sight` counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import Final

from watcher.facts.drive import Medium, Protocol
from watcher.facts.identity import DriveId
from watcher.facts.pool import (
    LOST_STATES,
    Member,
    MemberState,
    Pool,
    Protection,
    Remark,
    Role,
    Work,
    WorkKind,
)
from watcher.facts.units import say_done, say_span
from watcher.recovery.fit import ANY_SECTORS, Fit, Fitness, Place, fits
from watcher.recovery.record import LostMember, Recovery, Step
from watcher.recovery.seen import Newcomer, Seen


class Sight(StrEnum):
    """What a survey shows, in the order in which it counts."""

    BLIND = "blind"  # how the pool stands cannot be told
    GONE = "gone"  # its stack answered and does not list it
    BROKEN = "broken"  # data is lost or out of reach
    REBUILDING = "rebuilding"  # a member is being filled, or redundancy is being restored
    NEW_LOST = "new-lost"  # the pool had taken the new drive, and lost it again
    TAKEN_IN = "taken-in"  # a member is not filled yet, and nothing runs
    NEW_PROVEN = "new-proven"  # a drive that fits is here, and may go in
    NEW_HERE = "new-here"  # a drive that fits is here, and is to be proven first
    NEW_REFUSED = "new-refused"  # the drive that waited to go in did not pass
    NEW_AWAY = "new-away"  # the drive that waited to go in left, or is taken
    SURE = "sure"  # the member is out, and it is the drive
    OUT = "out"  # the member is out, or still to be replaced; no more is known
    LEFT_OVER = "left-over"  # all members stand, and the margin is still not full
    CALLED_OFF = "called-off"  # planned, not carried out, and not announced any more
    UNCLEAN = "unclean"  # whole by count, and something does not fit
    UNCHECKED = "unchecked"  # whole, and no check has ended since
    CHECKED = "checked"  # whole, and a check has ended clean since


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A sight and what it rests on, a sentence each; only BLIND rests on nothing."""

    sight: Sight
    evidence: tuple[str, ...] = ()


STAYS_OUT_FOR: Final = timedelta(minutes=30)
STAYS_OUT_LOOKS: Final = 2
"""How long, and at how many looks, a member must be seen out until it counts as no passing
trouble: our choice. Too short: a drive is ordered for a loose cable. Too long: the order waits.
As long a new drive may be out of the box: it may be on its way from one bay to another."""

_BRINGS_BACK: Final = frozenset(
    {
        WorkKind.RESYNC,
        WorkKind.REPAIR,
        WorkKind.CONVERT,
        WorkKind.SYNC,
        WorkKind.FIRST_BUILD,
        WorkKind.RESHAPE,
    }
)
"""Work that counts as mending while margin is missing; a rebuild always does."""

HARMLESS: Final = frozenset(
    {
        Remark.EXTERNAL_METADATA,
        Remark.MEMBER_ERRS,
        Remark.READ_ONLY,
        Remark.FROZEN,
        Remark.MEMBER_SLOW,
        Remark.SPACE_LOW,
        Remark.METADATA_LOW,
    }
)
"""Remarks beside which a pool may still be called clean; errors of members are compared apart."""


def lost_members(seen: Seen) -> tuple[Member, ...]:
    """Give the members that are out."""
    return tuple(m for m in seen.members if m.state in LOST_STATES)


def is_short(pool: Pool) -> bool:
    """Tell whether margin is missing."""
    return pool.protection in {Protection.THINNED, Protection.BARE}


def still_to_replace(recovery: Recovery, seen: Seen) -> tuple[LostMember, ...]:
    """Give the planned members that are still in the pool."""
    pool = seen.pool
    if pool is None:
        return ()
    return tuple(m for m in recovery.lost if m.planned and m.drive in pool.drives)


def place_of(recovery: Recovery, seen: Seen) -> Place:
    """Say what a new drive must stand in for: the largest of the members that are missing."""
    missing = recovery.to_replace or recovery.missing or recovery.lost
    if not missing:
        return Place()
    largest = max(missing, key=lambda m: m.drive_bytes or m.member_bytes or 0)
    parity = any(m.role is Role.PARITY for m in missing)
    who = seen.identities.get(largest.drive) if largest.drive is not None else None
    like = who or next(
        (seen.identities[d] for m in seen.members for d in m.drives if d in seen.identities), None
    )
    size = largest.drive_bytes
    if size is None and who is not None:
        size = who.capacity_bytes
    member_bytes = largest.member_bytes or max(
        (m.capacity_bytes or 0 for m in seen.members), default=0
    )
    return Place(
        role=Role.PARITY if parity else Role.DATA,
        drive_bytes=size,
        member_bytes=member_bytes or None,
        largest_data_bytes=_largest_data(seen, missing) if parity else None,
        logical_sector_bytes=like.logical_sector_bytes
        if like and recovery.kind not in ANY_SECTORS
        else None,
        protocol=like.protocol if like else Protocol.UNKNOWN,
        medium=like.medium if like else Medium.UNKNOWN,
    )


def _largest_data(seen: Seen, missing: Sequence[LostMember]) -> int | None:
    """Give the size of the largest data drive of the pool; None when one is not known.

    One that is lost together with the parity counts: its successor is no smaller, and a place that
    is empty does not tell how large its drive was.
    """
    named = {d for m in seen.members if m.role is Role.DATA for d in m.drives}
    sizes = [seen.identities[d].capacity_bytes if d in seen.identities else None for d in named]
    sizes += [m.drive_bytes for m in missing if m.role is Role.DATA and m.drive not in named]
    known = [size for size in sizes if size is not None]
    return max(known) if known and len(known) == len(sizes) else None


def candidates(recovery: Recovery, seen: Seen) -> tuple[tuple[Newcomer, Fit], ...]:
    """Give the drives that could stand in, with whether they fit; the best first.

    Those are the ones that came since the recovery opened, those that the owner keeps as spares,
    and the waiting spares of the pool; none that did not pass.
    """
    place = place_of(recovery, seen)
    spares = {d for m in (seen.pool.others if seen.pool else ()) for d in m.drives}
    lost = {m.drive for m in recovery.lost}
    found = [
        (one, fits(one.identity, place))
        for one in seen.newcomers
        if (
            one.is_spare
            or one.identity.drive in spares
            or one.identity.drive not in recovery.drives_then
        )
        and not one.refusal
        and one.identity.drive not in recovery.tried
        and one.identity.drive not in lost
    ]
    found.sort(key=rank_of)
    return tuple(found)


def rank_of(candidate: tuple[Newcomer, Fit]) -> tuple[int, bool]:
    """Say how good a choice a drive is, the least the best: what fits, and then what is proven."""
    one, fit = candidate
    return tuple(Fitness).index(fit.fitness), not one.proof


def sight_of(recovery: Recovery, seen: Seen) -> Shown:
    """Say what a survey shows for a recovery, with the evidence.

    The recovery must already have taken note of new and lost members of this survey.
    """
    pool = seen.pool
    if pool is None:
        if not seen.stack_answered:
            return Shown(sight=Sight.BLIND)
        return _shown(Sight.GONE, f"{recovery.name} is not there any more")
    if pool.protection is Protection.UNKNOWN:
        return Shown(sight=Sight.BLIND)
    if pool.protection is Protection.BROKEN:
        return _shown(Sight.BROKEN, *_capping(pool), f"{pool.name}: {pool.said or 'broken'}")
    if pool.work is not None and _mends(pool, pool.work):
        return _shown(Sight.REBUILDING, _say_work(pool.work))
    if is_short(pool):
        return _of_short(recovery, seen, pool)
    if still_to_replace(recovery, seen):
        return _of_planned(recovery, seen, pool)
    return _of_whole(recovery, seen, pool)


def _shown(sight: Sight, *evidence: str) -> Shown:
    return Shown(sight=sight, evidence=evidence)


def _mends(pool: Pool, work: Work) -> bool:
    """Tell whether work brings margin back."""
    return work.kind is WorkKind.REBUILD or (is_short(pool) and work.kind in _BRINGS_BACK)


def _say_work(work: Work) -> str:
    """Say a work as evidence."""
    done = "" if work.done_fraction is None else f", {say_done(work.done_fraction)} done"
    return f"a {work.kind.value} is {work.state.value}{done}"


def _capping(pool: Pool) -> tuple[str, ...]:
    """Quote the remarks that hold the protection down."""
    return tuple(note.text for note in pool.notes if note.at_most is not None)


def _of_short(recovery: Recovery, seen: Seen, pool: Pool) -> Shown:
    """Say what is shown while margin is missing and nothing mends it."""
    new = recovery.new_drive
    away = lost_members(seen)
    if recovery.new_joined and new is not None and _is_lost(new, seen):
        return _shown(Sight.NEW_LOST, f"the new drive {recovery.new_label} is lost")
    filling = [m for m in seen.members if m.state is MemberState.REBUILDING]
    if filling:
        names = ", ".join(m.name for m in filling)
        return _shown(Sight.TAKEN_IN, f"{names} is in the pool and not filled; nothing runs")
    if away or any(m.state is not MemberState.GOOD for m in seen.members):
        return _of_place(recovery, seen)
    return _shown(Sight.LEFT_OVER, *(_capping(pool) or ("the margin is not full",)))


def _is_lost(drive: DriveId, seen: Seen) -> bool:
    """Tell whether a drive that was in the pool is lost to it."""
    if drive in seen.drives_in(MemberState.GOOD, MemberState.REBUILDING):
        return False
    if drive in seen.drives_in(*LOST_STATES):
        return True
    return bool(lost_members(seen))  # its place is empty


def _of_place(recovery: Recovery, seen: Seen) -> Shown:
    """Say what is shown of the place that is empty, and of drives to fill it.

    A spare that waited in the box changes nothing before it is sure that a drive is needed: the
    cable comes first.
    """
    sure = tuple(_evidence_of_guilt(recovery, seen))
    unsure = recovery.step is Step.MAKE_SURE and not (sure or recovery.is_planned)
    usable = [
        one
        for one, fit in candidates(recovery, seen)
        if fit.fitness is not Fitness.NO
        and not (unsure and one.is_spare and one.identity.drive in recovery.drives_then)
    ]
    usable.sort(key=lambda one: one.identity.drive != recovery.new_drive)
    for one in usable[:1]:
        label = seen.label(one.identity.drive)
        here = f"{label} is here and in no pool"
        if one.proof:
            return _shown(Sight.NEW_PROVEN, here, one.proof)
        if seen.prove_first is False:
            why = "proving it first would not be the safer choice"
            return _shown(Sight.NEW_PROVEN, here, f"{why} (computed from its time and chances)")
        return _shown(Sight.NEW_HERE, here)
    refused = [n for n in seen.newcomers if n.refusal and n.identity.drive == recovery.new_drive]
    if refused:
        words = f"{recovery.new_label} is no replacement: {refused[0].refusal}"
        return _shown(Sight.NEW_REFUSED, words)
    if away := _none_at_hand(recovery, seen):
        return _shown(Sight.NEW_AWAY, away)
    if sure:
        return _shown(Sight.SURE, *sure)
    out = [f"{m.where} is out ({m.said or 'lost'})" for m in recovery.missing]
    out = out or [f"{m.name} is {m.state.value}" for m in seen.members if not _is_good(m)]
    return _shown(Sight.OUT, *out)


def _none_at_hand(recovery: Recovery, seen: Seen) -> str:
    """Say why no drive can go in any more that was to be proven or to go in; "" when that is open.

    A look that does not list the drives tells nothing, and one that misses the drive is not enough.
    """
    waits = recovery.step in {Step.PROVE, Step.SWAP} and not recovery.new_joined
    if not waits or not seen.drives_answered:
        return ""
    new = recovery.new_drive
    if new is None:
        return "no drive that fits is here"
    if new not in seen.present:
        since = recovery.new_away_since
        gone = since is not None and seen.at - since >= STAYS_OUT_FOR
        return f"{recovery.new_label} is not here any more" if gone else ""
    for one in seen.newcomers:
        if one.identity.drive == new:
            fit = fits(one.identity, place_of(recovery, seen))
            why = f": {fit.sentence}" if fit.fitness is Fitness.NO else ""
            return f"{recovery.new_label} is no replacement any more{why}"
    if new not in seen.identities or new in seen.drives_in(MemberState.UNKNOWN):
        return ""
    return f"{recovery.new_label} is in a pool already"


def _is_good(member: Member) -> bool:
    return member.state is MemberState.GOOD


def _evidence_of_guilt(recovery: Recovery, seen: Seen) -> Iterator[str]:
    """Say what shows that it is the drive, or that the member stays out."""
    for lost in recovery.to_replace:
        guilt = seen.guilt.get(lost.drive) if lost.drive is not None else None
        if guilt:
            yield f"{lost.where}: {guilt}"
        elif not lost.planned:
            out_for = seen.at - lost.since
            if out_for >= STAYS_OUT_FOR and recovery.looks_out + 1 >= STAYS_OUT_LOOKS:
                yield f"{lost.where} stays out, for {say_span(out_for)} and at every look"


def _of_planned(recovery: Recovery, seen: Seen, pool: Pool) -> Shown:
    """Say what is shown of a replacement ahead of failure, before it has begun."""
    waiting = still_to_replace(recovery, seen)
    if not any(m.drive in seen.announced for m in waiting):
        names = ", ".join(m.where for m in waiting)
        return _shown(
            Sight.CALLED_OFF,
            f"{names} is still in {pool.name}, its margin is full, and no work is announced",
        )
    shown = _of_place(recovery, seen)
    if shown.sight is not Sight.OUT:
        return shown
    return _shown(Sight.OUT, *(f"{m.where} is still in {pool.name}" for m in waiting))


def faults_of(recovery: Recovery, pool: Pool) -> tuple[str, ...]:
    """Say what keeps a pool that is whole by count from being called clean."""
    faults = [note.text for note in pool.notes if note.remark not in HARMLESS]
    then = dict(recovery.errors_then)
    if recovery.whole_since is not None:
        faults += [
            f"{m.name} counted {m.errors} errors, {then.get(m.name, 0)} when it became whole"
            for m in pool.members
            if m.errors is not None and m.errors > then.get(m.name, 0)
        ]
    work = pool.work
    if work is not None and work.kind in {WorkKind.RESYNC, WorkKind.FIRST_BUILD, WorkKind.SYNC}:
        faults.append(_say_work(work))
    return tuple(faults)


def _of_whole(recovery: Recovery, seen: Seen, pool: Pool) -> Shown:
    """Say what is shown of a pool with its full margin."""
    margin = f"{pool.name} has its full margin ({pool.margin} of {pool.full_margin})"
    faults = faults_of(recovery, pool)
    if faults:
        return _shown(Sight.UNCLEAN, margin, *faults)
    since = recovery.whole_since
    if since is None:
        return _shown(Sight.UNCHECKED, margin)
    if not pool.offers_check:
        return _shown(Sight.CHECKED, margin, "this kind of pool offers no check of its own")
    since = max(since, recovery.unclean_at or since)  # what found damage does not prove
    if seen.scrubbed_at is not None and seen.scrubbed_at > since:
        checked = f"a check ended {seen.scrubbed_at:%Y-%m-%d %H:%M} UTC and found nothing"
        return _shown(Sight.CHECKED, margin, checked)
    if pool.work is not None:
        return _shown(Sight.UNCHECKED, margin, _say_work(pool.work))
    return _shown(Sight.UNCHECKED, margin)
