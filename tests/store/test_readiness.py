from dataclasses import replace
from datetime import datetime, timedelta

from tests.store.made import BOX, NOW, drive_id
from watcher.cases.effects import Record
from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import BoxId, PoolId
from watcher.facts.readiness import DrillDone, RestoreTried, ShelfSpare, ToldReadiness
from watcher.store.database import Store
from watcher.store.hub import BoxState
from watcher.store.readiness import ToldRow

SPARE = ShelfSpare(
    number=0,
    identity=DriveIdentity(
        drive=drive_id(9), model="Altair A8", serial="X0009", capacity_bytes=8_000_000_000_000
    ),
    added_at=NOW,
    place="drawer",
)
DRILL = DrillDone(
    number=1, pool=PoolId("md:a"), pool_name="orchard", member="bay 3", by="Ana", begun_at=NOW
)


def test_what_a_box_told_is_kept_for_it_alone_and_forgotten_with_its_machine(store: Store) -> None:
    told = ToldReadiness(shelf=(replace(SPARE, number=1),), watched_since=NOW, own_way=False)
    with store.transaction() as tx:
        for name in ("press", "barn"):
            tx.enrol(BoxId(name), "Harbour", NOW, 600)
        tx.save_told(BoxId("press"), ToldReadiness(), NOW)
        tx.save_told(BoxId("press"), told, NOW + timedelta(hours=1))
    with store.snapshot() as tx:
        assert tx.told_by(BoxId("press")) == ToldRow(at=NOW + timedelta(hours=1), told=told)
        assert tx.told_by(BoxId("barn")) == ToldRow(at=None, told=None)
        assert tx.told_by(BoxId("attic")) is None
    with store.transaction() as tx:
        tx.enrol(BoxId("press"), "Harbour", NOW, 600)
        assert tx.told_by(BoxId("press")) == ToldRow(at=None, told=None)


def test_when_a_box_was_given_back_is_kept_until_it_comes_again(store: Store) -> None:
    def returned_at() -> datetime | None:
        with store.snapshot() as tx:
            box = tx.enrolled(BoxId("press"))
        assert box is not None
        return box.returned_at

    with store.transaction() as tx:
        tx.enrol(BoxId("press"), "Harbour", NOW, 600)
        tx.set_box_state(BoxId("press"), BoxState.RETURNED, NOW)
    assert returned_at() == NOW
    with store.transaction() as tx:
        tx.enrol(BoxId("press"), "Harbour", NOW, 600)
    assert returned_at() is None


def test_a_spare_comes_back_as_it_was_put_on_the_shelf(store: Store) -> None:
    with store.transaction() as tx:
        added = tx.add_spare(BOX, SPARE)
        assert added == replace(SPARE, number=1)
        assert tx.must_reach_disk
    with store.snapshot() as tx:
        assert tx.shelf(BOX) == (added,)
        assert tx.shelf(BoxId("elsewhere")) == ()


def test_a_number_is_never_given_twice(store: Store) -> None:
    with store.transaction() as tx:
        tx.add_spare(BOX, SPARE)
        assert tx.remove_spare(BOX, 1)
        assert not tx.remove_spare(BOX, 1)
        assert tx.add_spare(BOX, SPARE).number == 2
        assert [spare.number for spare in tx.shelf(BOX)] == [2]


def test_a_spare_that_was_proven_keeps_its_proof(store: Store) -> None:
    proven = replace(SPARE, number=1, proven_at=NOW, proof="written, read back, self-test passed")
    with store.transaction() as tx:
        tx.add_spare(BOX, SPARE)
        tx.save_spare(BOX, proven)
        assert tx.shelf(BOX) == (proven,)


def test_rehearsals_and_restores_are_kept_in_order(store: Store) -> None:
    done = replace(DRILL, answered_at=NOW + timedelta(minutes=7), answered_by="Ben")
    tried = RestoreTried(thing="photos", copy="nas", at=NOW, by="Ana")
    with store.transaction() as tx:
        assert tx.next_drill(BOX) == 1
        tx.save_drill(BOX, DRILL)
        tx.save_drill(BOX, done)
        tx.save_drill(BOX, replace(DRILL, number=tx.next_drill(BOX)))
        tx.add_restore(BOX, tried)
        tx.add_restore(BOX, replace(tried, worked=False))
        assert [d.number for d in tx.drills(BOX)] == [1, 2]
        assert tx.drills(BOX)[0] == done
        assert tx.restores(BOX) == (tried, replace(tried, worked=False))


def test_the_last_answer_is_that_of_a_person_to_a_case(store: Store) -> None:
    with store.transaction() as tx:
        assert tx.last_answer(BOX) is None
        for minute, what in enumerate(("opened", "told-new", "acknowledged", "told-reminder")):
            at = NOW + timedelta(minutes=minute)
            tx.add_records(BOX, (Record(case=1, at=at, what=what, by="Ana", text=""),))
        assert tx.last_answer(BOX) == (NOW + timedelta(minutes=2), "Ana")


def test_who_takes_a_case_that_nobody_was_told_of_proves_no_way_to_a_person(store: Store) -> None:
    with store.transaction() as tx:
        for case, what in ((1, "opened"), (2, "told-new"), (1, "acknowledged"), (1, "told-taken")):
            tx.add_records(BOX, (Record(case=case, at=NOW, what=what, by="Ana", text=""),))
        assert tx.last_answer(BOX) is None
