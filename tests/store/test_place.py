import os
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from tests.lab.small_disks import make_read_only, small_disk
from tests.store.made import BOX, NOW, book, case
from watcher.store.connection import connect_sqlite
from watcher.store.database import open_store
from watcher.store.errors import StoreFull, StoreReadOnly
from watcher.store.place import (
    PROOF_BYTES,
    alone,
    finish_swap,
    made_beside,
    make_new,
    make_ready,
    prove_folder,
    remove_leftovers,
    swap,
)


def make(path: Path, number: int) -> None:
    """A store with one case."""
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        tx.save_book(BOX, book(case(number)))


def cases(path: Path) -> list[int]:
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        return [c.number for c in tx.load_book(BOX).cases]


def test_a_store_made_by_somebody_else_meanwhile_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make(path, 1)
    make_new(path, "the store", NOW, connect_sqlite)
    assert cases(path) == [1]
    assert [file.name for file in tmp_path.iterdir()] == ["m.db"]


def test_what_was_begun_beside_is_removed_when_it_is_not_finished(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    with suppress(KeyError), made_beside(path, "it", NOW, connect_sqlite) as beside:
        assert beside.exists()
        raise KeyError
    assert list(tmp_path.iterdir()) == []


def test_leftovers_of_killed_processes_are_removed_and_those_of_the_living_are_not(
    tmp_path: Path,
) -> None:
    path = tmp_path / "m.db"
    gone = tmp_path / "m.db.new-999999999-1"
    alive = tmp_path / f"m.db.new-{os.getppid()}-1"
    for file in (gone, alive):
        file.write_bytes(b"half")
    make(path, 1)
    assert {file.name for file in tmp_path.iterdir()} == {"m.db", alive.name}


def test_the_leftover_of_a_process_that_we_may_not_see_is_left_alone(tmp_path: Path) -> None:
    """The first process belongs to root and lives; a number that is none belongs to nobody."""
    there, odd = tmp_path / "m.db.new-1-1", tmp_path / "m.db.new-x-1"
    for file in (there, odd):
        file.write_bytes(b"half")
    remove_leftovers(tmp_path / "m.db")
    assert list(tmp_path.iterdir()) == [there]


def test_our_own_leftover_does_not_stand_in_the_way(tmp_path: Path) -> None:
    """After a restart in a container the process may have the same number."""
    path = tmp_path / "m.db"
    (tmp_path / f"m.db.new-{os.getpid()}-{threading.get_ident()}").write_bytes(b"half")
    make(path, 1)
    assert cases(path) == [1]


@pytest.mark.parametrize("steps", [0, 1, 2, 3])
def test_a_kill_at_any_step_of_a_swap_leaves_a_whole_store(tmp_path: Path, steps: int) -> None:
    """The damaged one in its place, or the new one; never the old log with the new store."""
    path, aside = tmp_path / "m.db", tmp_path / "m.db.damaged-20260301T060000Z"
    make(path, 1)
    log = Path(f"{path}-wal")
    log.write_bytes(b"a log that is not of the new store")
    new = tmp_path / "new.db"
    make(new, 2)
    new.rename(tmp_path / "m.db.rescued")
    if steps >= 1:
        path.rename(aside)
    if steps >= 2:
        log.rename(f"{aside}-wal")
    if steps >= 3:
        (tmp_path / "m.db.rescued").rename(path)
    finish_swap(path, "the store")
    if steps == 0:
        assert (tmp_path / "m.db.rescued").exists()
        log.unlink()
        assert cases(path) == [1]
        return
    assert cases(path) == [2]
    assert Path(f"{aside}-wal").read_bytes().startswith(b"a log")
    assert not (tmp_path / "m.db.rescued").exists()


def test_a_swap_puts_the_new_one_in_place_and_the_old_one_aside(tmp_path: Path) -> None:
    path, aside = tmp_path / "m.db", tmp_path / "aside.db"
    make(path, 1)
    with made_beside(path, "it", NOW, connect_sqlite) as beside:
        make_ready(beside, path, "it")
    swap(path, aside, "it")
    assert cases(path) == []
    assert cases(aside) == [1]


def test_only_one_rescue_goes_on_at_a_time(tmp_path: Path) -> None:
    order: list[str] = []
    inside = threading.Event()

    def second() -> None:
        inside.wait()
        with alone(tmp_path / "m.db", "it"):
            order.append("second")

    thread = threading.Thread(target=second)
    thread.start()
    with alone(tmp_path / "m.db", "it"):
        inside.set()
        thread.join(timeout=0.2)
        order.append("first")
    thread.join()
    assert order == ["first", "second"]


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreReadOnly), alone(tmp_path / "none" / "m.db", "it"):
        raise AssertionError


@pytest.mark.root
def test_a_disk_that_keeps_nothing_more_is_told_before_a_store_on_it_is_used(
    tmp_path: Path,
) -> None:
    with small_disk(tmp_path / "disk") as disk:
        path = disk / "m.db"
        prove_folder(path, "it")
        assert list(disk.iterdir()) == [], "nothing is left of it"
        filled = disk / "filled"
        with suppress(OSError), filled.open("wb", buffering=0) as file:
            while file.write(bytes(PROOF_BYTES)):
                pass
        with pytest.raises(StoreFull):
            prove_folder(path, "it")
        assert list(disk.iterdir()) == [filled]
        filled.unlink()
        make_read_only(disk)
        with pytest.raises(StoreReadOnly):
            prove_folder(path, "it")
