"""The shop's list of work: open cases of all boxes, the most pressing first. Pure ordering.

Urgency comes first, then the chance that data is lost before full margin is back, then age.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime

from watcher.cases.state import Case
from watcher.exposure.window import WindowPlan
from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection
from watcher.service.desk import last_view, pool_of_case
from watcher.service.prospects import exposure_of
from watcher.store.hub import BoxState
from watcher.store.transaction import Transaction

MOST_CASES = 200
"""Open cases of one box that are looked at; our choice: far beyond what a box has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One open case somewhere."""

    box: BoxId
    client: str
    case: Case
    chance: float | None  # of losing data before full margin is back; None: no window is open


def in_order(pieces: Iterable[Piece]) -> tuple[Piece, ...]:
    """Put the most pressing first."""
    return tuple(
        sorted(
            pieces,
            key=lambda p: (-p.case.urgency.rank, -(p.chance or 0.0), p.case.opened_at, p.box),
        )
    )


def work_of(
    tx: Transaction,
    plan: WindowPlan,
    now: datetime,
    *,
    may_see: Callable[[BoxId], bool] = lambda _: True,
) -> tuple[Piece, ...]:
    """Give what is open and weighs in all watched boxes; only those are opened."""
    found = []
    heavy = frozenset(tx.boxes_with_weight())
    for box in tx.enrolled_boxes():
        if box.state is not BoxState.WATCHED or box.box not in heavy or not may_see(box.box):
            continue
        weighty = [
            case
            for case in tx.list_cases(box.box, open_only=True, limit=MOST_CASES)
            if case.is_weighty
        ]
        if not weighty:
            continue
        view = last_view(tx, box.box, now)
        for case in weighty:
            pool = pool_of_case(case, view)
            chance = None
            if (
                view is not None
                and pool is not None
                and pool.protection in {Protection.THINNED, Protection.BARE}
            ):
                loss = exposure_of(view, pool, plan, now).chance
                chance = loss.likely if loss is not None else None
            found.append(Piece(box=box.box, client=box.client, case=case, chance=chance))
    return in_order(found)
