"""Who sits in which slot of a software array, and whether it holds its share.

Two witnesses are heard, ``/proc/mdstat`` and sysfs, and the worse word counts: they are read one
after the other, and the first is the older one. A member is ``GOOD`` only if both call it so and
its device exists.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from watcher.facts.identity import DriveId
from watcher.facts.pool import Member, MemberState, Pool, Role
from watcher.readers.pools.md_stat import Listed, Listing
from watcher.readers.pools.md_sysfs import MEMBER_WORDS, ArrayTold, MemberTold
from watcher.readers.pools.shape import Blocks, on_device


@dataclass(frozen=True, slots=True, kw_only=True)
class Seats:
    """All members of an array."""

    slots: tuple[Member, ...]  # one for each slot, empty ones included
    others: tuple[Member, ...] = ()  # spares, journals, replacements, failed ones without a slot
    gone: tuple[str, ...] = ()  # called well by the array, and their device is not there

    @property
    def filling(self) -> tuple[Member, ...]:
        """Give the members that are being filled, replacements included."""
        return tuple(m for m in (*self.slots, *self.others) if m.state is MemberState.REBUILDING)

    @property
    def lost(self) -> int:
        """Count the slots that do not hold their share."""
        return sum(m.state is not MemberState.GOOD for m in self.slots)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    member: Member
    slot: int | None
    number: int | None
    replacement: bool = False


def seat(
    listing: Listing, told: ArrayTold | None, blocks: Blocks, previous: Pool | None = None
) -> Seats:
    """Seat all members. ``previous`` lends the identity of a drive that has left its slot."""
    wanted = listing.wanted or (told.wanted if told else None)
    candidates = _from_sysfs(listing, told) if told and told.members else _from_list(listing)
    if not wanted and not listing.running:  # an inactive array does not tell how many it had
        wanted = len(previous.in_tree) if previous is not None else 0
    if not wanted:  # a level without slots, or an inactive array of which only the list is known
        wanted = sum(1 for c in candidates if c.member.role is Role.DATA)
    slots: list[Member | None] = [None] * wanted
    left: list[_Candidate] = []
    for candidate in sorted(candidates, key=_preference):
        place = candidate.slot
        if place is not None and place < wanted and slots[place] is None:
            slots[place] = candidate.member
        else:
            left.append(candidate)
    for candidate in tuple(left):  # a failed member has lost its slot: show it where it sat
        data = candidate.member.role is Role.DATA
        if data and candidate.member.state is MemberState.FAILED and None in slots:
            free = [i for i, member in enumerate(slots) if member is None]
            place = candidate.number if candidate.number in free else free[0]
            slots[place] = candidate.member
            left.remove(candidate)
    full = tuple(
        member or Member(name=f"slot {i}", state=MemberState.MISSING, said="no device")
        for i, member in enumerate(slots)
    )
    return _on_devices(full, tuple(c.member for c in left), blocks, previous)


def _preference(candidate: _Candidate) -> tuple[bool, bool, int, str]:
    """Order the claims to one slot: good before others, original before replacement."""
    return (
        candidate.member.state is not MemberState.GOOD,
        candidate.replacement,
        -1 if candidate.number is None else candidate.number,
        candidate.member.name,
    )


def _from_sysfs(listing: Listing, told: ArrayTold) -> list[_Candidate]:
    by_name = {listed.name: listed for listed in listing.members}
    return [_candidate(member, by_name.get(member.name), listing) for member in told.members]


def _candidate(told: MemberTold, listed: Listed | None, listing: Listing) -> _Candidate:
    flags = listed.flags if listed else frozenset[str]()
    words = told.words
    up = listing.up
    role = Role.DATA
    if "faulty" in words or "F" in flags:
        state = MemberState.FAILED
    elif "journal" in words or "J" in flags:
        state = MemberState.GOOD
    elif not words & MEMBER_WORDS or not listing.running:
        state = MemberState.UNKNOWN
    elif told.slot is None:
        state = MemberState.SPARE
    elif "in_sync" in words and (up is None or (told.slot < len(up) and up[told.slot])):
        state = MemberState.GOOD
    else:
        state = MemberState.REBUILDING
    if "journal" in words or "J" in flags:
        role = Role.JOURNAL
    elif state is MemberState.SPARE:
        role = Role.SPARE
    member = Member(
        name=told.name,
        state=state,
        role=role,
        said=" ".join(sorted(words)),
        errors=told.errors,
        capacity_bytes=None if told.size_kib is None else told.size_kib * 1024,
    )
    return _Candidate(
        member=member,
        slot=told.slot if role is Role.DATA else None,
        number=listed.number if listed else None,
        replacement="replacement" in words or "R" in flags,
    )


def _from_list(listing: Listing) -> list[_Candidate]:
    """Seat by the list alone: its numbers are slots only where nothing was ever replaced."""
    found: list[_Candidate] = []
    standing: list[Listed] = []
    for listed in sorted(listing.members, key=lambda m: (m.number, m.name)):
        flags = listed.flags
        if "J" in flags:
            state, role = MemberState.GOOD, Role.JOURNAL
        elif "F" in flags:
            state, role = MemberState.FAILED, Role.DATA
        elif not listing.running:
            state, role = MemberState.UNKNOWN, Role.DATA
        elif "S" in flags:
            state, role = MemberState.SPARE, Role.SPARE
        elif "R" in flags:
            state, role = MemberState.REBUILDING, Role.DATA
        elif listing.up is None:
            state, role = MemberState.GOOD, Role.DATA
        else:
            standing.append(listed)
            continue
        found.append(
            _Candidate(
                member=Member(name=listed.name, state=state, role=role, said=_flags(listed)),
                slot=None,
                number=listed.number,
                replacement="R" in flags,
            )
        )
    if listing.up is None:
        data = [c for c in found if c.member.role is Role.DATA]
        places = {c.member.name: i for i, c in enumerate(data)}
        return [replace(c, slot=places.get(c.member.name)) for c in found]
    return [*found, *_guess_slots(standing, listing.up)]


def _guess_slots(standing: list[Listed], up: tuple[bool, ...]) -> list[_Candidate]:
    """Seat members that have a slot we are not told: first where number and slot agree."""
    free = list(range(len(up)))
    found: list[_Candidate] = []
    later: list[Listed] = []
    for listed in standing:
        if listed.number in free and up[listed.number]:
            free.remove(listed.number)
            found.append(_standing(listed, listed.number, up))
        else:
            later.append(listed)
    for listed in later:
        if not free:
            found.append(_standing(listed, None, up))
            continue
        place = min(free, key=lambda i: (not up[i], i))
        free.remove(place)
        found.append(_standing(listed, place, up))
    return found


def _standing(listed: Listed, slot: int | None, up: tuple[bool, ...]) -> _Candidate:
    good = slot is not None and up[slot]
    return _Candidate(
        member=Member(
            name=listed.name,
            state=MemberState.GOOD if good else MemberState.REBUILDING,
            said=_flags(listed),
        ),
        slot=slot,
        number=listed.number,
    )


def _flags(listed: Listed) -> str:
    return " ".join(f"({flag})" for flag in sorted(listed.flags))


def _on_devices(
    slots: tuple[Member, ...],
    others: tuple[Member, ...],
    blocks: Blocks,
    previous: Pool | None,
) -> Seats:
    """Put all members on their devices, and remember who sat in an empty slot."""
    put = tuple(m if m.said == "no device" else on_device(m, m.name, blocks) for m in slots)
    rest = tuple(on_device(m, m.name, blocks) for m in others)
    gone = tuple(
        before.name
        for before, after in zip((*slots, *others), (*put, *rest), strict=True)
        if after.state is MemberState.MISSING and before.state is not MemberState.MISSING
    )
    here = {drive for member in (*put, *rest) for drive in member.drives}
    names = {member.name for member in (*put, *rest)}
    return Seats(
        slots=tuple(
            _remembered(member, old, here, names)
            for member, old in zip(put, _slots_before(previous, len(put)), strict=True)
        ),
        others=rest,
        gone=gone,
    )


def _slots_before(previous: Pool | None, count: int) -> Sequence[Member | None]:
    """Give who sat where last time; a member may stand in several sets of the tree."""
    before = previous.in_tree if previous is not None else ()
    return before if len(before) == count else (None,) * count


def _remembered(member: Member, old: Member | None, here: set[DriveId], names: set[str]) -> Member:
    """Lend a lost member the drives it had, unless they are at work elsewhere in the array."""
    if old is None or member.node is not None or not old.drives or not here.isdisjoint(old.drives):
        return member
    if member.said == "no device" and old.name not in names:
        return replace(member, name=old.name, drives=old.drives)
    return replace(member, drives=old.drives)
