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
from watcher.rules.view import View
from watcher.service.desk import last_view
from watcher.service.extras import pool_of_case
from watcher.service.prospects import exposure_of
from watcher.store.hub import BoxState, EnrolledBox
from watcher.store.transaction import Transaction

MOST_CASES = 200
"""Open cases of one box that are looked at; our choice: far beyond what a box has."""

MOST_FIGURED = 150
"""Boxes for whose cases the chance of loss is worked out, the most urgent first; our choice: two
seconds in a storm, in which urgency alone says enough of the others."""


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
    most_figured: int = MOST_FIGURED,
) -> tuple[Piece, ...]:
    """Give what is open and weighs in all watched boxes; only those are opened."""
    heavy = frozenset(tx.boxes_with_weight())
    found: list[tuple[EnrolledBox, tuple[Case, ...]]] = []
    for box in tx.enrolled_boxes():
        if box.state is not BoxState.WATCHED or box.box not in heavy or not may_see(box.box):
            continue
        cases = tx.list_cases(box.box, open_only=True, limit=MOST_CASES)
        weighty = tuple(case for case in cases if case.is_weighty)
        if weighty:
            found.append((box, weighty))
    found.sort(key=lambda item: (-max(c.urgency.rank for c in item[1]), item[1][-1].opened_at))
    pieces: list[Piece] = []
    for place, (box, weighty) in enumerate(found):
        view = last_view(tx, box.box, now) if place < most_figured else None
        pieces += [
            Piece(
                box=box.box,
                client=box.client,
                case=case,
                chance=_chance(case, view, plan, now) if view is not None else None,
            )
            for case in weighty
        ]
    return in_order(pieces)


def _chance(case: Case, view: View, plan: WindowPlan, now: datetime) -> float | None:
    """Give the chance of losing data before full margin is back; None when no window is open."""
    pool = pool_of_case(case, view)
    if pool is None or pool.protection not in {Protection.THINNED, Protection.BARE}:
        return None
    loss = exposure_of(view, pool, plan, now).chance
    return loss.likely if loss is not None else None
