import contextlib
import os
import sqlite3
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.store.made import BOX, NOW, book, case, notice, reading, survey
from watcher.store.connection import SMALL_CACHE_KIB, Connection, connect_sqlite, open_db
from watcher.store.database import Standing, Store, open_memory, open_store
from watcher.store.errors import StoreForeign, StoreFull, StoreLocked, StoreReadOnly
from watcher.store.place import FILE_MODE


def test_a_new_store_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    with open_store(tmp_path / "m.db", now=NOW) as store:
        assert store.standing == Standing()
    assert [file.name for file in tmp_path.iterdir()] == ["m.db"]
    assert (tmp_path / "m.db").stat().st_mode & 0o777 == FILE_MODE
    with open_store(tmp_path / "m.db", now=NOW) as store:
        assert store.standing == Standing()


def test_a_path_with_a_blank_and_a_question_mark_is_a_path(tmp_path: Path) -> None:
    path = tmp_path / "my ? store %20.db"
    open_store(path, now=NOW).close()
    assert path.exists()


def test_what_fails_in_a_block_is_undone_as_a_whole(tmp_path: Path) -> None:
    with open_store(tmp_path / "m.db", now=NOW) as store:
        with contextlib.suppress(KeyError), store.transaction() as tx:
            tx.save_book(BOX, book(case(1)))
            tx.put_notices([notice("a")])
            raise KeyError
        with store.snapshot() as tx:
            assert tx.load_book(BOX).cases == ()
            assert tx.list_notices(BOX) == ()


def test_a_transaction_that_is_over_cannot_be_used() -> None:
    store = open_memory(now=NOW)
    with store.transaction() as tx:
        pass
    with pytest.raises(RuntimeError, match="over"):
        tx.load_book(BOX)


def test_transactions_do_not_nest() -> None:
    store = open_memory(now=NOW)
    with store.transaction() as tx:
        with pytest.raises(RuntimeError, match="nest"), store.snapshot():
            raise AssertionError
        tx.save_book(BOX, book(case(1)))
    with store.snapshot() as tx:
        assert tx.load_book(BOX) == book(case(1))


def test_looking_keeps_nothing_and_sees_one_moment(tmp_path: Path) -> None:
    with (
        open_store(tmp_path / "m.db", now=NOW) as one,
        open_store(tmp_path / "m.db", now=NOW) as two,
    ):
        with one.snapshot() as look:
            assert look.load_book(BOX).cases == ()
            with two.transaction() as tx:
                tx.save_book(BOX, book(case(1)))
            assert look.load_book(BOX).cases == ()
        with two.snapshot() as tx:
            tx.keep(BOX, "x", "y")
        with one.snapshot() as look:
            assert look.load_book(BOX) == book(case(1))
            assert look.kept(BOX, "x") is None


def test_what_people_were_told_is_brought_to_the_disk_before_the_block_ends(tmp_path: Path) -> None:
    flushed: list[Path] = []
    path = tmp_path / "m.db"
    open_store(path, now=NOW).close()
    db = open_db(str(path), "the store")
    store = Store(
        db, path=path, standing=Standing(), flush=lambda where, _name: flushed.append(where)
    )
    with store.transaction() as tx:
        tx.take_survey(survey("s1", drives=(reading(1),)), NOW)
    assert flushed == []
    with store.transaction() as tx:
        tx.put_notices([notice("a")])
    assert flushed == [path]
    with store.transaction() as tx:
        (taken,) = tx.claim_due(NOW, 1, "s")
        tx.mark_sent(taken.number, NOW)
    assert flushed == [path, path]
    store.close()


def test_threads_take_turns() -> None:
    store = open_memory(now=NOW)

    def count() -> None:
        for _ in range(200):
            with store.transaction() as tx:
                tx.keep(BOX, "n", str(int(tx.kept(BOX, "n") or 0) + 1))

    threads = [threading.Thread(target=count) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with store.snapshot() as tx:
        assert tx.kept(BOX, "n") == "800"


def impatient(path: str) -> Connection:
    """A connection that does not wait for a lock, whatever it is told."""
    return _Impatient(connect_sqlite(path))


class _Impatient:
    def __init__(self, inner: Connection) -> None:
        self._inner = inner

    def execute(self, sql: str, *values: object) -> object:
        return self._inner.execute(
            "PRAGMA busy_timeout=0" if sql.startswith("PRAGMA busy") else sql, *values
        )

    def __getattr__(self, name: str) -> object:
        return getattr(self._inner, name)


def test_a_store_that_another_keeps_busy_is_told_and_is_usable_later(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    open_store(path, now=NOW).close()
    with open_store(path, now=NOW) as holder, open_store(path, now=NOW, connect=impatient) as store:
        with holder.transaction() as tx:
            tx.keep(BOX, "a", "1")
            with pytest.raises(StoreLocked, match="try again"), store.transaction():
                raise AssertionError
            with store.snapshot() as look:
                assert look.kept(BOX, "a") is None
        with store.transaction() as tx:
            assert tx.kept(BOX, "a") == "1"


def test_a_folder_that_is_not_there_is_told_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreReadOnly, match="folder") as caught:
        open_store(tmp_path / "none" / "m.db", now=NOW)
    assert "\n" not in str(caught.value)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A filesystem of one MiB."""
    if os.geteuid() != 0:
        pytest.skip("needs root to mount a small filesystem")
    place = tmp_path / "small"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(place)]
    if subprocess.run(command, check=False).returncode != 0:
        pytest.skip("this machine does not let us mount a small filesystem")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.root
def test_a_full_disk_is_told_and_nothing_is_half_written(small_disk: Path) -> None:
    with open_store(small_disk / "m.db", now=NOW) as store:
        with store.transaction() as tx:
            tx.save_book(BOX, book(case(1)))
        written = -1

        def fill() -> None:
            nonlocal written
            for number in range(10_000):
                with store.transaction() as tx:
                    tx.keep(BOX, f"a{number}", os.urandom(20_000).hex())
                    tx.keep(BOX, f"b{number}", "")
                written = number

        with pytest.raises(StoreFull, match="make room") as caught:
            fill()
        assert "\n" not in str(caught.value)
        assert written > 3
        with store.snapshot() as tx:
            assert tx.load_book(BOX) == book(case(1))
            assert tx.kept(BOX, f"b{written}") == ""
            assert tx.kept(BOX, f"a{written + 1}") is None
            assert tx.kept(BOX, f"b{written + 1}") is None
        assert store._db.one("PRAGMA integrity_check")[0] == "ok"


@pytest.mark.root
def test_no_store_can_begin_on_a_full_disk_and_nothing_is_left_there(small_disk: Path) -> None:
    (small_disk / "ballast").write_bytes(b"x" * 1024 * 1024)
    with pytest.raises(StoreFull):
        open_store(small_disk / "m.db", now=NOW)
    assert [file.name for file in small_disk.iterdir()] == ["ballast"]


@pytest.mark.root
def test_a_disk_that_became_read_only_is_told(small_disk: Path) -> None:
    path = small_disk / "m.db"
    open_store(path, now=NOW).close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    try:
        with pytest.raises(StoreReadOnly, match="read-only") as caught:
            open_store(path, now=NOW)
        assert "\n" not in str(caught.value)
        with pytest.raises(StoreReadOnly):
            open_store(small_disk / "other.db", now=NOW)
    finally:
        subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)


def test_many_begin_the_same_store_at_once(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    failures: list[Exception] = []

    def begin(number: int) -> None:
        try:
            with open_store(path, now=NOW) as store, store.transaction() as tx:
                tx.keep(BOX, f"n{number}", "here")
        except Exception as error:  # noqa: BLE001 - told by the assertion below
            failures.append(error)

    threads = [threading.Thread(target=begin, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert all(tx.kept(BOX, f"n{number}") == "here" for number in range(8))
    assert [file.name for file in tmp_path.iterdir()] == ["m.db"]


def test_the_journal_mode_is_wal_for_whoever_opens_it(tmp_path: Path) -> None:
    open_store(tmp_path / "m.db", now=NOW).close()
    connection = sqlite3.connect(tmp_path / "m.db")
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


def test_a_store_that_was_set_aside_meanwhile_is_followed_to_the_new_one(tmp_path: Path) -> None:
    """The pages keep theirs open while the watch rescues it: what they write must not be lost."""
    path = tmp_path / "m.db"
    with open_store(path, now=NOW) as pages, pages.transaction() as tx:
        tx.save_book(BOX, book(case(1)))
    with open_store(path, now=NOW, check=False) as pages:
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as hand:
            hand.execute("DROP TABLE pool")
        with open_store(path, now=NOW) as watch:
            assert watch.rescue is not None
            with pages.transaction() as tx:
                assert tx.load_book(BOX) == book(case(1))
                tx.save_book(BOX, book(case(1), case(2)))
            with watch.snapshot() as tx:
                assert tx.load_book(BOX) == book(case(1), case(2))


def test_a_store_whose_file_is_gone_is_not_written_into_nothing(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    with open_store(path, now=NOW) as store:
        path.rename(tmp_path / "elsewhere")
        with pytest.raises(StoreReadOnly, match="folder is there"), store.transaction():
            raise AssertionError
        (tmp_path / "elsewhere").rename(path)
        with store.transaction() as tx:
            tx.save_book(BOX, book(case(1)))


def test_what_lies_in_the_place_of_a_store_must_be_one(tmp_path: Path) -> None:
    """The old one stays open, and the next transaction tries again."""
    path = tmp_path / "m.db"
    with open_store(path, now=NOW) as store:
        path.rename(tmp_path / "elsewhere")
        with contextlib.closing(sqlite3.connect(path)) as hand:
            hand.execute("CREATE TABLE letter (x)")
        for _ in range(2):
            with pytest.raises(StoreForeign), store.transaction():
                raise AssertionError
        (tmp_path / "elsewhere").rename(path)
        with store.snapshot() as tx:
            assert tx.load_book(BOX).cases == ()


def test_a_store_that_keeps_less_in_memory_is_the_same_store(tmp_path: Path) -> None:
    with open_store(tmp_path / "m.db", now=NOW) as store:
        store.keep_less()
        with store.transaction() as tx:
            tx.save_book(BOX, book(case(1)))
            assert tx.db.one("PRAGMA cache_size")[0] == -SMALL_CACHE_KIB
    with open_memory(now=NOW) as memory:
        memory.keep_less()  # all of it is in memory: nothing to keep less of
