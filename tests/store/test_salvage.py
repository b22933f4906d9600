import random
import sqlite3
from pathlib import Path

import pytest

from tests.store.made import BOX, HOUR, NOW, book, case, event, notice, pool, reading, survey
from watcher.cases.effects import Record
from watcher.facts.drive import Metric
from watcher.store.database import open_store
from watcher.store.errors import StoreDamaged, StoreForeign

CASES = 60


def make(path: Path) -> None:
    """A store with a book of many cases, records, messages and surveys."""
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        tx.save_book(BOX, book(*(case(number) for number in range(1, CASES + 1))))
        for number in range(1, CASES + 1):
            tx.add_records(BOX, [Record(case=number, at=NOW, what="opened", text="x" * 200)])
            tx.put_notices([notice(f"{number}/opened")])
        for number in range(30):
            at = NOW + number * HOUR
            seen = survey(
                f"s{number}",
                at,
                drives=tuple(reading(n, at, temperature_celsius=30, raw="{}") for n in range(6)),
                pools=(pool(at),),
                events=(event(at),),
            )
            tx.take_survey(seen, at)


def flip(path: Path, begin: int, count: int, seed: int) -> None:
    """Damage some bytes of a file."""
    chance = random.Random(seed)
    body = bytearray(path.read_bytes())
    for place in range(begin, min(begin + count, len(body))):
        body[place] ^= 1 << chance.randrange(8)
    path.write_bytes(bytes(body))


def usable(path: Path) -> None:
    """The store takes a whole round."""
    later = NOW + 9 * HOUR
    with open_store(path, now=NOW) as store:
        store.rescue_was_told()
    with open_store(path, now=NOW) as store:
        assert store.rescue is None
        with store.transaction() as tx:
            found = tx.load_book(BOX)
            tx.save_book(BOX, found)
            tx.take_survey(survey("after", later, drives=(reading(99, later),)), later)
            tx.drive_pasts(BOX, NOW, later)
            tx.pool_pasts(BOX)
            tx.roll_up(later)
        assert store._db.one("PRAGMA integrity_check")[0] == "ok"


def test_a_whole_store_needs_no_rescue(tmp_path: Path) -> None:
    make(tmp_path / "m.db")
    usable(tmp_path / "m.db")


def test_a_store_cut_short_is_set_aside_and_what_can_be_read_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make(path)
    body = path.read_bytes()
    path.write_bytes(body[: len(body) * 3 // 4])
    with open_store(path, now=NOW) as store:
        rescue = store.rescue
        assert rescue is not None
        assert rescue.aside == tmp_path / "m.db.damaged-20260301T060000Z"
        assert rescue.aside.read_bytes()[:1000] == body[:1000]
        assert rescue.rows_kept > 20
        assert rescue.tables_cut
        assert "\n" not in rescue.sentence
        assert str(rescue.aside) in rescue.sentence
        assert rescue.tables_cut[0] in rescue.sentence
    usable(path)


@pytest.mark.parametrize("seed", range(25))
def test_flipped_bits_never_end_in_a_store_that_cannot_be_used(tmp_path: Path, seed: int) -> None:
    """Wherever a page is damaged, the store opens, is whole, and invents nothing."""
    path = tmp_path / "m.db"
    make(path)
    size = path.stat().st_size
    page = random.Random(seed).randrange(1, size // 4096)
    flip(path, page * 4096, 64, seed)
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        found = tx.load_book(BOX)
        assert {c.number for c in found.cases} <= set(range(1, CASES + 1))
        keys = {n.key for n in tx.list_notices(BOX, limit=1000)}
        if store.rescue is None:
            assert len(found.cases) == CASES
            assert len(keys) == CASES
    usable(path)


def test_damage_in_one_place_costs_only_what_lay_there(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make(path)
    with sqlite3.connect(path) as connection:
        (page,) = (
            connection.execute(
                "SELECT pageno FROM dbstat WHERE name = 'record' AND pagetype = 'leaf' "
                "LIMIT 1 OFFSET 1"
            ).fetchone()
            if has_dbstat(connection)
            else (None,)
        )
    connection.close()
    if page is None:
        pytest.skip("this SQLite cannot say where its pages are")
    flip(path, (page - 1) * 4096, 4096, seed=1)
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert store.rescue is not None
        assert store.rescue.tables_cut == ("record",)
        assert len(tx.load_book(BOX).cases) == CASES
        assert len(tx.list_notices(BOX, limit=1000)) == CASES
        left = tx.db.one("SELECT count(*) FROM record")[0]
        assert CASES / 2 < left < CASES  # both sides of the damage


def has_dbstat(connection: sqlite3.Connection) -> bool:
    try:
        connection.execute("SELECT 1 FROM dbstat LIMIT 1")
    except sqlite3.OperationalError:
        return False
    return True


def test_an_index_that_lies_costs_nothing(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make(path)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA writable_schema=ON")
        connection.execute(
            "UPDATE sqlite_master SET rootpage = (SELECT rootpage FROM sqlite_master "
            "WHERE name = 'event_by_time') WHERE name = 'record_by_case'"
        )
    connection.close()
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert store.rescue is not None
        assert store.rescue.tables_cut == ()
        assert tx.db.one("SELECT count(*) FROM record")[0] == CASES
    usable(path)


def test_a_row_that_makes_no_sense_is_left_out_and_the_others_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make(path)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE case_file SET state = 'nonsense' WHERE number = 7")
        connection.execute("UPDATE book SET state = 'nonsense'")
    connection.close()
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert store.rescue is not None
        found = tx.load_book(BOX)
        assert len(found.cases) == CASES - 1
        assert found.next_case == CASES + 1
    usable(path)


def test_after_the_book_is_lost_no_new_message_is_taken_for_an_old_one(tmp_path: Path) -> None:
    """Case numbers may begin anew; "1/opened" of today must go out all the same."""
    path = tmp_path / "m.db"
    make(path)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE case_file SET state = 'nonsense'")
        connection.execute("UPDATE book SET state = 'nonsense'")
        connection.execute("UPDATE record SET at = 'nonsense'")
    connection.close()
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        assert store.rescue is not None
        assert tx.load_book(BOX).next_case == 1
        assert len(tx.list_notices(BOX, limit=1000)) == CASES
        assert tx.put_notices([notice("1/opened")]) == 1


def test_history_of_a_lost_drive_is_not_given_to_another(tmp_path: Path) -> None:
    """Numbers of lost rows are given anew."""
    path = tmp_path / "m.db"
    make(path)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE drive SET counters = 'nonsense'")
    connection.close()
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        assert store.rescue is not None
        assert {"fresh", "poll"} <= set(store.rescue.tables_cut)
        later = NOW + 90 * HOUR
        fresh = reading(50, later, temperature_celsius=40)
        tx.take_survey(survey("new", later, drives=(fresh,)), later)
        points = tx.series(fresh.identity.drive, Metric.TEMPERATURE_CELSIUS, NOW, later)
        assert [p.last for p in points] == [40]


@pytest.mark.parametrize(
    "body", [b"", b"\x00" * 20_000, b"SQLite format 3\x00" + b"\xff" * 9000, b"SQLite fprmat 3\x00"]
)
def test_a_file_of_nothing_is_set_aside_and_a_new_store_begun(tmp_path: Path, body: bytes) -> None:
    path = tmp_path / "m.db"
    path.write_bytes(body)
    with open_store(path, now=NOW) as store:
        assert store.rescue is not None
        assert store.rescue.aside.read_bytes()[: len(body)] == body
        assert store.rescue.rows_kept == 0
    usable(path)


def test_a_file_that_was_never_a_store_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("Dear Ann,\nthe drives are in the post.\n")
    with pytest.raises(StoreForeign, match="not a store of midwatch"):
        open_store(path, now=NOW)
    assert path.read_text().startswith("Dear Ann")
    assert [file.name for file in tmp_path.iterdir()] == ["letter.txt"]


def test_a_quick_command_tells_of_damage_and_moves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make(path)
    body = path.read_bytes()
    path.write_bytes(body[:4096])
    with pytest.raises(StoreDamaged, match="restart the watch"):
        open_store(path, now=NOW, check=False).close()
    assert path.read_bytes() == body[:4096]


def test_a_rescue_is_told_at_every_start_until_a_person_was_told(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    path.write_bytes(b"")
    with open_store(path, now=NOW) as first:
        told = first.rescue
        assert told is not None
    with open_store(path, now=NOW, check=False) as second:
        assert second.rescue == told
        second.rescue_was_told()
        assert second.rescue is None
    with open_store(path, now=NOW) as third:
        assert third.rescue is None


def test_a_note_of_a_rescue_that_makes_no_sense_is_damage_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    path.write_bytes(b"")
    open_store(path, now=NOW).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE kept SET text = 'nonsense'")
    connection.close()
    with open_store(path, now=NOW) as store:
        assert store.rescue is not None
        assert "note of a rescue" in store.rescue.reason
    usable(path)


def test_two_rescues_in_one_second_have_two_names(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    for _ in range(2):
        path.write_bytes(b"")
        open_store(path, now=NOW).close()
    names = sorted(file.name for file in tmp_path.iterdir())
    assert names == ["m.db", "m.db.damaged-20260301T060000Z", "m.db.damaged-20260301T060000Z-2"]


def test_what_was_only_in_the_log_is_kept_too(tmp_path: Path) -> None:
    """A machine that crashed left a log; the rescue reads through it."""
    path = tmp_path / "m.db"
    make(path)
    store = open_store(path, now=NOW)
    with store.transaction() as tx:
        tx.keep(BOX, "last words", "in the log")
    log, body = Path(f"{path}-wal").read_bytes(), path.read_bytes()
    store.close()
    Path(f"{path}-wal").write_bytes(log)
    path.write_bytes(body[: len(body) - 4096])
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert store.rescue is not None
        assert tx.kept(BOX, "last words") == "in the log"
