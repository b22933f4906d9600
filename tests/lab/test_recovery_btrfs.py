"""A real btrfs mirror on loop devices, followed through its recovery by the real readers and desk.

Seen on the way: the lost device, the rebuild through its left-over profiles, whole but not
verified, and verified by a real scrub. The survey's clock is set by hand, so that nothing waits.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.lab.loops import BtrfsMirror, btrfs_mirror, run, why_not
from watcher.cases.policy import Person, Policy
from watcher.exposure.window import WindowPlan
from watcher.facts.identity import BoxId
from watcher.readers.runner import RealHost
from watcher.readers.survey import Looking, Surveyor
from watcher.recovery.advice import advise
from watcher.recovery.record import Recovery, Step
from watcher.recovery.report import written
from watcher.rules.tuning import Tuning
from watcher.service.desk import Desk, Standing, last_view
from watcher.service.recoveries import seen_of
from watcher.store.database import Store, open_memory

LACKING = why_not()
pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(LACKING is not None, reason=f"a real btrfs {LACKING}"),
]
BOX = BoxId("attic")
PLAN = WindowPlan(zone=UTC)


class Bench:
    """Looks at this machine with the real readers, on a clock that is set by hand."""

    def __init__(self, label: str) -> None:
        self.label = label
        self.now = datetime.now(UTC) - timedelta(days=1)
        self.store: Store = open_memory(now=self.now)
        policy = Policy(people=(Person(name="ada", zone="UTC"),))
        self.desk = Desk(
            self.store,
            Standing(box=BOX, policy=policy, tuning=Tuning(), targets=(), plan=PLAN),
        )
        self.surveyor = Surveyor(RealHost(), Looking(box=BOX, kernel_log=False))
        self.looks = 0

    def look(self, at: datetime | None = None) -> Recovery | None:
        self.now = at or self.now + timedelta(minutes=10)
        self.looks += 1
        taken = self.surveyor.take(f"look-{self.looks}", self.now)
        self.desk.take_in(taken.survey, self.now)
        with self.store.snapshot() as tx:
            return next((r for r in tx.recoveries(BOX) if r.name == self.label), None)

    def commands(self, recovery: Recovery) -> list[str]:
        with self.store.snapshot() as tx:
            view = last_view(tx, BOX, self.now)
            assert view is not None
            seen = seen_of(tx, view, recovery, PLAN, self.now).seen
        return [c.line for c in advise(recovery, seen).commands]

    def records(self) -> list[str]:
        with self.store.snapshot() as tx:
            lines = [str(row["what"]) for row in tx.db.rows("SELECT what FROM record ORDER BY id")]
        return [what for what in lines if what.startswith("recovery-")]

    def open_cases(self) -> int:
        with self.store.snapshot() as tx:
            cases = tx.load_book(BOX).open_cases
        return sum(case.label == self.label and not case.only_notes for case in cases)


def hurt(mirror: BtrfsMirror) -> None:
    mirror.lose(mirror.drives[1])


def test_a_real_mirror_goes_the_whole_way_on_evidence(tmp_path: Path) -> None:
    with btrfs_mirror(tmp_path, label="way-back") as (mirror, (spare,)):
        bench = Bench("way-back")
        mirror.write("letters")
        assert bench.look() is None

        hurt(mirror)
        lost = bench.look()
        assert lost is not None
        assert lost.step is Step.MAKE_SURE
        assert [m.name for m in lost.lost] == ["devid 2"]
        assert f"btrfs device stats {mirror.at}" in bench.commands(lost)

        out = bench.look(bench.now + timedelta(hours=1))
        assert out is not None
        assert out.step is Step.GET_DRIVE, "it was seen to stay out"

        mirror.replace(2, spare)
        filled = bench.look()
        assert filled is not None
        assert filled.step is Step.REBUILD, "filled, but what was written meanwhile has one copy"
        balance = next(c for c in bench.commands(filled) if "balance" in c)
        assert balance == (
            f"btrfs balance start -dconvert=raid1,soft -mconvert=raid1,soft {mirror.at}"
        )

        mirror.convert()
        whole = bench.look()
        assert whole is not None
        assert whole.step is Step.VERIFY, "whole, not yet verified"
        assert bench.look() == whole or whole.is_open
        bench.desk.tick(bench.now + timedelta(hours=1))
        assert f"btrfs scrub start {mirror.at}" in bench.commands(whole)
        bench.look(bench.now + timedelta(hours=2))
        assert bench.open_cases() == 0, "the all-clear does not wait for the scrub"

        mirror.scrub()
        over = bench.look(datetime.now(UTC) + timedelta(seconds=5))
        assert over is not None
        assert not over.is_open
        assert over.outcome.startswith("Whole again and verified")
        assert over.harm == ()
        assert bench.records()[0] == "recovery-opened"
        assert bench.records()[-1] == "recovery-closed"
        head = next(written(over, bench.now, lambda t: f"{t:%Y-%m-%d %H:%M}"))
        assert ("lost", "Nothing, as far as surveys showed.") in head.rows


def test_a_real_mirror_that_comes_back_by_itself_waits_for_a_check(tmp_path: Path) -> None:
    """The cable: the drive is away for one mount, and back for the next."""
    with btrfs_mirror(tmp_path, label="cable", spares=0) as (mirror, _):
        bench = Bench("cable")
        assert bench.look() is None
        drive = mirror.drives[1]
        mirror.unmount()
        drive.pull()
        mirror.mount(degraded=True)
        lost = bench.look()
        assert lost is not None
        assert lost.step is Step.MAKE_SURE

        mirror.unmount()
        drive.plug()
        run("btrfs", "device", "scan", drive.node or "")
        mirror.mount()
        back = bench.look()
        assert back is not None
        assert back.step in {Step.VERIFY, Step.REBUILD}
        assert back.new_drive is None
        assert back.is_open


def test_a_blind_look_at_a_real_mirror_moves_nothing(tmp_path: Path) -> None:
    """Unmounted, with a member gone: how its data is laid out cannot be read for sure."""
    with btrfs_mirror(tmp_path, label="blind", spares=0) as (mirror, _):
        bench = Bench("blind")
        bench.look()
        hurt(mirror)
        before = bench.look()
        assert before is not None
        mirror.unmount()
        for drive in mirror.drives:
            drive.pull()
        after = bench.look()
        assert after is not None
        assert after.step is before.step
        assert after.is_open
        for drive in mirror.drives:
            drive.plug()
