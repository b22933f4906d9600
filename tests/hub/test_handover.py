"""The box's end: kept with the survey, held back while the hub speaks, thinned when too many."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.hub.stage import EVERY, NOW, look, standing
from tests.store import made
from watcher.facts.identity import BoxId
from watcher.hub.handover import Handover
from watcher.hub.thinning import DOUBT
from watcher.hub.wire import unpack
from watcher.service.desk import Desk
from watcher.store.database import Store, open_memory
from watcher.store.outbox import NoticeState

BOX = BoxId("press")
HOUR = timedelta(hours=1)


def handover(most_bytes: int = 10**8) -> Handover:
    return Handover(box=BOX, sender="run", every=EVERY, alone_after=HOUR, most_bytes=most_bytes)


def desk(store: Store, link: Handover) -> Desk:
    with store.transaction() as tx:
        link.begin(tx, NOW)
    return Desk(store, replace(standing("press"), hands_over=link))


def test_messages_wait_and_are_taken_back_when_the_hub_has_the_survey() -> None:
    store, link = open_memory(now=NOW), handover()
    box = desk(store, link)
    now = NOW + EVERY
    box.take_in(look(1, lost=1), now)
    with store.transaction() as tx:
        waiting = tx.list_notices(BOX, state=NoticeState.WAITING)
        assert waiting
        assert {n.next_try_at for n in waiting} == {NOW + HOUR}
        assert all("Sent by press itself" in n.body for n in waiting)
        one = tx.first_outgoing()
        assert one is not None
        assert link.taken(tx, one, now) == len(waiting)
        assert tx.list_notices(BOX, state=NoticeState.WAITING) == ()
        assert tx.first_outgoing() is None


def test_messages_leave_by_themselves_when_the_hub_takes_nothing() -> None:
    store, link = open_memory(now=NOW), handover()
    box = desk(store, link)
    box.take_in(look(1, lost=1), NOW + EVERY)
    with store.transaction() as tx:
        assert tx.claim_due(NOW + EVERY, 9, "d") == ()
        assert tx.claim_due(NOW + HOUR, 9, "d")
    late = NOW + 3 * HOUR
    box.take_in(look(18, lost=2), late)
    with store.transaction() as tx:
        fresh = tx.list_notices(BOX, state=NoticeState.WAITING)
        assert fresh
        assert all(n.next_try_at == late for n in fresh)
        assert link.findings(tx, late)
        assert link.works(tx, late) == frozenset()


def test_a_survey_is_kept_with_its_decision_or_not_at_all() -> None:
    store, link = open_memory(now=NOW), handover()
    box = desk(store, link)
    box.take_in(look(1), NOW + EVERY)
    box.take_in(look(1), NOW + EVERY)
    with store.snapshot() as tx:
        assert tx.outgoing_size()[1] == 1
        one = tx.first_outgoing()
    assert one is not None
    assert unpack(one.body).survey.survey == "look-1"


def test_an_outage_ends_with_word_of_it() -> None:
    store, link = open_memory(now=NOW), handover()
    box = desk(store, link)
    box.take_in(look(9), NOW + 9 * EVERY)
    with store.snapshot() as tx:
        one = tx.first_outgoing()
    assert one is not None
    assert unpack(one.body).alone_since == NOW + HOUR


def test_when_too_many_wait_events_of_weight_and_changes_of_pools_are_still_there() -> None:
    store, link = open_memory(now=NOW), handover(most_bytes=4000)
    box = desk(store, link)
    for number in range(40):
        lost = 1 if 10 <= number < 30 else 0
        events = (made.event(NOW + number * EVERY),) if number == 20 else ()
        box.take_in(look(number, lost=lost, events=events), NOW + number * EVERY)
    with store.snapshot() as tx:
        rows = tx.outgoing_below(9, 100)
        size, _ = tx.outgoing_size()
    kept = {unpack(r.body).survey.survey: unpack(r.body).survey for r in rows}
    assert {"look-0", "look-10", "look-20", "look-30"} <= set(kept)
    assert kept["look-20"].events
    assert DOUBT in kept["look-0"].doubts
    assert "look-39" in kept
    assert len(kept) < 40
    assert size <= 4000 + max(len(r.body) for r in rows)


def test_why_the_hub_took_nothing_is_remembered() -> None:
    store, link = open_memory(now=NOW), handover()
    with store.transaction() as tx:
        link.begin(tx, NOW)
        link.not_taken(tx, "no line")
        (away,) = link.findings(tx, NOW + 2 * HOUR)
    assert away.evidence[0].value == "no line"
