"""When the state folder gives way: memory, a finding, and the way back."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from tests.cli.state import standing
from watcher.demo.story import BOX, new_box
from watcher.facts.finding import Urgency
from watcher.readers.survey import Looking, Surveyor
from watcher.service.clock import ManualClock
from watcher.service.desk import Desk
from watcher.service.ground import STATE, Ground
from watcher.store.database import open_store
from watcher.store.errors import StoreFull

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


def test_an_error_twice_keeps_the_first_memory(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.db", now=NOW) as disk:
        ground = Ground(disk, ManualClock(NOW))
        ground.give_way(StoreFull("one"))
        memory = ground.store
        ground.give_way(StoreFull("two"))
        assert ground.store is memory
        assert "two" in ground.findings(NOW)[0].evidence[0].value
