"""What waits for the hub: in order, counted in bytes, thinned and dropped."""

from __future__ import annotations

from tests.store.made import BOX, HOUR, NOW, notice
from watcher.store.database import Store


def test_surveys_wait_in_the_order_they_were_put(store: Store) -> None:
    with store.transaction() as tx:
        assert tx.first_outgoing() is None
        assert tx.outgoing_size() == (0, 0)
        tx.put_outgoing("a", NOW, weighs=False, body=b"12345")
        assert not tx.must_reach_disk
        tx.put_outgoing("b", NOW, weighs=True, body=b"123")
        assert tx.must_reach_disk
        first, last = tx.outgoing_below(1, 9)
        assert (first.survey, last.survey) == ("a", "b")
        assert tx.first_outgoing() == first
        assert tx.outgoing_size() == (8, 2)
        tx.thin_outgoing(first.number, 1, b"1")
        assert [o.survey for o in tx.outgoing_below(1, 9)] == ["b"]
        tx.drop_outgoing(first.number)
        last = tx.first_outgoing()
        assert last is not None
        assert last.survey == "b"


def test_only_messages_that_were_decided_by_then_and_never_tried_are_held(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice("a"), notice("b", at=NOW + HOUR), notice("c")])
        (tried, *_) = tx.claim_due(NOW, 1, "d")
        tx.mark_failed(tried.number, "d", now=NOW, next_try_at=NOW, error="x")
        held = tx.held_notices(BOX, NOW)
        assert len(held) == 1
        assert tried.number not in held
