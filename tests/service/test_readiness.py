from dataclasses import replace

from tests.store.made import BOX, DAY, NOW, drive_id, pool, reading, survey
from watcher.cases.effects import Record
from watcher.facts.pool import Member, MemberState, Role
from watcher.facts.readiness import BackupsSeen, Irreplaceable, ShelfSpare
from watcher.rules.view import View
from watcher.service.readiness import hot_spares, prepared
from watcher.store.database import open_memory

SPARE = ShelfSpare(number=0, identity=reading(9).identity, added_at=NOW)
USED = replace(SPARE, identity=reading(1).identity)


def test_what_store_and_survey_know_comes_together() -> None:
    seen = BackupsSeen(seen_at=NOW, things=(Irreplaceable(name="photos", paths=("/a",)),))
    at = replace(survey("1", pools=(pool(),)), backups=seen)
    with open_memory(now=NOW).transaction() as tx:
        tx.take_survey(at, NOW)
        tx.add_spare(BOX, SPARE)
        tx.add_spare(BOX, USED)
        for what in ("told-opened", "acknowledged"):
            tx.add_records(BOX, (Record(case=1, at=NOW, what=what, by="Ana", text=""),))
        ready = prepared(tx, View(survey=at, now=NOW + DAY), reached_away=True, beats=False).ready
    assert ready is not None
    assert [s.number for s in ready.shelf] == [1], "a drive in a pool is no spare"
    assert [(f.spare, f.pool_name) for f in ready.fits] == [(1, "media")]
    assert ready.things == seen.things
    assert (ready.answered_by, ready.watched_since) == ("Ana", NOW)
    assert (ready.reached_away, ready.beats) == (True, False)


def test_a_box_that_was_never_heard_of_has_no_past() -> None:
    with open_memory(now=NOW).snapshot() as tx:
        ready = prepared(tx, View(survey=survey("1"), now=NOW)).ready
    assert ready is not None
    assert (ready.watched_since, ready.answered_at, ready.things) == (None, None, None)
    assert (ready.reached_away, ready.beats) == (None, None)


def test_only_spares_that_wait_count_as_hot_spares() -> None:
    one = pool()
    waits = Member(name="s", state=MemberState.SPARE, role=Role.SPARE, drives=(drive_id(7),))
    gone = replace(waits, name="g", state=MemberState.MISSING)
    assert hot_spares(replace(one, others=(waits, gone))) == 1
    assert hot_spares(one) == 0
