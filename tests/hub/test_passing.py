"""Time passes: books fall due, boxes fall quiet, and a fault with one stops nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time, timedelta

import pytest

from tests.hub.stage import (
    CONFIG,
    EVERY,
    NOW,
    enrol,
    look,
    messages,
    new_store,
    parcel,
    report,
    shop,
    standing,
    standing_of,
)
from watcher.cases.observations import WorkAnnounced
from watcher.cases.policy import Digest
from watcher.cases.state import Expectation, ExpectKind
from watcher.facts.identity import BoxId
from watcher.hub.clients import Clients
from watcher.hub.passing import STUCK_AGAIN, PassingTime
from watcher.hub.shop import Shop
from watcher.service.desk import Desk, Outcome
from watcher.store.hub import BoxState
from watcher.store.transaction import Transaction

pytestmark = pytest.mark.usefixtures("each_ground")

LEAST = timedelta(minutes=45)


def test_a_quiet_box_is_a_case_once_and_its_next_survey_clears_it() -> None:
    hub = shop()
    passing = PassingTime(hub)
    token = enrol(hub, "press")
    report(hub, token, look(1))
    away = NOW + timedelta(hours=2)
    passing.mind_the_quiet(away, LEAST)
    passing.due(away + timedelta(minutes=2))
    told = messages(hub)
    passing.mind_the_quiet(away + timedelta(minutes=1), LEAST)
    assert messages(hub) == told
    assert any("not reported" in title or "press" in title for _, _, title in told)
    report(hub, token, look(20))
    with hub.store.snapshot() as tx:
        book = tx.load_book(BoxId("press"))
    assert not any(case.holds("box-quiet/box:press") for case in book.cases)


def test_many_that_fall_quiet_at_once_are_one_case_of_the_hub() -> None:
    hub = shop()
    passing = PassingTime(hub)
    for number in range(5):
        token = enrol(hub, f"box {number}")
        report(hub, token, look(1, first_drive=10 * number))
    passing.mind_the_quiet(NOW + timedelta(hours=2), LEAST)
    with hub.store.snapshot() as tx:
        own = tx.load_book(BoxId("hub"))
        others = [tx.load_book(BoxId(f"box {n}")) for n in range(5)]
    assert [c.standing[0].rule for c in own.open_cases] == ["many-boxes-quiet"]
    assert not any(c.holds(f"box-quiet/box:{b.box}") for b in others for c in b.cases)
    for number in range(5):
        report(hub, f"token-of-box {number}-0123456789", look(20, first_drive=10 * number))
    passing.mind_the_quiet(NOW + 20 * EVERY, LEAST)
    with hub.store.snapshot() as tx:
        assert not tx.load_book(BoxId("hub")).cases[0].standing


def test_a_box_at_rest_may_be_quiet() -> None:
    hub = shop()
    passing = PassingTime(hub)
    report(hub, enrol(hub, "press"), look(1))
    with hub.store.transaction() as tx:
        tx.set_box_state(BoxId("press"), BoxState.RETURNED)
    passing.mind_the_quiet(NOW + timedelta(days=3), LEAST)
    with hub.store.snapshot() as tx:
        assert not any(c.holds("box-quiet/box:press") for c in tx.load_book(BoxId("press")).cases)
        assert tx.drives(BoxId("press"))


def test_books_that_fall_due_are_moved_and_say_when_they_are_due_next() -> None:
    hub = shop()
    passing = PassingTime(hub)
    report(hub, enrol(hub, "press"), look(1, lost=1))

    def due_at() -> datetime:
        with hub.store.snapshot() as tx:
            box = tx.enrolled(BoxId("press"))
        assert box is not None
        assert box.due_at is not None
        return box.due_at

    first, said = due_at(), messages(hub)
    assert first > NOW
    passing.due(first - timedelta(microseconds=1))
    assert (due_at(), messages(hub)) == (first, said)
    assert passing.due(first)
    assert due_at() > first
    assert len(messages(hub)) > len(said)


def test_a_box_whose_absence_was_planned_falls_quiet_without_a_word() -> None:
    hub = shop()
    passing = PassingTime(hub)
    report(hub, enrol(hub, "press"), look(1))
    report(hub, enrol(hub, "shed"), look(2, first_drive=10))
    with hub.store.transaction() as tx:
        box = tx.enrolled(BoxId("press"))
        assert box is not None
        said = WorkAnnounced(
            by="sam",
            reason="moving house",
            begins=NOW + 2 * EVERY,
            ends=NOW + timedelta(hours=12),
            expects=(Expectation(kind=ExpectKind.BOX_OFF, said="box off"),),
        )
        desk = Desk(hub.store, hub.clients.of(box))
        assert not desk.hear_within(tx, said, NOW + 2 * EVERY).refused
    later = NOW + timedelta(hours=3)
    passing.mind_the_quiet(later, LEAST)
    passing.due(later + timedelta(minutes=5))
    with hub.store.snapshot() as tx:
        quiet = {
            name: case
            for name in ("press", "shed")
            for case in tx.load_book(BoxId(name)).open_cases
            if any(f.rule == "box-quiet" for f in case.standing)
        }
    assert (quiet["press"].hushed, quiet["press"].told) == (True, ())
    assert quiet["shed"].told == ("sam", "ann")
    assert "Today: press on press" not in {title for _, _, title in messages(hub)}


def test_a_hub_whose_clock_was_set_back_expects_boxes_from_now_on() -> None:
    hub = shop()
    passing = PassingTime(hub)
    ahead = NOW + timedelta(days=10)
    hub.take(enrol(hub, "press", now=ahead), parcel(look(1, lost=1)), "", ahead)
    enrol(hub, "shed", "Orchard", now=ahead)
    passing.mind_the_quiet(NOW, LEAST)
    with hub.store.snapshot() as tx:
        press, shed = (tx.enrolled(BoxId(name)) for name in ("press", "shed"))
    assert press is not None
    assert shed is not None
    assert (press.heard_at, press.due_at, press.joined_at, shed.joined_at) == (NOW,) * 4
    assert passing.mind_the_quiet(NOW + timedelta(hours=1), LEAST)
    assert "box-quiet" in standing_of(hub, "press") & standing_of(hub, "shed")


def test_a_fault_with_the_cases_of_one_box_stops_nothing_for_the_others_and_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hub = shop()
    passing = PassingTime(hub)
    for place, name in enumerate(("barn", "press", "shed")):
        report(hub, enrol(hub, name), look(1, lost=1, first_drive=10 * place), sender=name)
    later = NOW + timedelta(hours=1)
    tick = Desk.tick_within

    def fails_for_press(desk: Desk, tx: Transaction, now: datetime) -> Outcome:
        if desk.standing.box == "press":
            raise KeyError("rung")
        return tick(desk, tx, now)

    with monkeypatch.context() as broken:
        broken.setattr(Desk, "tick_within", fails_for_press)
        assert passing.due(later)
        passing.due(later)
        assert passing.mind_the_quiet(later, LEAST * 9)
    own = str(hub.clients.own.box)
    assert standing_of(hub, own) == {"cases-stand-still"}
    with hub.store.snapshot() as tx:
        rows = tx.db.rows("SELECT body FROM notice WHERE box = :box", {"box": own})
        said = [row["body"] for row in rows]
    assert said
    assert "--box press" in said[0]
    passing.due(later + STUCK_AGAIN)
    passing.mind_the_quiet(later + STUCK_AGAIN, LEAST * 9)
    assert standing_of(hub, own) == set()


def test_the_regular_message_of_a_hub_tells_of_its_boxes_and_not_of_its_own_drives() -> None:
    """It has none; "0 drives, 0 pools" would be read as of all that is watched."""
    base = standing()
    weekly = Digest(at=time(9, 0), weekdays=(0,), zone="UTC")
    base = replace(base, policy=replace(base.policy, digest=weekly))
    hub = Shop(new_store(), Clients(base, CONFIG))
    passing = PassingTime(hub)
    passing.due(NOW)
    token = enrol(hub, "press")
    report(hub, enrol(hub, "shed", "Orchard"), look(1, first_drive=10))
    monday = NOW + timedelta(days=2)
    report(hub, token, look(int((monday - NOW) / EVERY), lost=1))
    passing.mind_the_quiet(monday, LEAST)
    while passing.due(monday):
        pass
    with hub.store.snapshot() as tx:
        told = {
            n.person: n.body
            for n in tx.list_notices(hub.clients.own.box)
            if n.title == "Still watching hub"
        }
    assert set(told) == {"sam"}, "nobody of a client"
    assert told["sam"].startswith(
        "2 boxes, 7 drives, 2 pools, 3 open cases. 1 thing we cannot see."
    )
    assert "media on press: no margin, the next loss costs data" in told["sam"]
    assert "media on shed: margin not known" in told["sam"]
    assert "Cannot see: shed of Orchard is not heard from." in told["sam"]
