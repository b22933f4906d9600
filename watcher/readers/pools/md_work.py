"""What a software array is busy with.

A new array is in step from its first minute only on paper: RAID4 and RAID5 fill the last member
(``recovery``, one slot not up), the others compare (``resync``). Neither is a failure, and both
look like one. It is taken for the first build only with evidence: no member was ever replaced,
and since the array was made no more time has passed than the kernel's slowest pace would need for
what is done. Otherwise it is a rebuild, or a resync after an unclean stop.
"""

from __future__ import annotations

from datetime import timedelta

from watcher.facts.pool import Pool, Work, WorkKind, WorkState
from watcher.readers.pools.md_members import Seats
from watcher.readers.pools.md_stat import Listing, Progress
from watcher.readers.pools.md_sysfs import ArrayTold

SLOWEST_KIB_PER_SECOND = 1000
"""The kernel's lower limit for a sync (``speed_limit_min``), KiB a second: it is not slower unless
the disks are. Source: kernel messages, "minimum _guaranteed_ speed: 1000 KB/sec/disk"."""

BUILD_BEGINS_WITHIN = timedelta(minutes=5)
"""From the making of an array to the start of its first build. Our choice: they follow at once."""

SECTOR = 512
_KINDS = {
    "resync": WorkKind.RESYNC,
    "recover": WorkKind.REBUILD,
    "recovery": WorkKind.REBUILD,
    "check": WorkKind.SCRUB,
    "repair": WorkKind.REPAIR,
    "reshape": WorkKind.RESHAPE,
}


def could_be_first(listing: Listing, told: ArrayTold | None, seats: Seats) -> bool:
    """Tell whether the array looks as it does while it is built for the first time."""
    word = _action(listing, told)
    if listing.up is None or word not in {"resync", "recover", "recovery"}:
        return False
    wanted = len(listing.up)
    numbers = {listed.name: listed.number for listed in listing.members}
    if any("F" in listed.flags for listed in listing.members):
        return False
    if word == "resync":
        return all(listing.up) and all(
            numbers.get(member.name) == slot for slot, member in enumerate(seats.slots)
        )
    return (
        listing.up == (True,) * (wanted - 1) + (False,)
        and numbers.get(seats.slots[-1].name) == wanted
        and all(numbers.get(m.name) == slot for slot, m in enumerate(seats.slots[:-1]))
    )


def work_of(
    listing: Listing,
    told: ArrayTold | None,
    seats: Seats,
    *,
    age: timedelta | None = None,
    previous: Pool | None = None,
) -> Work | None:
    """Say what the array is doing, None for nothing. ``age`` is its own, at its last update."""
    word = _action(listing, told)
    progress = listing.progress
    before = previous.work if previous else None
    if word == "frozen":
        return _frozen(told, seats)
    kind = _KINDS.get(word)
    if kind is None:
        return None
    if kind is WorkKind.REBUILD and not seats.filling and not (progress and not progress.held):
        # the word alone may flash where no recovery is possible: believe it the second time
        if before is None or before.kind is not WorkKind.REBUILD:
            return None
        return Work(kind=kind, state=WorkState.WAITING)
    work = _measured(kind, told, progress, before)
    if could_be_first(listing, told, seats) and _is_first(work, age, before):
        work = Work(
            kind=WorkKind.FIRST_BUILD,
            state=work.state,
            done_fraction=work.done_fraction,
            done_bytes=work.done_bytes,
            total_bytes=work.total_bytes,
            rate_bytes_per_second=work.rate_bytes_per_second,
        )
    return work


def _action(listing: Listing, told: ArrayTold | None) -> str:
    """Give the word for the work: sysfs tells a repair, the summary tells what waits."""
    word = told.sync_action if told else None
    if word in {None, "idle"} and listing.progress is not None:
        return listing.progress.action
    return word or "idle"


def _frozen(told: ArrayTold | None, seats: Seats) -> Work | None:
    if not seats.filling:
        dirty = told is not None and told.dirty_from_sector is not None
        return Work(kind=WorkKind.RESYNC, state=WorkState.PAUSED) if dirty else None
    if told is None or not told.component_kib:
        return Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED)
    total = told.component_kib * 2
    filling = {member.name for member in seats.filling}
    starts = [m.recovered_sectors or 0 for m in told.members if m.name in filling]
    done = min((s for s in starts if s <= total), default=0)
    return Work(
        kind=WorkKind.REBUILD,
        state=WorkState.PAUSED,
        done_fraction=done / total,
        done_bytes=done * SECTOR,
        total_bytes=total * SECTOR,
    )


def _measured(
    kind: WorkKind, told: ArrayTold | None, progress: Progress | None, before: Work | None
) -> Work:
    """Fill in how far it is: from the summary, which is finer, else from sysfs."""
    state = WorkState.RUNNING
    if (progress and progress.held in {"DELAYED", "PENDING"}) or (told and told.delayed):
        state = WorkState.WAITING
    rate = progress.kib_per_second if progress else None
    if rate is None and told:
        rate = told.kib_per_second
    done: int | None = None
    total: int | None = None
    if progress and progress.total_kib:
        done, total = progress.done_kib, progress.total_kib * 1024
        done = None if done is None else done * 1024
    elif told and told.total_sectors:
        total = told.total_sectors * SECTOR
        # 0 is read at the start and again at the end: it says nothing by itself
        going_on = before is not None and before.kind is kind and before.done_bytes
        if told.done_sectors or not going_on:
            done = (told.done_sectors or 0) * SECTOR
    return Work(
        kind=kind,
        state=state,
        done_fraction=done / total if done is not None and total else None,
        done_bytes=done,
        total_bytes=total,
        rate_bytes_per_second=None if rate is None else rate * 1024,
    )


def _is_first(work: Work, age: timedelta | None, before: Work | None) -> bool:
    if age is not None:
        done_kib = (work.done_bytes or 0) / 1024
        limit = timedelta(seconds=done_kib / SLOWEST_KIB_PER_SECOND) + BUILD_BEGINS_WITHIN
        return age <= limit
    return before is not None and before.kind is WorkKind.FIRST_BUILD
