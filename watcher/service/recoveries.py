"""Recoveries in the desk's transaction: moved by each survey, and written down with it.

The way back of a pool is decided in ``watcher.recovery``; this is where it is loaded, given what
it needs to know, and saved. What happens on the way goes into the record of the pool's case.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from functools import cache

from watcher.cases.effects import Record
from watcher.cases.state import Book, Case, ExpectKind
from watcher.exposure.choices import ChoiceKind
from watcher.exposure.window import WindowPlan
from watcher.facts.identity import BoxId, DriveId, PoolId, SubjectKind
from watcher.facts.pool import Pool
from watcher.facts.readiness import Preparation, ProofState, ShelfSpare
from watcher.facts.units import say_day
from watcher.recovery.follow import Around, Followed, follow, see
from watcher.recovery.record import Recovery
from watcher.recovery.seen import DISCOVERY
from watcher.rules.view import View
from watcher.service.prospects import exposure_of
from watcher.store.transaction import Transaction


def follow_recoveries(
    tx: Transaction, view: View, plan: WindowPlan, now: datetime
) -> tuple[Followed, ...]:
    """Move the recoveries of a box by a survey, open those that are needed, and save them."""
    box = view.survey.box
    around = around_of(tx.load_book(box), view, plan, now)
    followed = follow(tx.open_recoveries(box), view, around)
    for one in followed:
        if one.changed:
            tx.save_recovery(box, one.recovery)
        if one.events:
            tx.told_or_said()
    return followed


def record_events(
    tx: Transaction, box: BoxId, book: Book, followed: Iterable[Followed], now: datetime
) -> None:
    """Write what happened on the way into the record of each pool's case.

    A check may end weeks after the all-clear: then the case is looked for in the archive.
    """
    for one in followed:
        if not one.events:
            continue
        pool = one.recovery.pool
        number = case_of_pool(book.cases, pool) or case_of_pool(tx.list_cases(box), pool)
        records = (
            Record(case=number, at=now, what=e.what, text=f"{one.recovery.name}: {e.text}")
            for e in one.events
        )
        tx.add_records(box, records)


def case_of_pool(cases: Iterable[Case], pool: PoolId) -> int:
    """Give the number of the case of a pool, an open one before one that is over; 0: none.

    A case of things to know is none: what must be acted on has its own.
    """
    about = [
        case
        for case in cases
        if case.locus.kind is SubjectKind.POOL and case.locus.key == pool and not case.only_notes
    ]
    best = max(about, key=lambda case: (case.is_open, case.number), default=None)
    return best.number if best is not None else 0


def replaced_in(tx: Transaction, view: View) -> Callable[[DriveId], PoolId | None]:
    """Give the question which pool rested on a drive when its last way back began.

    Where that pool is whole and rests on others now, the drive was replaced, and its recovery asks
    to take it out at the end. What its owner keeps as a spare since then is expected.
    """
    shelf = {spare.identity.drive for spare in _shelf(view) if spare.identity is not None}

    @cache  # asked of few, and of most boxes never
    def homes() -> Mapping[DriveId, PoolId]:
        return {
            drive: recovery.pool
            for recovery in reversed(tx.recoveries(view.survey.box))
            for drive in (*recovery.members_then, *(lost.drive for lost in recovery.lost))
            if drive is not None
        }

    return lambda drive: None if drive in shelf else homes().get(drive)


def sent_back(view: View) -> frozenset[DriveId]:
    """Name spares that did not pass and left the box: they are not expected any more."""
    if DISCOVERY not in view.survey.answered:
        return frozenset()
    failed = {
        spare.identity.drive
        for spare in _shelf(view)
        if spare.identity is not None and spare.has_failed
    }
    homes = {d for was in view.pool_past.values() for d in (*was.drives, *was.lost)}
    left = {d for d, was in view.past.items() if was.in_use and d not in view.survey.present}
    return frozenset((failed & left) - homes)


def _shelf(view: View) -> tuple[ShelfSpare, ...]:
    return view.ready.shelf if view.ready is not None else ()


def announced_in(book: Book, now: datetime) -> frozenset[DriveId]:
    """Give the drives that planned work, going on now, is to replace."""
    return frozenset(
        expected.drive
        for work in book.works
        if work.is_on(now)
        for expected in work.expects
        if expected.kind is ExpectKind.REPLACE and expected.drive is not None
    )


def around_of(book: Book, view: View, plan: WindowPlan, now: datetime) -> Around:
    """Gather what a recovery must know beside the survey."""
    return Around(
        announced=announced_in(book, now),
        proven=proofs_of(view.ready, now) if view.ready is not None else {},
        prove_first=_asker(view, plan, now),
    )


def proofs_of(ready: Preparation, now: datetime) -> dict[DriveId, str]:
    """Give the spares of the shelf whose burn-in counts, with the proof in words."""
    return {
        spare.identity.drive: spare.proof or f"its burn-in passed on {say_day(spare.proven_at)}"
        for spare in ready.shelf
        if spare.identity is not None
        and spare.proven_at is not None
        and spare.proof_at(now) is ProofState.PROVEN
    }


def _asker(view: View, plan: WindowPlan, now: datetime) -> Callable[[Pool], bool | None]:
    """Give the question whether proving a new drive first is the safer choice for a pool."""

    def ask(pool: Pool) -> bool | None:
        best = exposure_of(view, pool, plan, now).ranking.best
        if best is None:
            return None
        return best.kind is ChoiceKind.BURN_IN_FIRST

    return ask


def seen_of(
    tx: Transaction, view: View, recovery: Recovery, plan: WindowPlan, now: datetime
) -> Followed:
    """Give a saved recovery beside what the last survey shows, moving nothing."""
    around = around_of(tx.load_book(view.survey.box), view, plan, now)
    return Followed(recovery=recovery, seen=see(view, recovery.pool, around, recovery=recovery))


def bytes_without_backup(ready: Preparation | None, now: datetime) -> int | None:
    """Give how much of what the owner declared has no fresh copy; None: not known."""
    if ready is None or ready.things is None or not ready.things:
        return None
    bare = [thing for thing in ready.things if not thing.fresh_copies(now)]
    if any(thing.bytes is None for thing in bare):
        return None
    return sum(thing.bytes or 0 for thing in bare)
