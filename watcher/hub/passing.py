"""Time passes at a hub: books that fall due, boxes that fall quiet, what many say at once.

One process does this for all boxes (``hub_loop.py``), box by box: a fault with the cases of one
stops nothing for the others.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial

from watcher.cases.observations import SurveyJudged
from watcher.cases.timeshift import STANDS_STILL_FOR
from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId, Subject, SubjectKind
from watcher.hub.about_box import stuck_finding
from watcher.hub.quiet import (
    SOURCE,
    finding_of_box,
    findings_of_many,
    is_heard,
    is_quiet,
    sort_out,
    subjects_looked_at,
)
from watcher.hub.shop import NOT_TAKEN_AT, Shop
from watcher.hub.storm import gather, put_off
from watcher.service.desk import Desk
from watcher.service.routes import route_findings, routes_seen
from watcher.store.errors import StoreError
from watcher.store.floor import PoolStanding
from watcher.store.hub import EnrolledBox

DUE_AT_ONCE = 50
"""Books that are moved between two looks for surveys; our choice: a tenth of a second."""

STUCK_AGAIN = timedelta(minutes=10)
"""When the book of a box that met a fault of ours is tried again; our choice: about a round."""


class PassingTime:
    """Lets time pass for the boxes of a shop."""

    def __init__(self, shop: Shop) -> None:
        """Begin with no box whose book met a fault."""
        self._shop, self._store = shop, shop.store
        self._stuck: dict[BoxId, str] = {}  # boxes whose book met a fault of ours, and which

    def due(self, now: datetime) -> bool:
        """Move the books that have fallen due; True when there are messages to deliver."""
        told = False
        with self._store.snapshot() as tx:
            boxes = tx.boxes_due(now, DUE_AT_ONCE)
        for name in boxes:
            told = self._apart(name, now, partial(self._move, name, now)) or told
        return self._own_due(now) or told

    def _move(self, name: BoxId, now: datetime) -> bool:
        """Let time pass for one box; True when there are messages to deliver."""
        with self._store.transaction(beside=True) as tx:
            box = tx.lock_box(name)
            if box is None:
                return False
            outcome = Desk(self._store, self._shop.clients.of(box)).tick_within(tx, now)
            tx.set_due(name, outcome.deadline)
            if outcome.told:
                put_off(tx, name, now)
            return bool(outcome.told)

    def _apart(self, name: BoxId, now: datetime, work: Callable[[], bool]) -> bool:
        """Do something for one box; a fault of ours there stops nothing for the others.

        It is told of in the hub's own book, and tried again later. Raises StoreError.
        """
        try:
            told = work()
        except StoreError:
            raise
        except Exception as fault:  # noqa: BLE001 - told to the shop; all other boxes go on
            self._stuck[name] = f"{type(fault).__name__}: {fault}"[:200]
            with self._store.transaction(beside=True) as tx:
                tx.set_due(name, now + STUCK_AGAIN)
            return False
        self._stuck.pop(name, None)
        return told

    def gather(self, now: datetime) -> bool:
        """Gather what many boxes say at once; True when there are messages to deliver."""
        with self._store.snapshot() as tx:
            if not tx.ways_put_off(now):
                return False
        with self._store.transaction(beside=True) as tx:
            return gather(tx, self._shop.clients.own.box, now, self._shop.clients.own.page_url)

    def _own_due(self, now: datetime) -> bool:
        desk = Desk(self._store, self._shop.clients.own)
        due = desk.deadline(now)
        return due is not None and due <= now and bool(desk.tick(now).told)

    def mind_the_quiet(self, now: datetime, least: timedelta) -> bool:
        """Find boxes that fell quiet and tell of them; True when there are messages to deliver."""
        self._follow_clock(now)
        with self._store.snapshot() as tx:
            late = tuple(b for b in tx.boxes_not_heard(now - least) if is_quiet(b, now, least))
            watched = tx.count_heard(now - timedelta(days=7))
            pools: dict[BoxId, list[PoolStanding]] = defaultdict(list)
            for pool in tx.pools_everywhere() if late else ():
                pools[pool.box].append(pool)
        found = sort_out(late, watched)
        told = self._own_news((*findings_of_many(found, now), *self._stuck_boxes(now)), now)
        for box in found.alone:
            stood = pools[box.box]
            told = self._apart(box.box, now, partial(self._tell_quiet, box, stood, now)) or told
        return told

    def _stuck_boxes(self, now: datetime) -> tuple[Finding, ...]:
        return tuple(stuck_finding(box, why, now) for box, why in sorted(self._stuck.items()))

    def _follow_clock(self, now: datetime) -> None:
        """When this clock was set back: nobody was heard of in the future, nothing waits for then.

        Otherwise a box that fell silent would be missed, and no ladder would climb, before the
        clock is again where it was.
        """
        with self._store.snapshot() as tx:
            if not tx.is_heard_after(now + STANDS_STILL_FOR):
                return
        with self._store.transaction() as tx:
            tx.clock_was_set_back(now)

    def _tell_quiet(self, box: EnrolledBox, pools: list[PoolStanding], now: datetime) -> bool:
        """Open the case of one quiet box; the next survey of it clears that."""
        with self._store.transaction(beside=True) as tx:
            fresh = tx.lock_box(box.box)
            if fresh is None or fresh.heard_at != box.heard_at:
                return False
            tried = tx.kept(box.box, NOT_TAKEN_AT)
            if tried is not None and is_heard(box, datetime.fromisoformat(tried), now):
                return False  # it is there, and a case says that it cannot be seen
            let_in = bool(tx.tokens_of_box(box.box))
            found = finding_of_box(box, now, let_in=let_in, pools=pools)
            told = self._shop.open_case(tx, box, found, now)
            if told is not None:
                tx.set_quiet(box.box, box.heard_at or box.joined_at)
            return bool(told)

    def _own_news(self, found_many: tuple[Finding, ...], now: datetime) -> bool:
        """Bring what is about the hub itself into its own book: lines, ways to people."""
        own = self._shop.clients.own
        with self._store.transaction() as tx:
            records = tx.target_records(now)
            book = tx.load_book(own.box)
            before = [
                held.finding.subject.key
                for case in book.open_cases
                for held in case.held
                if held.finding.subject.key.startswith(SOURCE)
            ]
            ways = routes_seen(records, own.targets)
            seen = subjects_looked_at(before, found_many)
            findings = (*found_many, *route_findings(records, self._shop.clients.base.targets, now))
            seen |= {Subject(kind=SubjectKind.SOURCE, key=way) for way in ways}
            if not findings and not book.open_cases:
                return False
            judged = SurveyJudged(findings=findings, seen=seen, taken_at=now)
            return bool(Desk(self._store, own).hear_within(tx, judged, now).told)
