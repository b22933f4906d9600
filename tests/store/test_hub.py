"""The boxes of a hub in the store."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.store.conftest import Anew
from tests.store.made import NOW, drive_id, reading, survey
from watcher.facts.identity import BoxId
from watcher.store.database import Store
from watcher.store.hub import BoxState

PRESS, SHED = BoxId("press"), BoxId("shed")
HOUR = timedelta(hours=1)


@pytest.fixture
def store(anew: Anew) -> Store:
    found = anew()
    with found.transaction() as tx:
        tx.enrol(PRESS, "Harbour", NOW, 600)
        tx.enrol(SHED, "Orchard", NOW, 600)
    return found


def heard(store: Store, box: BoxId, *, ago: timedelta, due_in: timedelta | None = None) -> None:
    with store.transaction() as tx:
        tx.box_heard(
            box,
            NOW - ago,
            every_seconds=300,
            address="192.0.2.1",
            sender="s",
            due_at=None if due_in is None else NOW + due_in,
        )


def test_boxes_are_found_by_client_by_what_is_due_and_by_when_they_were_heard(store: Store) -> None:
    heard(store, PRESS, ago=HOUR, due_in=-HOUR)
    heard(store, SHED, ago=3 * HOUR, due_in=HOUR)
    with store.snapshot() as tx:
        assert [b.box for b in tx.enrolled_boxes("Orchard")] == [SHED]
        assert [b.box for b in tx.enrolled_boxes()] == [PRESS, SHED]
        assert tx.boxes_due(NOW, 10) == (PRESS,)
        assert [b.box for b in tx.boxes_not_heard(NOW - 2 * HOUR)] == [SHED]
        assert tx.count_heard(NOW - 2 * HOUR) == 1
        found = tx.enrolled(PRESS)
        assert found is not None
        assert (found.every_seconds, found.address, found.client) == (300, "192.0.2.1", "Harbour")


def test_a_returned_box_is_neither_due_nor_missed(store: Store) -> None:
    heard(store, PRESS, ago=9 * HOUR, due_in=-HOUR)
    with store.transaction() as tx:
        assert tx.set_box_state(PRESS, BoxState.RETURNED)
        assert not tx.set_box_state(BoxId("nobody"), BoxState.RETURNED)
        assert tx.boxes_due(NOW, 10) == ()
        assert tx.boxes_not_heard(NOW) == ()


def test_drives_of_another_client_are_strangers_and_those_of_the_same_are_not(store: Store) -> None:
    with store.transaction() as tx:
        tx.take_survey(survey("1", drives=(reading(1), reading(2)), box=PRESS), NOW)
        drives = frozenset({drive_id(1), drive_id(9)})
        assert tx.strangers(SHED, "Orchard", drives) == {drive_id(1)}
        assert tx.strangers(BoxId("third"), "Harbour", drives) == frozenset()
        assert tx.strangers(PRESS, "Harbour", drives) == frozenset()


def test_runs_of_a_box_are_remembered_refused_and_forgotten(store: Store) -> None:
    with store.transaction() as tx:
        tx.sender_heard(PRESS, "a", NOW)
        tx.sender_heard(PRESS, "a", NOW + HOUR)
        known = tx.sender(PRESS, "a")
        assert known is not None
        assert (known.first_at, known.last_at, known.refused_at) == (NOW, NOW + HOUR, None)
        tx.refuse_sender(PRESS, "b", NOW)
        assert tx.has_second_sender(PRESS, NOW - HOUR)
        assert not tx.has_second_sender(PRESS, NOW + HOUR)
        tx.revoke_box(PRESS)
        assert tx.sender(PRESS, "a") is None
        assert not tx.has_second_sender(PRESS, NOW - HOUR)


def test_what_ended_long_ago_is_tidied_away(store: Store) -> None:
    with store.transaction() as tx:
        tx.invite("h", "Harbour", "", now=NOW, ends_at=NOW + HOUR)
        tx.sender_heard(PRESS, "a", NOW)
        tx.tidy_hub(NOW)
        assert tx.invitation("h") is not None
        tx.tidy_hub(NOW + 2 * HOUR)
        assert tx.invitation("h") is None
        assert tx.sender(PRESS, "a") is None
