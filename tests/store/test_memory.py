from pathlib import Path

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
from watcher.store.database import Store, open_store
from watcher.store.memory import LEFT, MIRRORED, TAKEN, fall_back
from watcher.store.salvage import our_tables


def full_store(path: Path) -> Store:
    store = open_store(path, now=NOW)
    with store.transaction() as tx:
        tx.save_book(BOX, book(case(1, closed=True), case(2)))
        tx.save_book(BOX, book(case(2)))
        tx.add_records(BOX, [Record(case=2, at=NOW, what="opened")])
        tx.put_notices([notice("a"), notice("b")])
        tx.claim_due(NOW, 1, "sender")
        seen = survey(
            "s1",
            drives=(reading(1, pending_sectors=8, temperature_celsius=30, raw="{}"),),
            pools=(pool(),),
            events=(event(),),
        )
        tx.take_survey(seen, NOW)
        tx.keep(BOX, "cursor", "c1")
    return store


def test_the_desk_finds_in_memory_what_it_stands_on(tmp_path: Path) -> None:
    with full_store(tmp_path / "m.db") as store:
        memory = fall_back(store, now=NOW + HOUR)
        assert memory.knows_the_past
        assert memory.store.path is None
        with store.snapshot() as old, memory.store.snapshot() as new:
            assert new.load_book(BOX) == old.load_book(BOX)
            assert new.records(BOX, 2) == old.records(BOX, 2)
            assert new.list_notices(BOX) == old.list_notices(BOX)
            assert new.drive_pasts(BOX, NOW - DAY, NOW) == old.drive_pasts(BOX, NOW - DAY, NOW)
            assert new.pool_pasts(BOX) == old.pool_pasts(BOX)
            assert new.recent_events(BOX, NOW - DAY) == old.recent_events(BOX, NOW - DAY)
            assert new.kept(BOX, "cursor") == "c1"
            assert new.last_survey(BOX) == old.last_survey(BOX)
            # The long series stay on the disk.
            chart = new.series(drive_id(1), Metric.TEMPERATURE_CELSIUS, NOW - DAY, NOW)
            assert chart == ()


def test_a_survey_that_the_disk_has_is_not_taken_again_in_memory(tmp_path: Path) -> None:
    with full_store(tmp_path / "m.db") as store:
        memory = fall_back(store, now=NOW).store
        with memory.transaction() as tx:
            assert not tx.take_survey(survey("s1", drives=(reading(1),)), NOW)


def test_of_every_table_it_is_decided_whether_it_goes_into_memory() -> None:
    with fall_back(None, now=NOW).store.snapshot() as tx:
        tables = {table.name for table in our_tables(tx.db)}
    assert tables == set(TAKEN) | set(LEFT)
    assert not set(TAKEN) & set(LEFT)
    assert set(MIRRORED) <= set(TAKEN)


def test_the_old_store_is_left_as_it_was(tmp_path: Path) -> None:
    with full_store(tmp_path / "m.db") as store:
        memory = fall_back(store, now=NOW).store
        with memory.transaction() as tx:
            tx.save_book(BOX, book(case(3)))
        with store.snapshot() as old:
            assert old.load_book(BOX) == book(case(2))


def test_without_a_disk_the_memory_begins_empty() -> None:
    memory = fall_back(None, now=NOW)
    assert not memory.knows_the_past
    with memory.store.transaction() as tx:
        assert tx.load_book(BOX).cases == ()
        assert tx.take_survey(survey("s1", drives=(reading(1),)), NOW)


def test_a_disk_that_cannot_be_read_leaves_the_memory_empty_not_half(tmp_path: Path) -> None:
    with full_store(tmp_path / "m.db") as store:
        store._db.change("DROP TABLE notice")
        memory = fall_back(store, now=NOW)
        assert not memory.knows_the_past
        assert "no such table" in memory.unreadable
        with memory.store.snapshot() as tx:
            assert tx.drives() == ()
            assert tx.load_book(BOX).cases == ()
