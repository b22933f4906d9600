from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.recovery.test_report import after
from tests.recovery.world import SCENARIOS
from tests.store.made import BOX, NOW
from watcher.facts.identity import BoxId, PoolId
from watcher.recovery.record import RECOVERY_FORMAT, Recovery
from watcher.store.database import Store, open_store
from watcher.store.errors import StoreDamaged, StoreTooNew
from watcher.store.recoveries import RECOVERY, read_recovery


@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.txt")), ids=lambda p: p.stem)
def test_every_recovery_comes_back_as_it_was(path: Path, store: Store) -> None:
    recovery, _ = after(path.stem)
    with store.transaction() as tx:
        tx.save_recovery(BOX, recovery)
    with store.snapshot() as tx:
        assert tx.recoveries(BOX) == (recovery,)
        assert tx.open_recoveries(BOX) == ((recovery,) if recovery.is_open else ())


def test_a_recovery_that_moved_on_takes_the_place_of_what_it_was(store: Store) -> None:
    before, _ = after("01-the-plain-way", 5)
    now, _ = after("01-the-plain-way", 8)
    for one in (before, now):
        with store.transaction() as tx:
            tx.save_recovery(BOX, one)
    with store.snapshot() as tx:
        assert tx.recoveries(BOX) == (now,)


def again(recovery: Recovery, days: int) -> Recovery:
    return replace(recovery, opened_at=recovery.opened_at + timedelta(days=days))


def test_the_newest_comes_first_and_pools_and_boxes_are_kept_apart(store: Store) -> None:
    first, _ = after("01-the-plain-way")
    other, _ = after("02-a-cable", 3)
    with store.transaction() as tx:
        for one in (first, again(first, 30), other):
            tx.save_recovery(BOX, one)
        tx.save_recovery(BoxId("cellar"), first)
    with store.snapshot() as tx:
        assert tx.recoveries(BOX) == (other, again(first, 30), first)
        assert tx.recoveries(BOX, first.pool) == (again(first, 30), first)
        assert tx.recoveries(BOX, first.pool, limit=1) == (again(first, 30),)
        assert tx.recoveries(BOX, PoolId("md:nowhere")) == ()
        assert tx.open_recoveries(BOX) == (other,)


def test_a_recovery_of_a_newer_version_is_refused() -> None:
    recovery, _ = after("01-the-plain-way")
    text = RECOVERY.write(replace(recovery, format=RECOVERY_FORMAT + 1))
    with pytest.raises(StoreTooNew, match="update midwatch"):
        read_recovery(text)


@pytest.mark.parametrize("text", ["", "{}", '{"pool": 3}', "[]", "null"])
def test_a_damaged_recovery_is_said_to_be_damaged(text: str) -> None:
    with pytest.raises(StoreDamaged):
        read_recovery(text)


def test_a_damaged_recovery_does_not_keep_the_watch_from_starting(tmp_path: Path) -> None:
    """The rescue leaves the row out that cannot be read, and keeps the others."""
    path = tmp_path / "m.db"
    good, _ = after("01-the-plain-way")
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        tx.save_recovery(BOX, good)
        tx.save_recovery(BOX, again(good, 30))
    with sqlite3.connect(path) as db:
        db.execute("UPDATE recovery SET state = '{' WHERE id = 2")
    db.close()
    with open_store(path, now=NOW) as store:
        assert store.rescue is not None
        with store.snapshot() as tx:
            assert tx.recoveries(BOX) == (good,)
