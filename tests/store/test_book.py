from dataclasses import replace
from pathlib import Path

import pytest

from tests.store.made import BOX, DAY, HOUR, NOW, book, case
from watcher.cases.effects import Record
from watcher.cases.observations import Acknowledged, Observation, TimePassed
from watcher.facts.identity import BoxId
from watcher.store.database import Store, open_store
from watcher.store.errors import StoreDamaged, StoreTooNew


def test_a_box_without_a_book_has_an_empty_one(store: Store) -> None:
    with store.snapshot() as tx:
        assert tx.load_book(BOX) == replace(book(next_case=1), next_case=1)


def test_a_book_is_loaded_as_it_was_saved(store: Store) -> None:
    whole = book(case(1, by="ann"), case(2), case(3, closed=True))
    with store.transaction() as tx:
        tx.save_book(BOX, whole)
    with store.snapshot() as tx:
        assert tx.load_book(BOX) == whole


def test_a_case_that_leaves_the_book_stays_in_the_archive(store: Store) -> None:
    with store.transaction() as tx:
        tx.save_book(BOX, book(case(1, closed=True), case(2)))
        tx.save_book(BOX, book(case(2)))
        assert [c.number for c in tx.load_book(BOX).cases] == [2]
        assert tx.case(BOX, 1) == case(1, closed=True)
        assert tx.case(BOX, 7) is None
        assert [c.number for c in tx.list_cases(BOX)] == [2, 1]
        assert [c.number for c in tx.list_cases(BOX, open_only=True)] == [2]
        assert [c.number for c in tx.list_cases(BOX, limit=1)] == [2]


def test_a_case_that_is_open_is_listed_however_many_are_over_since(store: Store) -> None:
    with store.transaction() as tx:
        over = [case(number, closed=True) for number in range(2, 7)]
        tx.save_book(BOX, book(case(1), *over))
        assert [c.number for c in tx.list_cases(BOX, limit=3)] == [1, 6, 5]
        assert [c.number for c in tx.list_cases(BOX, open_only=True, limit=3)] == [1]


def test_boxes_do_not_see_each_other(store: Store) -> None:
    other = BoxId("harbour")
    with store.transaction() as tx:
        tx.save_book(BOX, book(case(1)))
        tx.save_book(other, book(case(1, by="ann"), box=other))
        assert tx.load_book(BOX).cases == (case(1),)
        assert tx.load_book(other).cases == (case(1, by="ann"),)
        with pytest.raises(ValueError, match="harbour"):
            tx.save_book(BOX, book(box=other))


def test_only_what_people_were_told_must_reach_the_disk(store: Store) -> None:
    """A survey's time alone need not; a case, an answer, a record must."""
    with store.transaction() as tx:
        tx.save_book(BOX, book(case(1)))
        assert tx.must_reach_disk
    with store.transaction() as tx:
        tx.save_book(BOX, replace(book(case(1)), last_survey_at=NOW))
        assert not tx.must_reach_disk
    with store.transaction() as tx:
        tx.save_book(BOX, replace(book(case(1, by="ann")), last_survey_at=NOW))
        assert tx.must_reach_disk
    with store.transaction() as tx:
        tx.add_records(BOX, [])
        assert not tx.must_reach_disk
        tx.add_records(BOX, [Record(case=1, at=NOW, what="opened")])
        assert tx.must_reach_disk


def test_when_the_book_is_lost_its_cases_and_numbers_go_on(store: Store) -> None:
    with store.transaction() as tx:
        tx.save_book(BOX, book(case(4)))
        tx.db.change("DELETE FROM book")
        found = tx.load_book(BOX)
    assert found.cases == (case(4),)
    assert found.next_case == 5


def test_a_row_that_makes_no_sense_is_damage_not_an_empty_book(store: Store) -> None:
    with store.transaction() as tx:
        tx.save_book(BOX, book(case(1)))
        tx.db.change("UPDATE case_file SET state = replace(state, 'drive', 'drove')")
        with pytest.raises(StoreDamaged, match="case 1"):
            tx.load_book(BOX)


def test_a_book_of_a_newer_format_is_refused(store: Store) -> None:
    with store.transaction() as tx:
        tx.save_book(BOX, book())
        tx.db.change("""UPDATE book SET state = replace(state, '"format":1', '"format":2')""")
        with pytest.raises(StoreTooNew, match="update midwatch"):
            tx.load_book(BOX)


def test_records_are_kept_in_order(store: Store) -> None:
    lines = [
        Record(case=1, at=NOW, what="opened", text="bay 1"),
        Record(case=1, at=NOW, what="acknowledged", by="ann", text="ordered – Friday"),
        Record(case=0, at=NOW - DAY, what="started"),
    ]
    with store.transaction() as tx:
        tx.add_records(BOX, lines)
        assert tx.records(BOX, 1) == tuple(lines[:2])
        assert tx.records(BOX, 0) == (lines[2],)


def test_what_the_case_side_was_told_can_be_told_again(store: Store) -> None:
    told: list[Observation] = [
        TimePassed(),
        Acknowledged(case=1, by="ann", until=NOW + HOUR, note="on my way"),
    ]
    with store.transaction() as tx:
        for observation in told:
            tx.add_observation(BOX, NOW, observation)
        assert [o for _, o in tx.observations(BOX, NOW - HOUR)] == told
        assert tx.observations(BOX, NOW + HOUR) == ()


def test_small_things_are_remembered_by_name(tmp_path: Path) -> None:
    with open_store(tmp_path / "m.db", now=NOW) as store, store.transaction() as tx:
        assert tx.kept(BOX, "kernel-log-cursor") is None
        tx.keep(BOX, "kernel-log-cursor", "s=1")
        tx.keep(BOX, "kernel-log-cursor", "s=2")
    with open_store(tmp_path / "m.db", now=NOW) as store, store.snapshot() as tx:
        assert tx.kept(BOX, "kernel-log-cursor") == "s=2"
