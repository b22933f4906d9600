"""What needs the shop, over all clients."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from tests.hub.stage import EVERY, NOW, enrol, look, report, shop
from tests.store import made
from watcher.exposure.window import WindowPlan
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.hub.work import Piece, in_order, work_of
from watcher.store.hub import BoxState

pytestmark = pytest.mark.usefixtures("each_ground")


def piece(box: str, urgency: Urgency, chance: float | None) -> Piece:
    case = made.case(1)
    held = replace(case.held[0], finding=made.finding(1, NOW, urgency))
    return Piece(box=BoxId(box), client="c", case=replace(case, held=(held,)), chance=chance)


def test_urgency_comes_first_and_then_the_chance_of_loss() -> None:
    pieces = [
        piece("late", Urgency.TODAY, 0.5),
        piece("small", Urgency.NOW, 0.01),
        piece("none", Urgency.NOW, None),
        piece("large", Urgency.NOW, 0.2),
    ]
    assert [p.box for p in in_order(pieces)] == ["large", "small", "none", "late"]


def test_only_watched_boxes_with_something_that_weighs_are_listed() -> None:
    hub = shop()
    report(hub, enrol(hub, "press"), look(1, lost=1))
    report(hub, enrol(hub, "shed", "Orchard"), look(1, lost=1, first_drive=10))
    with hub.store.transaction() as tx:
        tx.set_box_state(BoxId("shed"), BoxState.RETURNED)
        found = work_of(tx, WindowPlan(zone=UTC), NOW + EVERY)
    assert {p.box for p in found} == {"press"}
    assert found[0].chance is not None
    assert found[0].chance > 0


def test_in_a_storm_the_chance_is_worked_out_for_the_most_urgent_boxes_and_all_are_listed() -> None:
    hub = shop()
    for number in range(4):
        survey = look(1, lost=1, first_drive=10 * number)
        report(hub, enrol(hub, f"box-{number}"), survey)
    with hub.store.snapshot() as tx:
        found = work_of(tx, WindowPlan(zone=UTC), NOW + EVERY, most_figured=1)
        whole = work_of(tx, WindowPlan(zone=UTC), NOW + EVERY)
    assert len(found) == len(whole)
    assert len({piece.box for piece in found if piece.chance is not None}) == 1
    assert len({piece.box for piece in whole if piece.chance is not None}) == 4
