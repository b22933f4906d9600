"""What the shop asks about all boxes at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.store import made
from tests.store.made import NOW
from watcher.cases.effects import Record
from watcher.cases.state import Book
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, DriveId
from watcher.facts.pool import Protection
from watcher.store.database import Store
from watcher.store.floor import Gap

PRESS, SHED = BoxId("press"), BoxId("shed")
HOUR = timedelta(hours=1)


def test_open_cases_are_counted_by_box_and_urgency_and_closed_ones_are_not(store: Store) -> None:
    weighty, note, over = made.case(1), made.case(2), made.case(3)
    held = replace(note.held[0], finding=made.finding(2, NOW, Urgency.NOTE))
    note = replace(note, held=(held,))
    over = replace(over, closed_at=NOW)
    with store.transaction() as tx:
        tx.save_book(PRESS, Book(box=PRESS, cases=(weighty, note, over), next_case=4))
        tx.save_book(SHED, Book(box=SHED, cases=(note,), next_case=3))
    with store.snapshot() as tx:
        assert tx.case_counts() == {
            PRESS: {weighty.urgency: 1, Urgency.NOTE: 1},
            SHED: {Urgency.NOTE: 1},
        }
        assert tx.boxes_with_weight() == (PRESS,)


def test_pools_and_drives_of_every_box_are_given_without_opening_a_survey(store: Store) -> None:
    at = NOW + HOUR
    with store.transaction() as tx:
        for box, first in ((PRESS, 0), (SHED, 10)):
            tx.take_survey(
                made.survey(
                    f"{box}-1",
                    at,
                    drives=tuple(made.reading(first + n, at) for n in range(4)),
                    pools=(made.pool(at, lost=0, first_drive=first),),
                    box=box,
                ),
                at,
            )
    with store.snapshot() as tx:
        pools = tx.pools_everywhere()
        assert [(p.box, p.protection.value) for p in pools] == [(PRESS, "whole"), (SHED, "whole")]
        assert all(p.last_seen == at for p in pools)
        assert tx.drive_counts() == {PRESS: 4, SHED: 4}
        seen = tx.box_seen(PRESS)
        assert seen is not None
        assert (seen.last_survey, seen.last_survey_at) == ("press-1", at)
        assert tx.box_seen(BoxId("nobody")) is None


def test_of_a_pool_that_did_not_show_in_the_last_survey_nothing_is_known_now(store: Store) -> None:
    later = NOW + HOUR
    with store.transaction() as tx:
        for at, pools in ((NOW, (made.pool(NOW, lost=0, first_drive=0),)), (later, ())):
            tx.take_survey(made.survey(f"at {at}", at, pools=pools, box=PRESS), at)
        (pool,) = tx.pools_everywhere()
    assert (pool.protection, pool.margin) == (Protection.UNKNOWN, None)
    assert (pool.last_seen, pool.full_margin) == (NOW, 1)


def test_gaps_are_given_as_far_as_they_touch_a_span_and_one_that_grows_stays_one(
    store: Store,
) -> None:
    with store.transaction() as tx:
        tx.add_gap(PRESS, Gap(begun_at=NOW, ended_at=NOW + HOUR))
        tx.add_gap(PRESS, Gap(begun_at=NOW, ended_at=NOW + 2 * HOUR))
        tx.add_gap(PRESS, Gap(begun_at=NOW + 5 * HOUR, ended_at=NOW + 6 * HOUR))
        tx.add_gap(SHED, Gap(begun_at=NOW, ended_at=NOW + HOUR))
    with store.snapshot() as tx:
        assert tx.gaps(PRESS, NOW + HOUR, NOW + 5 * HOUR) == (
            Gap(begun_at=NOW, ended_at=NOW + 2 * HOUR),
        )
        assert len(tx.gaps(PRESS, NOW, NOW + 9 * HOUR)) == 2


def test_a_month_gives_its_records_and_every_case_that_was_open_in_it(store: Store) -> None:
    early = replace(made.case(1), opened_at=NOW - 9 * HOUR, closed_at=NOW - 5 * HOUR)
    across = replace(made.case(2), opened_at=NOW - 3 * HOUR, closed_at=NOW + HOUR)
    still = replace(made.case(3), opened_at=NOW + HOUR, closed_at=None)
    late = replace(made.case(4), opened_at=NOW + 9 * HOUR, closed_at=None)
    lines = [Record(case=2, at=NOW + n * HOUR, what="opened", by="", text=str(n)) for n in range(4)]
    with store.transaction() as tx:
        tx.save_book(PRESS, Book(box=PRESS, cases=(early, across, still, late), next_case=5))
        tx.add_records(PRESS, lines)
    with store.snapshot() as tx:
        found = tx.cases_between(PRESS, NOW, NOW + 2 * HOUR)
        assert [case.number for case in found] == [2, 3]
        assert tx.records_between(PRESS, NOW + HOUR, NOW + 3 * HOUR) == tuple(lines[1:3])
        assert len(tx.records_between(PRESS, NOW, NOW + 9 * HOUR, limit=2)) == 2


def test_codes_that_can_still_be_used_are_listed_by_a_mark_and_can_be_taken_back(
    store: Store,
) -> None:
    with store.transaction() as tx:
        tx.invite("a" * 64, "Harbour", "press", now=NOW, ends_at=NOW + HOUR)
        tx.invite("b" * 64, "Harbour", "", now=NOW, ends_at=NOW + 2 * HOUR)
        tx.invite("c" * 64, "Harbour", "", now=NOW, ends_at=NOW + 3 * HOUR)
        tx.use_invitation("c" * 64, token="t", box=PRESS)
    with store.transaction() as tx:
        assert [one.mark for one in tx.open_invitations(NOW)] == ["a" * 8, "b" * 8]
        assert [one.mark for one in tx.open_invitations(NOW + HOUR)] == ["b" * 8]
        assert tx.withdraw_invitation("b" * 64)
        assert not tx.withdraw_invitation("c" * 64)
        assert tx.invitation("b" * 64) is None


def test_the_tokens_of_a_box_tell_their_age(store: Store) -> None:
    with store.transaction() as tx:
        tx.enrol(PRESS, "Harbour", NOW, 600)
        tx.add_box_token("x" * 64, PRESS, NOW)
        assert tx.tokens_of_box(PRESS) == ((NOW, None),)
        assert tx.boxes_with_token() == {PRESS}


def test_a_drive_is_found_under_every_name_it_goes_by_and_under_no_other(store: Store) -> None:
    at = NOW + HOUR
    plain = made.reading(1, at)
    elsewhere = DriveId(f"{made.drive_id(1)}@shed")
    other = replace(plain, identity=replace(plain.identity, drive=elsewhere))
    near = replace(plain, identity=replace(plain.identity, drive=DriveId(f"{made.drive_id(1)}2")))
    with store.transaction() as tx:
        tx.take_survey(made.survey("a", at, drives=(plain, near), box=PRESS), at)
        tx.take_survey(made.survey("b", at, drives=(other,), box=SHED), at)
    with store.snapshot() as tx:
        found = tx.drive_anywhere(made.drive_id(1))
    assert {(one.identity.drive, one.box) for one in found} == {
        (plain.identity.drive, PRESS),
        (other.identity.drive, SHED),
    }
