"""Which members are lost, which came back, and which new drive stands in: kept up to date."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from watcher.facts.identity import DriveId
from watcher.facts.pool import LOST_STATES, Member, MemberState, Pool, Protection
from watcher.recovery.fit import Fitness
from watcher.recovery.record import Event, LostMember, Recovery
from watcher.recovery.seen import Seen
from watcher.recovery.sights import candidates, lost_members, rank_of


def first_losses(seen: Seen, pool: Pool) -> tuple[LostMember, ...]:
    """Give the members that are out when a recovery opens, and those announced for replacement."""
    out = tuple(_losses(seen, lost_members(seen), known=()))
    named = {m.drive for m in out}
    planned = tuple(
        replace(_lost(seen, member, drive, seen.at), planned=True, said="to be replaced")
        for member in seen.members
        if member.state not in LOST_STATES
        for drive in member.drives
        if drive in seen.announced and drive not in named and drive in pool.drives
    )
    return out + planned


def _lost(seen: Seen, member: Member, drive: DriveId | None, at: datetime) -> LostMember:
    """Write down one lost member."""
    who = seen.identities.get(drive) if drive is not None else None
    return LostMember(
        name=member.name,
        role=member.role,
        since=at,
        drive=drive,
        label=seen.label(drive) if drive is not None else "",
        drive_bytes=who.capacity_bytes if who is not None else None,
        member_bytes=member.capacity_bytes,
        said=member.said or member.state.value,
        was_away=drive is not None and seen.drives_answered and drive not in seen.present,
    )


def _losses(
    seen: Seen, members: tuple[Member, ...], known: tuple[LostMember, ...]
) -> Iterator[LostMember]:
    """Name the drives of lost members; a place without a device gets the drive that left it.

    Where as many drives left the pool as places are empty, they are given out, those known to be
    lost first; otherwise an empty place stays without a drive.
    """
    pool = seen.pool
    here = pool.drives if pool is not None else frozenset()
    before = {m.drive: m.name for m in known if m.drive is not None}
    left = sorted((seen.past_drives | frozenset(before)) - here, key=lambda d: (d not in before, d))
    empty = sorted(
        (m for m in members if not m.drives), key=lambda m: m.name not in before.values()
    )
    given = dict(zip((m.name for m in empty), left, strict=True)) if len(left) == len(empty) else {}
    for member in members:
        drive = member.drives[0] if member.drives else given.get(member.name)
        yield _lost(seen, member, drive, seen.at)


def note_members(recovery: Recovery, seen: Seen, events: list[Event]) -> Recovery:
    """Take in which members are out and which are back.

    A loss is new when more members are out than are known to be, or a member is out whose drive
    is not known to be lost. Where a pool cannot be seen at all, nothing is changed.
    """
    if seen.pool is None or seen.pool.tree is None:
        return recovery
    good = seen.drives_in(MemberState.GOOD)
    lost = tuple(_brought_up(one, seen, good) for one in recovery.lost)
    known = frozenset(m.drive for m in lost if m.drive is not None)
    fresh: list[LostMember] = []
    lost = _settle_replaced(lost, seen, good)
    missing = [m for m in lost if m.back_at is None and not _stands(m, good)]
    more = len(_not_good(seen)) - len(missing)  # places that are not accounted for
    for one in _losses(seen, lost_members(seen), lost) if more > 0 else ():
        if one.drive is not None and one.drive in {m.drive for m in missing}:
            continue
        if more > 0 and one.drive is not None and one.drive == recovery.new_drive:
            lost = _reopened(lost)  # the replacement is lost: its place is the old one's
            more -= 1
        elif more > 0:
            fresh.append(one)
            more -= 1
    events += [Event(what="recovery-loss", text=f"{one.where}: {one.said}") for one in fresh]
    announced = tuple(_announced(recovery, seen, known | {m.drive for m in fresh}))
    whole = seen.pool.protection is Protection.WHOLE
    if whole and not announced:
        lost = tuple(_settled(one, seen, good) for one in lost)
    return replace(recovery, lost=_let_wait((*lost, *fresh, *announced), good))


def _let_wait(lost: tuple[LostMember, ...], good: frozenset[DriveId]) -> tuple[LostMember, ...]:
    """Let planned members that still work wait while another one is out: its place comes first."""
    out = any(m.back_at is None and not m.by_hand and not _stands(m, good) for m in lost)
    return tuple(replace(m, waits=out and m.planned and _stands(m, good)) for m in lost)


def _not_good(seen: Seen) -> tuple[Member, ...]:
    """Give the members that do not hold their share, filled ones included."""
    bad = LOST_STATES | {MemberState.REBUILDING}
    return tuple(m for m in seen.members if m.state in bad)


def _settle_replaced(
    lost: tuple[LostMember, ...], seen: Seen, good: frozenset[DriveId]
) -> tuple[LostMember, ...]:
    """Count members as made good when fewer places are bad than members were missing.

    Whose place it was is told by the drives that are named in the bad places, then by names, and
    the oldest first. While the state of any member is not known, none is settled.
    """
    if any(m.state is MemberState.UNKNOWN for m in seen.members):
        return lost
    bad = _not_good(seen)
    drives, names = {d for m in bad for d in m.drives}, {m.name for m in bad}
    open_ones = [m for m in lost if m.back_at is None and not m.planned and not _stands(m, good)]
    surplus = len(open_ones) - len(bad)
    open_ones.sort(key=lambda m: (m.drive in drives, m.name in names, m.since))
    done = open_ones[: max(surplus, 0)]
    return tuple(replace(m, back_at=seen.at) if m in done else m for m in lost)


def _reopened(lost: tuple[LostMember, ...]) -> tuple[LostMember, ...]:
    """Count the member that was settled last as missing again."""
    settled = [m for m in lost if m.back_at is not None]
    if not settled:
        return lost
    last = max(settled, key=lambda m: (m.back_at, m.since))
    return tuple(replace(m, back_at=None, planned=False) if m is last else m for m in lost)


def _stands(one: LostMember, good: frozenset[DriveId]) -> bool:
    return one.drive is not None and one.drive in good


def _announced(
    recovery: Recovery, seen: Seen, known: frozenset[DriveId | None]
) -> Iterator[LostMember]:
    """Give members that are announced for replacement since."""
    for member in seen.members:
        for drive in member.drives:
            if drive in seen.announced and drive not in known and member.state is MemberState.GOOD:
                planned = _lost(seen, member, drive, seen.at)
                if drive != recovery.new_drive:
                    yield replace(planned, planned=True, said="to be replaced")


def _brought_up(one: LostMember, seen: Seen, good: frozenset[DriveId]) -> LostMember:
    """Bring one lost member up to date."""
    if one.planned:
        return one
    away = one.was_away
    if seen.drives_answered and one.drive is not None and one.drive not in seen.present:
        away = True
    back = one.back_at
    if _stands(one, good):
        back = back or seen.at
    elif one.drive is not None and one.drive in seen.drives_in(*LOST_STATES):
        back = None
    return replace(one, was_away=away, back_at=back)


def _settled(one: LostMember, seen: Seen, good: frozenset[DriveId]) -> LostMember:
    """In a whole pool nothing is missing: what is not back was replaced."""
    if one.planned and _stands(one, good):
        return one
    return one if one.back_at is not None else replace(one, back_at=seen.at)


def note_new_drive(recovery: Recovery, seen: Seen, events: list[Event]) -> Recovery:
    """Take in which new drive is here, and whether the pool has taken it."""
    recovery = _note_misfits(_note_filled(recovery, seen), seen, events)
    joined = [
        (member, drive)
        for member in seen.members
        if member.state in {MemberState.REBUILDING, MemberState.GOOD}
        for drive in member.drives
        if drive not in recovery.members_then and drive not in recovery.tried
    ]
    for member, drive in sorted(joined, key=lambda pair: pair[0].state is MemberState.GOOD):
        if drive == recovery.new_drive and recovery.new_joined:
            return recovery
        if member.state is MemberState.GOOD and recovery.new_joined:
            continue  # an earlier one, filled by now
        label = seen.label(drive)
        events.append(Event(what="recovery-joined", text=f"the pool has taken {label}"))
        taken = replace(recovery, new_drive=drive, new_label=label, new_joined=True)
        recovery = _note_filled(taken, seen)
        if recovery.new_joined:
            return recovery
    if recovery.new_joined:
        return recovery
    return _note_away(_note_newcomer(recovery, seen, events), seen)


def _note_away(recovery: Recovery, seen: Seen) -> Recovery:
    """Keep since when the new drive is out of the box; who lists no drives cannot miss one."""
    new = recovery.new_drive
    if new is None or new in seen.present:
        return replace(recovery, new_away_since=None)
    if not seen.drives_answered:
        return recovery
    return replace(recovery, new_away_since=recovery.new_away_since or seen.at)


def _note_newcomer(recovery: Recovery, seen: Seen, events: list[Event]) -> Recovery:
    """Take in a drive that fits and waits outside the pool; a better one takes its place."""
    usable = [pair for pair in candidates(recovery, seen) if pair[1].fitness is not Fitness.NO]
    if not usable:
        return recovery
    held = [pair for pair in usable if pair[0].identity.drive == recovery.new_drive]
    if held and rank_of(held[0]) == rank_of(usable[0]):
        return recovery
    drive = usable[0][0].identity.drive
    label = seen.label(drive)
    events.append(Event(what="recovery-new-drive", text=f"{label} is here"))
    return replace(recovery, new_drive=drive, new_label=label)


def _note_filled(recovery: Recovery, seen: Seen) -> Recovery:
    """Let go of a new drive that holds its share while another place is still to be filled."""
    new, good = recovery.new_drive, seen.drives_in(MemberState.GOOD)
    done = recovery.new_joined and new in good
    planned = any(m.planned and _stands(m, good) for m in recovery.missing)
    if new is None or not done or not (_not_good(seen) or planned):
        return recovery
    return replace(
        recovery,
        filled=(*recovery.filled, f"{recovery.new_label} ({new})"),
        members_then=(*recovery.members_then, new),
        new_drive=None,
        new_label="",
        new_joined=False,
    )


def _note_misfits(recovery: Recovery, seen: Seen, events: list[Event]) -> Recovery:
    """Say once of each drive that came that it does not fit."""
    misfits = list(recovery.misfits)
    for one, fit in candidates(recovery, seen):
        drive = one.identity.drive
        if fit.fitness is Fitness.NO and drive not in misfits:
            misfits.append(drive)
            text = f"{seen.label(drive)} does not fit: {fit.sentence}"
            events.append(Event(what="recovery-misfit", text=text))
    return replace(recovery, misfits=tuple(misfits))
