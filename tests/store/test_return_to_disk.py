from collections.abc import Callable
from pathlib import Path

import pytest

from tests.store.made import (
    BOX,
    DAY,
    HOUR,
    NOW,
    book,
    case,
    drive_id,
    event,
    notice,
    pool,
    reading,
    survey,
)
from watcher.cases.effects import Record
from watcher.facts.drive import Metric
from watcher.facts.identity import PoolId
from watcher.store.database import Store, open_store
from watcher.store.memory import Fallback, fall_back
from watcher.store.outbox import NoticeState
from watcher.store.return_to_disk import return_to_disk

LATER = NOW + 2 * HOUR


@pytest.fixture
def disk(tmp_path: Path) -> Store:
    """A store with a past: drive 1 with 8 pending sectors, case 2, one sent message."""
    store = open_store(tmp_path / "m.db", now=NOW)
    with store.transaction() as tx:
        tx.save_book(BOX, book(case(2), next_case=3))
        tx.add_records(BOX, [Record(case=2, at=NOW, what="opened")])
        tx.put_notices([notice("2/opened"), notice("2/reminder")])
        (first,) = tx.claim_due(NOW, 1, "s")
        tx.mark_sent(first.number, NOW)
        drives = (reading(7), reading(1, pending_sectors=8, temperature_celsius=30))
        tx.take_survey(survey("s1", drives=drives, pools=(pool(),), events=(event(),)), NOW)
    return store


def live_on(memory: Fallback) -> None:
    """What happens in memory: a survey, a new case, the waiting message sent."""
    with memory.store.transaction() as tx:
        drives = (
            reading(1, LATER, pending_sectors=20, temperature_celsius=40),
            reading(3, LATER, pending_sectors=1),
        )
        seen = survey(
            "s2", LATER, drives=drives, pools=(pool(LATER, lost=1),), events=(event(LATER),)
        )
        tx.take_survey(seen, LATER)
        held = tx.load_book(BOX)
        tx.save_book(BOX, book(*held.cases, case(held.next_case), next_case=held.next_case + 1))
        tx.add_records(BOX, [Record(case=held.next_case, at=LATER, what="opened")])
        tx.put_notices([notice(f"{held.next_case}/opened", at=LATER)])
        for taken in tx.claim_due(LATER, 1, "s"):
            tx.mark_sent(taken.number, LATER)


def check_history(disk: Store) -> None:
    """The history of both times is there, under the right drives and pools."""
    with disk.snapshot() as tx:
        points = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW - DAY, LATER)
        assert [p.last for p in points] == [8, 20]
        assert [p.last for p in tx.series(drive_id(3), Metric.PENDING_SECTORS, NOW, LATER)] == [1]
        assert tx.series(drive_id(7), Metric.PENDING_SECTORS, NOW, LATER) == ()
        warm = tx.series(drive_id(1), Metric.TEMPERATURE_CELSIUS, NOW - DAY, LATER)
        assert [p.last for p in warm] == [30, 40]
        past = tx.drive_pasts(BOX, NOW - DAY, LATER)
        assert set(past) == {drive_id(1), drive_id(3), drive_id(7)}
        assert past[drive_id(1)].first_seen == NOW
        assert past[drive_id(1)].last_read == LATER
        trace = past[drive_id(1)].trace(Metric.PENDING_SECTORS)
        assert trace is not None
        assert trace.points == ((NOW, 8), (LATER, 20))
        (day,) = tx.poll_days(drive_id(1), NOW, LATER)
        assert day.read == 2
        changes = tx.pool_changes(BOX, PoolId("md:media"), NOW, LATER)
        assert [c.margin for c in changes] == [1, 0]
        assert [e.at for e in tx.recent_events(BOX, NOW - DAY)] == [NOW, LATER]
        (box,) = tx.boxes()
        assert (box.first_seen, box.last_survey) == (NOW, "s2")


def test_what_happened_in_memory_is_on_the_disk_afterwards(disk: Store) -> None:
    memory = fall_back(disk, now=NOW)
    live_on(memory)
    return_to_disk(memory, disk)
    check_history(disk)
    with disk.transaction() as tx:
        assert [c.number for c in tx.load_book(BOX).cases] == [2, 3]
        assert [r.what for r in tx.records(BOX, 2)] == ["opened"]
        assert [r.at for r in tx.records(BOX, 3)] == [LATER]
        states = {n.key: n.state for n in tx.list_notices(BOX)}
        assert states == {
            "2/opened": NoticeState.SENT,
            "2/reminder": NoticeState.SENT,
            "3/opened": NoticeState.WAITING,
        }
        assert not tx.take_survey(survey("s2", LATER, drives=(reading(1, LATER),)), LATER)


def test_a_memory_that_began_empty_brings_its_history_and_messages_but_no_case_book(
    disk: Store,
) -> None:
    """Numbers given anew in memory must not be taken for those of the disk."""
    memory = fall_back(None, now=NOW)
    live_on(memory)
    return_to_disk(memory, disk)
    check_history(disk)
    with disk.transaction() as tx:
        assert tx.load_book(BOX) == book(case(2), next_case=3)
        keys = {n.key: n.state for n in tx.list_notices(BOX)}
        assert keys["2/opened"] is NoticeState.SENT
        assert keys["2/reminder"] is NoticeState.WAITING
        (from_memory,) = [key for key in keys if key.startswith("1/opened/from-memory")]
        assert keys[from_memory] is NoticeState.SENT


def test_what_was_taken_away_in_memory_is_gone_on_the_disk_too(disk: Store) -> None:
    with disk.transaction() as tx:
        tx.keep(BOX, "goes", "1")
        tx.keep(BOX, "stays", "1")
    memory = fall_back(disk, now=NOW)
    with memory.store.transaction() as tx:
        tx.forget(BOX, "goes")
        tx.keep(BOX, "comes", "1")
    return_to_disk(memory, disk)
    with disk.snapshot() as tx:
        assert [tx.kept(BOX, name) for name in ("goes", "stays", "comes")] == [None, "1", "1"]


def test_keys_that_signed_links_in_memory_come_to_the_disk(disk: Store) -> None:
    add = "INSERT INTO signing_key (secret, made_at) VALUES (:secret, 0)"
    with disk.transaction() as tx:
        tx.db.change(add, {"secret": "of the disk"})
    for begin in (disk, None):
        memory = fall_back(begin, now=NOW)
        with memory.store.transaction() as tx:
            tx.db.change(add, {"secret": f"of memory, {memory.knows_the_past}"})
        return_to_disk(memory, disk)
    with disk.snapshot() as tx:
        found = [row["secret"] for row in tx.db.rows("SELECT secret FROM signing_key ORDER BY id")]
    assert found == ["of the disk", "of memory, True", "of memory, False"]


@pytest.mark.parametrize("begin", [fall_back, lambda _store, now: fall_back(None, now=now)])
def test_a_return_that_fails_leaves_the_disk_as_it_was_and_can_be_tried_again(
    disk: Store, begin: Callable[..., Fallback]
) -> None:
    memory = begin(disk, now=NOW)
    live_on(memory)
    with disk.snapshot() as tx:
        before = (tx.load_book(BOX), tx.list_notices(BOX), tx.drives())
    disk._db.change(
        "CREATE TRIGGER stop BEFORE INSERT ON attempt BEGIN SELECT raise(ABORT, 'no'); END"
    )
    with pytest.raises(Exception, match="no"):
        return_to_disk(memory, disk)
    disk._db.change("DROP TRIGGER stop")
    with disk.snapshot() as tx:
        assert (tx.load_book(BOX), tx.list_notices(BOX), tx.drives()) == before
    return_to_disk(memory, disk)
    check_history(disk)
