"""What is odd about a software array, beside who sits in it: the cross-checks.

Sources: Documentation/admin-guide/md.rst (``array_state``, ``degraded``, ``errors``,
``mismatch_cnt``, dirty and degraded arrays) and md(4), "Scrubbing and mismatches" and "Unclean
shutdown".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from watcher.facts.pool import (
    MemberState,
    Noted,
    Pool,
    Protection,
    Remark,
    Role,
    Work,
    WorkKind,
)
from watcher.facts.units import say_count
from watcher.readers.pools.md_members import Seats
from watcher.readers.pools.md_stat import Listing
from watcher.readers.pools.md_sysfs import ArrayTold, MemberTold
from watcher.readers.pools.md_tree import PARITY_LEVELS
from watcher.readers.pools.shape import unknown_word

COPY_LEVELS = frozenset({"raid1", "raid10"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All that the cross-checks look at."""

    listing: Listing
    told: ArrayTold | None
    level: str
    seats: Seats
    work: Work | None
    previous: Pool | None = None

    @property
    def is_locked(self) -> bool:
        """Whether nothing may be written, for now or for good: then nothing is repaired either."""
        states = {"readonly", "read-auto", "inactive", "clear", "broken", "suspended"}
        return bool(self.listing.locked) or (
            self.told is not None and self.told.array_state in states
        )


def notes_of(case: Case) -> tuple[Noted, ...]:
    """Give all remarks, the weightiest kinds first."""
    return (
        *_state(case),
        *_gone(case),
        *_parity(case),
        *_counts_disagree(case),
        *_cannot_finish(case),
        *_same_place_bad(case),
        *_members(case),
        *_mismatches(case),
        *_words(case),
    )


def _state(case: Case) -> Iterator[Noted]:
    state = case.told.array_state if case.told else None
    if case.listing.broken or state == "broken":
        yield Noted(
            remark=Remark.INACTIVE,
            text="The kernel calls the array broken: more members are gone than it can bear.",
            at_most=Protection.BROKEN,
        )
    elif not case.listing.running or state in {"inactive", "clear"}:
        yield Noted(
            remark=Remark.INACTIVE,
            text="The array is put together in part and does not run: its data cannot be reached.",
            at_most=Protection.BROKEN,
        )
    if state == "suspended":
        yield Noted(
            remark=Remark.SUSPENDED,
            text="All reading and writing of the array is held.",
            at_most=Protection.UNKNOWN,
        )
    if case.listing.locked == "read-only" or state == "readonly":
        yield Noted(remark=Remark.READ_ONLY, text="The array takes no writes: it is read-only.")
    if case.told is not None and case.told.sync_action == "frozen":
        yield Noted(
            remark=Remark.FROZEN,
            text="Repairs of the array are held by a person or a program (sync_action: frozen).",
        )
    if case.listing.is_external:
        yield Noted(
            remark=Remark.EXTERNAL_METADATA,
            text=f"The array belongs to a firmware container ({case.listing.metadata}).",
        )


def _gone(case: Case) -> Iterator[Noted]:
    for name in case.seats.gone:
        yield Noted(
            remark=Remark.DEVICE_GONE,
            text=f"The array still counts on {name}, but that device is not there any more, or the "
            "kernel has given it up.",
            member=name,
        )


def _parity(case: Case) -> Iterator[Noted]:
    """After an unclean stop, parity may be wrong in the stripes that were being written."""
    if case.level not in PARITY_LEVELS or case.told is None:
        return
    degraded = case.told.degraded or 0
    is_dirty = case.told.dirty_from_sector is not None
    if is_dirty and degraded:
        yield Noted(
            remark=Remark.DIRTY_DEGRADED,
            text="The array was stopped while writing and runs with a member missing: what was "
            "being written may be damaged, and nothing can tell where.",
            at_most=Protection.BARE,
        )
        return
    first = case.work is not None and case.work.kind is WorkKind.FIRST_BUILD
    resync = case.work is not None and case.work.kind is WorkKind.RESYNC
    if (is_dirty or resync) and not first:
        yield Noted(
            remark=Remark.PARITY_STALE,
            text="Parity is being brought in step after an unclean stop: until that is done, a "
            "lost drive may cost what was being written at that moment.",
            at_most=Protection.BARE,
        )


def _counts_disagree(case: Case) -> Iterator[Noted]:
    degraded = case.told.degraded if case.told else None
    if degraded is not None and degraded > case.seats.lost:
        yield Noted(
            remark=Remark.FEW_CHECKS,
            text=f"The kernel counts {degraded} missing, and only {case.seats.lost} could be "
            "found: the array is not known to be as well as it looks.",
            amount=degraded,
            at_most=Protection.UNKNOWN,
        )
    if case.told is None:
        yield Noted(
            remark=Remark.FEW_CHECKS,
            text="Only the kernel's summary could be read: counts of errors and differences, and "
            "the state of each member, are not known.",
        )


def _cannot_finish(case: Case) -> Iterator[Noted]:
    """Find a rebuild that the kernel gave up: a spare waits, a slot is empty, nothing happens.

    Linux stops trying when the only copy cannot be read (commit 4044ba58dd15). Right after a spare
    was added the same is seen for a moment, so two samples are needed.
    """
    spares = [m.name for m in case.seats.others if m.state is MemberState.SPARE]
    frozen = case.told is not None and case.told.sync_action == "frozen"
    idle = case.work is None and case.listing.up is not None and not frozen and not case.is_locked
    if idle and spares and case.seats.lost and _was_at_it(case.previous, spares):
        yield Noted(
            remark=Remark.CANNOT_FINISH,
            text=f"A member is missing and {spares[0]} is ready to replace it, but no rebuild "
            "runs: the kernel gives up when what it must copy from cannot be read.",
            member=spares[0],
        )
    bad = [m for m in (case.told.members if case.told else ()) if m.bad_sectors]
    sources = {m.name for m in case.seats.slots if m.state is MemberState.GOOD}
    rebuilds = case.work is not None and case.work.kind is WorkKind.REBUILD
    for member in bad:
        if rebuilds and member.name in sources:
            yield Noted(
                remark=Remark.CANNOT_FINISH,
                text=f"The rebuild copies from {member.name}, of which "
                f"{say_count(member.bad_sectors, 'sector')} cannot be read: what lies there "
                "may not come back.",
                member=member.name,
                amount=member.bad_sectors,
            )


def _was_at_it(previous: Pool | None, spares: list[str]) -> bool:
    """Tell whether the last look had the same spare idle, or being filled."""
    if previous is None:
        return False
    was_rebuild = previous.work is not None and previous.work.kind is WorkKind.REBUILD
    known = {
        m.name for m in previous.members if m.state in {MemberState.SPARE, MemberState.REBUILDING}
    }
    short = previous.protection is not Protection.WHOLE
    return short and bool(known.intersection(spares)) and (was_rebuild or previous.work is None)


_LOST_FROM = {"raid1": None, "raid4": 2, "raid5": 2, "raid6": 3}
"""On how many members the same place must be bad until it is lost; None: on all of them."""


def _same_place_bad(case: Case) -> Iterator[Noted]:
    """Find places that so many members list as bad that nothing can give them back.

    A rebuild hands on what it could not read: the new member then lists the same place.
    """
    good = {m.name for m in case.seats.slots if m.state is MemberState.GOOD}
    members = [m for m in (case.told.members if case.told else ()) if m.name in good]
    if case.level not in _LOST_FROM or case.seats.lost or not members:
        return  # with a member out, cannot-finish says what a rebuild will meet
    needed = _LOST_FROM[case.level] or len(members)
    edges = sorted(
        (edge, step)
        for m in members
        for start, length in m.bad_ranges
        for edge, step in ((start - m.data_offset, 1), (start + length - m.data_offset, -1))
    )
    depth = lost = 0
    since = 0
    for edge, step in edges:
        if depth >= needed:
            lost += edge - since
        depth, since = depth + step, edge
    if lost:
        names = ", ".join(m.name for m in members if m.bad_ranges)
        yield Noted(
            remark=Remark.DAMAGED_DATA,
            text=f"{say_count(lost, 'sector')} stand on the lists of bad blocks of {names} at the "
            "same place: what lies there cannot be read from any of them.",
            amount=lost,
            at_most=Protection.BROKEN,
        )


def _members(case: Case) -> Iterator[Noted]:
    for member in case.told.members if case.told else ():
        yield from _member(member)
    for other in case.seats.others:
        if other.role is Role.JOURNAL and other.state is not MemberState.GOOD:
            yield Noted(
                remark=Remark.READ_ONLY,
                text=f"The journal device {other.name} is out: the array takes no writes until it "
                "has one again, or goes without.",
                member=other.name,
            )


def _member(member: MemberTold) -> Iterator[Noted]:
    if member.errors:
        yield Noted(
            remark=Remark.MEMBER_ERRS,
            text=f"{member.name}: {say_count(member.errors, 'sector')} could not be read and "
            "were rewritten from the other members.",
            member=member.name,
            amount=member.errors,
        )
    if member.bad_sectors:
        yield Noted(
            remark=Remark.MEMBER_ERRS,
            text=f"{member.name}: {say_count(member.bad_sectors, 'sector')} on its list of bad "
            "blocks: there the array has one copy less.",
            member=member.name,
            amount=member.bad_sectors,
        )
    if "write_error" in member.words:  # want_replacement alone is what a person asked for
        yield Noted(
            remark=Remark.MEMBER_ERRS,
            text=f"{member.name}: the array had a write error there and wants it replaced.",
            member=member.name,
        )


def _mismatches(case: Case) -> Iterator[Noted]:
    """Tell of differences that a check counted; a repair has rewritten what it counts.

    The count goes up in units of a page or of a whole request: one unreadable area of a mirror
    counted 2,432 sectors in our own run. On mirrors memory that changes while it is written
    (swap) is the usual cause (md(4)); with parity a difference points to hardware, unless the
    array was made with --assume-clean.
    """
    told = case.told
    if told is None or not told.mismatch_sectors:
        return
    if "repair" in {told.sync_action, told.last_sync_action}:
        return
    amount = say_count(
        told.mismatch_sectors, "sector that does not agree", "sectors that do not agree"
    )
    cause = (
        "On mirrors this is no proof of damage: swap files and a sector that could not be read "
        "give it too."
        if case.level in COPY_LEVELS
        else "With parity this points to a drive, cable or memory that changes data, unless the "
        "array was made without a first build."
    )
    yield Noted(
        remark=Remark.COPIES_DIFFER,
        text=f"The last check counted {amount}. {cause}",
        amount=told.mismatch_sectors,
    )


def _words(case: Case) -> Iterator[Noted]:
    for word in case.listing.unknown:
        yield unknown_word("/proc/mdstat", word)
    for word in case.told.unknown if case.told else ():
        yield unknown_word("sysfs", word)
