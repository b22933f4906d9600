from dataclasses import replace
from datetime import timedelta

import pytest

from tests.store.made import BOX, HOUR, MINUTE, NOW, notice
from watcher.facts.finding import Urgency
from watcher.store.database import Store
from watcher.store.outbox import NoticeState, TargetRecord


def test_the_same_decision_twice_is_one_message(store: Store) -> None:
    with store.transaction() as tx:
        assert tx.put_notices([notice("1/opened"), notice("1/opened", "mail")]) == 2
    with store.transaction() as tx:
        assert tx.put_notices([notice("1/opened"), notice("1/opened", "mail")]) == 0
        assert len(tx.list_notices(BOX)) == 2


def test_the_most_urgent_goes_first(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice("a"), notice("b", urgency=Urgency.NOW), notice("c")])
        assert [n.key for n in tx.claim_due(NOW, 2, "sender")] == ["b", "a"]
        assert [n.key for n in tx.claim_due(NOW, 9, "sender")] == ["c"]


def test_a_message_is_not_due_before_its_time(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([replace(notice("a"), not_before=NOW + HOUR)])
        assert tx.claim_due(NOW, 9, "sender") == ()
        assert tx.next_due(NOW) == NOW + HOUR
        assert len(tx.claim_due(NOW + HOUR, 9, "sender")) == 1
        assert tx.next_due(NOW) is None


def test_a_clock_set_back_does_not_put_a_message_off(store: Store) -> None:
    """One written, or tried last, in what is the future now is due at once."""
    yesterday = NOW - 24 * HOUR
    with store.transaction() as tx:
        tx.put_notices([notice("new"), notice("tried", at=yesterday - HOUR)])
        (tried,) = tx.claim_due(yesterday - HOUR, 1, "sender")
        tx.mark_failed(tried.number, "sender", now=NOW, next_try_at=NOW + MINUTE, error="no")
        assert tx.next_due(yesterday) == yesterday
        assert {n.key for n in tx.claim_due(yesterday, 9, "sender")} == {"new", "tried"}


def test_a_failed_message_waits_for_its_next_try_and_keeps_what_was_said(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice("a")])
        (taken,) = tx.claim_due(NOW, 1, "sender")
        assert tx.mark_failed(
            taken.number, "sender", now=NOW, next_try_at=NOW + MINUTE, error="451 try later"
        )
        found = tx.notice(taken.number)
        assert found is not None
        assert (found.state, found.last_error) == (NoticeState.WAITING, "451 try later")
        assert tx.claim_due(NOW, 1, "sender") == ()
        (again,) = tx.claim_due(NOW + MINUTE, 1, "sender")
        assert tx.mark_sent(again.number, NOW + MINUTE)
        assert [(a.number, a.outcome) for a in tx.attempts(again.number)] == [
            (1, "failed"),
            (2, "sent"),
        ]
        sent = tx.notice(again.number)
        assert sent is not None
        assert sent.sent_at == NOW + MINUTE


def test_a_sender_that_does_not_come_back_loses_its_claim(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice("a")])
        tx.claim_due(NOW, 1, "dead")
        assert tx.release_stale_claims(NOW + MINUTE, 5 * MINUTE) == 0
        assert tx.release_stale_claims(NOW + HOUR, 5 * MINUTE, besides={"dead"}) == 0
        assert tx.release_stale_claims(NOW + 5 * MINUTE, 5 * MINUTE) == 1
        (again,) = tx.claim_due(NOW + 5 * MINUTE, 1, "other")
        assert not tx.mark_failed(again.number, "dead", now=NOW, next_try_at=NOW, error="late")
        assert not tx.give_up(again.number, "dead", now=NOW, error="late")
        assert tx.mark_sent(again.number, NOW + 6 * MINUTE)
        assert [a.outcome for a in tx.attempts(again.number)] == ["no-answer", "sent"]


def test_a_claim_from_the_future_does_not_last_for_ever(store: Store) -> None:
    """A clock that was set back must not hold a message for as long as the step."""
    with store.transaction() as tx:
        tx.put_notices([notice("a")])
        tx.claim_due(NOW + timedelta(days=30), 1, "dead")
        assert tx.release_stale_claims(NOW, 5 * MINUTE) == 1
        assert len(tx.claim_due(NOW, 1, "other")) == 1


def test_what_arrived_late_is_not_sent_again(store: Store) -> None:
    """The sender was thought dead, but its message had arrived."""
    with store.transaction() as tx:
        tx.put_notices([notice("a")])
        (taken,) = tx.claim_due(NOW, 1, "slow")
        tx.release_stale_claims(NOW + HOUR, MINUTE)
        assert tx.mark_sent(taken.number, NOW + HOUR)
        assert tx.claim_due(NOW + HOUR, 1, "other") == ()
        assert not tx.mark_sent(taken.number, NOW + HOUR)
        assert not tx.mark_sent(12345, NOW)


def test_only_a_waiting_message_can_be_dropped(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice("a"), notice("b")])
        (taken,) = tx.claim_due(NOW, 1, "sender")
        (waiting,) = tx.list_notices(BOX, state=NoticeState.WAITING)
        assert not tx.drop_notice(taken.number, now=NOW, reason="it cleared")
        assert tx.drop_notice(waiting.number, now=NOW, reason="it cleared")
        assert tx.claim_due(NOW + HOUR, 9, "sender") == ()


def test_a_given_up_message_stays_listed_with_its_error(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice("a")])
        (taken,) = tx.claim_due(NOW, 1, "sender")
        assert tx.give_up(taken.number, "sender", now=NOW, error="x" * 900)
        (found,) = tx.list_notices(BOX, state=NoticeState.GIVEN_UP)
        assert found.last_error == "x" * 500
        assert found.sent_at is None


def test_a_target_tells_since_when_it_fails(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice("a"), notice("b"), notice("c", "mail")])
        (good,) = tx.claim_due(NOW, 1, "s")
        tx.mark_sent(good.number, NOW)
        for minute in (1, 2):
            for taken in tx.claim_due(NOW + minute * MINUTE, 9, "s"):
                tx.mark_failed(
                    taken.number,
                    "s",
                    now=NOW + minute * MINUTE,
                    next_try_at=NOW,
                    error=f"no route {minute}",
                )
        assert tx.target_records(NOW + 9 * MINUTE) == (
            TargetRecord(
                target="mail",
                failing_since=NOW + MINUTE,
                failures=2,
                last_error="no route 2",
            ),
            TargetRecord(
                target="phone",
                failing_since=NOW + MINUTE,
                failures=2,
                last_error="no route 2",
            ),
        )


def test_a_way_that_fails_after_the_clock_was_set_back_is_seen_to_fail(store: Store) -> None:
    """What arrived while the clock was a year ahead is no later than what failed since."""
    ahead = NOW + timedelta(days=366)
    with store.transaction() as tx:
        tx.put_notices([notice("old"), notice("arrives")])
        (old,) = tx.claim_due(NOW, 1, "s")
        tx.mark_failed(old.number, "s", now=NOW, next_try_at=ahead, error="no route")
        for taken in tx.claim_due(ahead, 9, "s"):
            tx.mark_sent(taken.number, ahead)
        (record,) = tx.target_records(NOW + MINUTE)
        assert (record.failures, record.failing_since) == (0, None)
        tx.put_notices([notice("fails")])
        later = NOW + 5 * MINUTE
        (new,) = tx.claim_due(later, 1, "s")
        tx.mark_failed(new.number, "s", now=later, next_try_at=later, error="gone")
        (record,) = tx.target_records(later)
        assert (record.failures, record.failing_since) == (1, later)
        (new,) = tx.claim_due(later + MINUTE, 1, "s")
        tx.mark_sent(new.number, later + MINUTE)
        (record,) = tx.target_records(later + 2 * MINUTE)
        assert (record.failures, record.failing_since) == (0, None)


def test_a_message_without_a_key_is_refused() -> None:
    with pytest.raises(ValueError, match="key"):
        notice("")
