"""When the state folder gives way: memory, a finding, and the way back."""

from __future__ import annotations

import os
import sqlite3
import threading
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.cli.state import standing
from tests.lab.receivers import wait_until
from tests.lab.small_disks import small_disk
from tests.service.manual_clock import ManualClock
from watcher.demo.story import BOX, new_box
from watcher.facts.finding import Urgency
from watcher.readers.survey import Looking, Surveyor
from watcher.service.desk import Desk
from watcher.service.disk_proof import DiskProof
from watcher.service.ground import BACK_APART, STATE, Ground
from watcher.service.message_id import message_id_of
from watcher.store.connection import open_db
from watcher.store.database import Standing, Store, open_store
from watcher.store.errors import StoreDamaged, StoreDiskFails, StoreError, StoreFull, StoreReadOnly
from watcher.store.only_look import open_to_look
from watcher.store.outbox import NewNotice

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def test_a_case_opened_in_memory_is_on_the_disk_after_the_way_back(tmp_path: Path) -> None:
    box = new_box()
    surveyor = Surveyor(box, Looking(box=BOX))
    with open_store(tmp_path / "s.db", now=NOW) as disk:
        ground = Ground(disk, ManualClock(NOW))
        Desk(ground.store, standing()).take_in(surveyor.take("s1", box.now).survey, box.now)
        assert ground.findings(NOW) == ()
        assert not ground.come_back(), "there is nothing to come back from"

        ground.give_way(StoreFull("no room is left"))
        assert ground.in_memory
        (finding,) = ground.findings(NOW)
        assert finding.subject.key == STATE
        assert finding.urgency is Urgency.TODAY
        assert "no room is left" in finding.evidence[0].value

        box.pull("c")
        desk = Desk(ground.store, standing())
        desk.take_in(surveyor.take("s2", box.now).survey, box.now)
        with disk.snapshot() as tx:
            assert [c for c in tx.load_book(BOX).open_cases if not c.only_notes] == []

        assert ground.come_back()
        assert not ground.in_memory
        with disk.snapshot() as tx:
            (case,) = [c for c in tx.load_book(BOX).open_cases if not c.only_notes]
            assert case.urgency is Urgency.TODAY


def test_what_left_while_the_disk_failed_is_not_sent_from_memory(tmp_path: Path) -> None:
    """What was under way, what waited, and what has not left: only the last one still waits."""
    with open_store(tmp_path / "s.db", now=NOW) as disk:
        with disk.transaction() as tx:
            tx.put_notices(notice(key) for key in ("under-way", "waited", "has not left"))
            tx.claim_due(NOW, 1, "delivery 1 1 elsewhere")
        ground = Ground(disk, ManualClock(NOW))
        at = NOW - timedelta(seconds=9)
        left = {message_id_of(key, "ana/phone"): at for key in ("under-way", "waited", "other")}
        ground.give_way(StoreFull("no room is left"), left)
        with ground.store.snapshot() as tx:
            notices = {n.key: n for n in tx.list_notices(BOX)}
            assert [a.outcome for a in tx.attempts(notices["under-way"].number)] == ["sent"]
        assert {key: n.sent_at for key, n in notices.items()} == {
            "under-way": at,
            "waited": at,
            "has not left": None,
        }
        assert ground.come_back()
        with disk.snapshot() as tx:
            assert {n.key: n.sent_at for n in tx.list_notices(BOX)} == {
                key: n.sent_at for key, n in notices.items()
            }


def notice(key: str) -> NewNotice:
    return NewNotice(
        key=key,
        box=BOX,
        person="ana",
        target="ana/phone",
        urgency=Urgency.NOW,
        title=key,
        body="bay 3",
        created_at=NOW,
    )


def test_an_error_twice_keeps_the_first_memory(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.db", now=NOW) as disk:
        ground = Ground(disk, ManualClock(NOW))
        ground.give_way(StoreFull("one"))
        memory = ground.store
        ground.give_way(StoreFull("two"))
        assert ground.store is memory
        assert "two" in ground.findings(NOW)[0].evidence[0].value


def test_what_cannot_be_opened_at_the_start_is_opened_when_it_can_be(tmp_path: Path) -> None:
    """The watch begins in memory, says so, and everything seen since is on the disk afterwards."""
    box = new_box()
    place = tmp_path / "not there yet"
    clock = ManualClock(NOW)

    def open_disk() -> Store:
        return open_store(place / "s.db", now=NOW)

    ground = Ground.without_disk(open_disk, clock, OSError(30, "read-only"))
    with closing(ground):
        assert ground.in_memory
        assert "read-only" in ground.findings(NOW)[0].evidence[0].value
        assert "mend the rights" in ground.findings(NOW)[0].next_step
        survey = Surveyor(box, Looking(box=BOX)).take("s1", box.now).survey
        Desk(ground.store, standing()).take_in(survey, box.now)
        assert not ground.come_back()
        ground.were_told()
        place.mkdir()
        assert ground.come_back()
        assert ground.findings(NOW) == ()
        with ground.store.snapshot() as tx:
            assert len(tx.drives(BOX)) == len(box.drives)
    assert (place / "s.db").exists()


def test_a_watch_that_begins_on_a_read_only_store_knows_its_cases(tmp_path: Path) -> None:
    """What was told is not told anew, and what comes of it is on the disk afterwards."""
    box, path = new_box(), tmp_path / "s.db"
    surveyor = Surveyor(box, Looking(box=BOX))
    with open_store(path, now=NOW) as disk:
        desk = Desk(disk, standing())
        desk.take_in(surveyor.take("s1", box.now).survey, box.now)
        box.pull("c")
        assert desk.take_in(surveyor.take("s2", box.now).survey, box.now).told
    error = StoreReadOnly("read-only")
    past = open_to_look(path, now=NOW, error=error)
    ground = Ground.without_disk(lambda: open_store(path, now=NOW), ManualClock(NOW), error, past)
    with closing(ground):
        assert "What was seen before" not in ground.findings(NOW)[0].sentence
        again = Desk(ground.store, standing())
        assert not again.take_in(surveyor.take("s3", box.now).survey, box.now).told
        assert ground.come_back()
        with ground.store.snapshot() as tx:
            cases = [c for c in tx.load_book(BOX).open_cases if not c.only_notes]
        assert len(cases) == 1, "the one that was told on the disk"


def by_hand(path: Path, statement: str) -> None:
    """Change the store as somebody with the database's own program would."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(statement)


def test_a_store_that_makes_no_sense_under_the_watch_is_rescued_and_told_once(
    tmp_path: Path,
) -> None:
    """Not written to again as if nothing was wrong, only to fail at the next look."""
    box, path, clock = new_box(), tmp_path / "s.db", ManualClock(NOW)
    surveyor = Surveyor(box, Looking(box=BOX))

    def open_disk() -> Store:
        return open_store(path, now=clock.now())

    ground = Ground(open_disk(), clock, open_disk)
    with closing(ground):
        desk = Desk(ground.store, standing())
        desk.take_in(surveyor.take("s1", box.now).survey, box.now)
        by_hand(path, "DROP TABLE fresh")
        with pytest.raises(StoreError) as met:
            desk.take_in(surveyor.take("s2", box.now).survey, box.now)
        ground.give_way(met.value)
        assert ground.in_memory
        assert ground.come_back()
        (finding,) = ground.findings(NOW)
        assert finding.rule == "history-was-damaged"
        assert "fresh" in finding.evidence[0].value
        assert "by a person or a program" in finding.next_step
        ground.were_told()
        assert ground.findings(NOW) == ()
        Desk(ground.store, standing()).take_in(surveyor.take("s3", box.now).survey, box.now)
        with ground.store.snapshot() as tx:
            assert len(tx.drives(BOX)) == len(box.drives)
        assert len(list(tmp_path.glob("*.damaged-*Z"))) == 1


def test_a_disk_that_damages_it_again_the_same_day_is_no_ground(tmp_path: Path) -> None:
    """Then the watch stays in memory and says so, until a day has passed; nothing piles up."""
    path, clock = tmp_path / "s.db", ManualClock(NOW)

    def open_disk() -> Store:
        return open_store(path, now=clock.now())

    ground = Ground(open_disk(), clock, open_disk)
    with closing(ground):
        for expected in (True, False, False):
            by_hand(path, "DROP TABLE IF EXISTS fresh")
            ground.give_way(StoreDamaged("the table fresh is missing"))
            assert ground.come_back() is expected
        (finding,) = ground.findings(NOW)
        assert finding.rule == "state-not-written"
        assert "fresh" in finding.evidence[0].value
        clock.pass_by(timedelta(hours=25))
        assert ground.come_back()
        assert len(list(tmp_path.glob("*.damaged-*Z"))) == 2


def test_a_full_disk_is_no_doubt_about_what_is_on_it(tmp_path: Path) -> None:
    path, clock = tmp_path / "s.db", ManualClock(NOW)
    opened: list[Store] = []

    def open_disk() -> Store:
        opened.append(open_store(path, now=NOW))
        return opened[-1]

    ground = Ground(open_disk(), clock, open_disk)
    with closing(ground):
        ground.give_way(StoreFull("no room is left"))
        assert ground.come_back()
    assert len(opened) == 1


@pytest.mark.parametrize(
    ("error", "step"),
    [
        (StoreFull("x"), "Make room on its disk. Until"),
        (StoreReadOnly("x"), "look at that drive first"),
        (StoreDiskFails("x"), "cable and power before the drive itself"),
        (StoreError("x"), "Make room on its disk, or see whether that drive is failing."),
    ],
)
def test_what_to_do_is_told_by_what_the_disk_said(
    tmp_path: Path, error: StoreError, step: str
) -> None:
    with open_store(tmp_path / "s.db", now=NOW) as disk:
        ground = Ground(disk, ManualClock(NOW))
        ground.give_way(error)
        (finding,) = ground.findings(NOW)
        assert step in finding.next_step
        assert "do not stop the watch" in finding.next_step


def test_a_disk_that_takes_writes_and_does_not_keep_them_is_met_at_the_next_look(
    tmp_path: Path,
) -> None:
    """As ext4 does that met an error: it goes on taking what is written, until it is asked."""
    keeps = [True]

    def flush(_path: Path, _where: str) -> None:
        if not keeps[0]:
            raise StoreDiskFails("the disk gave an error")

    path = tmp_path / "s.db"
    open_store(path, now=NOW).close()
    disk = Store(open_db(str(path), "it"), path=path, standing=Standing(), flush=flush)
    ground = Ground(disk, ManualClock(NOW))
    with closing(ground):
        ground.prove()
        keeps[0] = False
        with pytest.raises(StoreDiskFails):
            ground.prove()
        ground.give_way(StoreDiskFails("the disk gave an error"))
        ground.prove()
        assert not ground.come_back(), "the way back is proven too"
        keeps[0] = True
        assert ground.come_back()
        ground.prove()


def test_a_disk_that_does_not_answer_holds_the_watch_up_for_a_while_only(tmp_path: Path) -> None:
    """A drive may hold a write for minutes; it is not asked again before it has answered."""
    answers, asked = threading.Event(), []

    def flush(_path: Path, _where: str) -> None:
        asked.append("flush")
        answers.wait(60)

    path = tmp_path / "s.db"
    open_store(path, now=NOW).close()
    disk = Store(open_db(str(path), "it"), path=path, standing=Standing(), flush=flush)
    proof = DiskProof(0.2)
    ground = Ground(disk, ManualClock(NOW), proof=proof)
    with closing(ground):
        with pytest.raises(StoreDiskFails, match="does not answer") as seen:
            ground.prove()
        ground.give_way(seen.value)
        (finding,) = ground.findings(NOW)
        assert "Its disk gives errors" in finding.next_step
        ground.prove()
        assert not ground.come_back()
        assert asked == ["flush"]
        answers.set()
        assert wait_until(lambda: not proof.stands_still, 10)
        assert ground.come_back()


def test_a_disk_that_keeps_is_asked_though_nothing_was_written(tmp_path: Path) -> None:
    """Else a file system with nothing to write may not ask its disk at all."""
    with open_store(tmp_path / "s.db", now=NOW) as disk:
        log = tmp_path / "s.db-wal"
        with disk.transaction() as tx:
            tx.roll_up(NOW)
        os.utime(log, (1, 1))
        Ground(disk, ManualClock(NOW)).prove()
        assert log.stat().st_mtime > 1


def test_a_disk_that_fails_is_left_in_peace_for_some_minutes(tmp_path: Path) -> None:
    """Each try makes the kernel tell of the error, which brings the next look."""
    clock = ManualClock(NOW)
    ground = Ground.without_disk(
        lambda: open_store(tmp_path / "not there" / "s.db", now=NOW), clock, StoreFull("x")
    )
    with closing(ground):
        assert ground.may_come_back(), "once at once: it may have been a matter of a moment"
        assert not ground.come_back()
        clock.pass_by(BACK_APART - timedelta(seconds=1))
        assert not ground.may_come_back()
        clock.pass_by(timedelta(seconds=1))
        assert ground.may_come_back()
        assert not ground.come_back()
        clock._now -= timedelta(days=300)
        assert ground.may_come_back(), "the clock was set back, and those minutes are no year"
        (tmp_path / "not there").mkdir()
        assert ground.come_back()
        assert not ground.may_come_back(), "there is nothing to come back from"


def test_a_file_that_was_cut_is_a_sign_of_its_drive(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    open_store(path, now=NOW).close()
    path.write_bytes(path.read_bytes()[:20_000])
    with closing(Ground(open_store(path, now=NOW), ManualClock(NOW))) as ground:
        (finding,) = ground.findings(NOW)
    assert "damage there may be its first sign" in finding.next_step


@pytest.mark.root
def test_on_the_way_back_a_store_whose_disk_takes_nothing_is_not_even_asked(tmp_path: Path) -> None:
    """A file of it is mapped: where its drive is dead, the kernel would end the watch."""
    asked: list[str] = []

    class Listens(sqlite3.Connection):
        def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
            asked.append(sql)
            return super().execute(sql, *rest)

    def connect(path: str) -> sqlite3.Connection:
        made = sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Listens)
        made.row_factory = sqlite3.Row
        return made

    with small_disk(tmp_path / "disk") as disk:
        open_store(disk / "m.db", now=NOW).close()
        store = open_store(disk / "m.db", now=NOW, connect=connect)
        ground = Ground(store, ManualClock(NOW), lambda: open_store(disk / "m.db", now=NOW))
        ground.give_way(StoreDiskFails("the disk gave an error"))
        filled = disk / "filled"
        with suppress(OSError), filled.open("wb", buffering=0) as file:
            while file.write(bytes(4096)):
                pass
        asked.clear()
        assert not ground.come_back()
        assert asked == []
        assert "no room is left" in ground.why
        filled.unlink()
        assert ground.come_back()
        ground.close()
