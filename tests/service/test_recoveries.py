"""Recoveries in the desk's transaction, over an invented box through the real readers."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta

import pytest

from watcher.cases.observations import WorkAnnounced
from watcher.cases.state import Book, Expectation, ExpectKind, Maintenance
from watcher.demo.box import SimBox
from watcher.demo.story import BOX, LOST, ORCHARD, new_box, people
from watcher.exposure.window import WindowPlan
from watcher.facts.drive import DriveIdentity
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.readiness import (
    CopySeen,
    HowKnown,
    Irreplaceable,
    Preparation,
    ShelfSpare,
)
from watcher.readers.survey import Looking, Surveyor
from watcher.recovery.record import Recovery, Step
from watcher.rules.tuning import UNTUNED
from watcher.service.desk import Desk, Standing, last_view
from watcher.service.recoveries import (
    announced_in,
    bytes_without_backup,
    case_of_pool,
    proofs_of,
    seen_of,
)
from watcher.store.database import Store, open_memory

PLAN = WindowPlan(zone=UTC)


@dataclass
class Bench:
    """An invented box and the desk that watches it."""

    box: SimBox = field(default_factory=new_box)
    looks: int = 0
    found: tuple[Finding, ...] = ()  # about the pool, by the last look
    found_at_all: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        self.store: Store = open_memory(now=self.box.now)
        self.desk = Desk(
            self.store,
            Standing(box=BOX, policy=people(), tuning=UNTUNED, targets=(), plan=PLAN),
        )
        self.surveyor = Surveyor(self.box, Looking(box=BOX, kernel_log=False))

    def look(self, minutes: int = 10) -> tuple[str, ...]:
        """Look after some minutes; give the rules that hold for the pool, with their next step."""
        self.box.pass_time(timedelta(minutes=minutes))
        self.looks += 1
        survey = self.surveyor.take(f"s{self.looks}", self.box.now).survey
        found = self.desk.take_in(survey, self.box.now).findings
        self.found_at_all = found
        self.found = tuple(f for f in found if f.subject.key == ORCHARD)
        return tuple(f"{f.rule}: {f.next_step}" for f in self.found)

    def urgency(self, minutes: int) -> Urgency | None:
        """Look, and give how urgent it is that the pool is not verified."""
        self.look(minutes)
        return next((f.urgency for f in self.found if f.rule == "rebuild-not-verified"), None)

    def of_lost(self) -> set[Urgency]:
        """Give how urgent what was found about the drive is that the pool lost."""
        return {f.urgency for f in self.found_at_all if f.subject.key == LOST}

    def drives(self) -> tuple[DriveIdentity, ...]:
        with self.store.snapshot() as tx:
            view = last_view(tx, BOX, self.box.now)
        assert view is not None
        return tuple(r.identity for r in view.survey.drives)

    @property
    def recovery(self) -> Recovery | None:
        with self.store.snapshot() as tx:
            return next(iter(tx.recoveries(BOX, ORCHARD)), None)

    def records(self, case: int) -> list[str]:
        with self.store.snapshot() as tx:
            return [r.what for r in tx.records(BOX, case) if r.what.startswith("recovery-")]


@pytest.fixture
def bench() -> Bench:
    made = Bench()
    made.look()
    return made


def test_a_loss_opens_a_recovery_with_the_survey_that_shows_it(bench: Bench) -> None:
    assert bench.recovery is None
    bench.box.pull("e")
    bench.look()
    assert bench.recovery is not None
    assert bench.recovery.lost[0].drive == LOST
    assert bench.recovery.opened_at == bench.box.now


def test_the_next_step_of_the_pool_begins_with_that_of_the_recovery(bench: Bench) -> None:
    bench.box.pull("e")
    (thinned,) = [text for text in bench.look() if text.startswith("margin-thinned")]
    assert thinned.startswith("margin-thinned: Recovery, step 1 of 6, make sure: is it really")


def test_what_happens_is_in_the_record_of_the_case(bench: Bench) -> None:
    bench.box.pull("e")
    bench.look()
    with bench.store.snapshot() as tx:
        number = case_of_pool(tx.load_book(BOX).cases, ORCHARD)
    assert number > 0
    assert bench.records(number) == ["recovery-opened"]
    bench.look(60)
    assert bench.records(number) == ["recovery-opened", "recovery-step"]
    assert bench.records(0) == []


def test_a_survey_handed_over_twice_moves_nothing_twice(bench: Bench) -> None:
    bench.box.pull("e")
    bench.look()
    before = bench.recovery
    survey = bench.surveyor.take(f"s{bench.looks}", bench.box.now).survey
    assert not bench.desk.take_in(survey, bench.box.now).taken
    assert bench.recovery == before


def test_the_case_is_over_before_the_check_and_the_recovery_is_not(bench: Bench) -> None:
    bench.box.pull("e")
    bench.look()
    with bench.store.snapshot() as tx:
        number = case_of_pool(tx.load_book(BOX).cases, ORCHARD)
    bench.box.readd("md0", "e")
    bench.box.drives["e"] = new_box().drives["e"]
    for _ in range(4):
        bench.look(30)
        bench.desk.tick(bench.box.now)
    with bench.store.snapshot() as tx:
        case = tx.case(BOX, number)
    assert case is not None
    assert case.closed_at is not None
    assert bench.recovery is not None
    assert bench.recovery.step is Step.VERIFY


def test_a_failed_drive_in_whose_place_a_spare_took_over_is_no_trouble_and_may_be_taken_out(
    bench: Bench,
) -> None:
    """It stays in the box, out of its pool, until a check has ended: so the recovery asks."""
    old = bench.box.drives["e"]
    seat = next(s for s in bench.box.array("md0").seats if s.letter == "e")
    old.pending, old.reallocated, old.uncorrectable = 60, 40, 9
    seat.letter, seat.in_step = None, False
    bench.box.plug(replace(new_box().drives["e"], letter="i", serial="CA9903", wwn=0x5000A1600001))
    bench.box.add("md0", "i", 0)  # the place is filled before anybody sees it empty
    bench.look()
    assert Urgency.TODAY in bench.of_lost()
    bench.box.finish("md0")
    bench.look()
    bench.look()
    assert bench.of_lost() == {Urgency.NOTE}
    bench.box.drives.pop("e")
    bench.look()
    assert bench.of_lost() == set(), "and not missed"
    with bench.store.snapshot() as tx:
        assert not tx.drive_pasts(BOX, bench.box.now, bench.box.now)[LOST].in_use


def test_a_spare_that_did_not_pass_may_leave_the_box(bench: Bench) -> None:
    bench.box.plug(replace(new_box().drives["e"], letter="i", serial="CA9903", wwn=0x5000A1600001))
    bench.look()
    (who,) = (d for d in bench.drives() if d.serial == "CA9903")
    kept = ShelfSpare(number=0, identity=who, added_at=bench.box.now)
    with bench.store.transaction() as tx:
        kept = tx.add_spare(BOX, kept)
    bench.box.drives.pop("i")
    bench.look()
    assert "drive-gone" in {f.rule for f in bench.found_at_all}, "it may have died"
    with bench.store.transaction() as tx:
        tx.save_spare(BOX, replace(kept, failed_at=bench.box.now, proof="it could not be read"))
    bench.look()
    bench.look()
    assert "drive-gone" not in {f.rule for f in bench.found_at_all}


def test_a_pool_that_nobody_checks_is_told_of_after_three_days_and_quiet_once_it_is(
    bench: Bench,
) -> None:
    bench.box.pull("e")
    bench.look()
    bench.box.drives["e"] = new_box().drives["e"]
    bench.box.readd("md0", "e")
    bench.look()
    assert bench.urgency(60) == Urgency.NOTE
    assert bench.urgency(60 * 24 * 2) == Urgency.NOTE
    assert bench.urgency(60 * 24 * 2) == Urgency.THIS_WEEK
    bench.box.check("md0")
    for share in (0.3, 0.6, 0.9):
        bench.box.array("md0").checked_kib = int(bench.box.array("md0").member_kib * share)
        bench.look(120)
    bench.box.end_check("md0")
    bench.look(120)
    rules = [text.partition(":")[0] for text in bench.look()]
    assert "rebuild-not-verified" not in rules
    assert bench.recovery is not None
    assert bench.recovery.outcome.startswith("Whole again and verified")


def test_an_announced_replacement_opens_a_recovery_before_anything_is_pulled(bench: Bench) -> None:
    begins = bench.box.now
    bench.desk.hear(
        WorkAnnounced(
            by="ada", reason="replace bay 5", begins=begins, ends=begins + timedelta(hours=8),
            expects=(Expectation(kind=ExpectKind.REPLACE, drive=LOST, said="replace bay 5"),),
            pool=ORCHARD, pool_name="orchard",
        ),
        begins,
    )  # fmt: skip
    bench.look()
    assert bench.recovery is not None
    assert bench.recovery.is_planned
    bench.look(60 * 9)
    assert bench.recovery is not None
    assert bench.recovery.outcome.startswith("Called off")


def test_what_is_shown_moves_nothing(bench: Bench) -> None:
    bench.box.pull("e")
    bench.look()
    before = bench.recovery
    assert before is not None
    with bench.store.snapshot() as tx:
        view = last_view(tx, BOX, bench.box.now)
        assert view is not None
        found = seen_of(tx, view, before, PLAN, bench.box.now)
    assert found.recovery == before
    assert found.seen.pool is not None
    assert bench.recovery == before


NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def test_only_replacements_of_work_that_goes_on_are_announced() -> None:
    def work(begins: int, *expects: Expectation, over: bool = False) -> Maintenance:
        at = NOW + timedelta(hours=begins)
        return Maintenance(
            number=1, by="ada", reason="x", begins=at, ends=at + timedelta(hours=2),
            expects=expects, over=over,
        )  # fmt: skip

    replace_a = Expectation(kind=ExpectKind.REPLACE, drive=DriveId("a"))
    off_b = Expectation(kind=ExpectKind.DRIVE_OFF, drive=DriveId("b"))
    works = (work(-1, replace_a, off_b), work(1, replace_a), work(-1, replace_a, over=True))
    assert announced_in(Book(box=BOX, works=works[:1]), NOW) == {"a"}
    assert announced_in(Book(box=BOX, works=works[1:]), NOW) == frozenset()


def test_a_pool_without_a_case_is_written_into_the_record_of_the_box() -> None:
    assert case_of_pool((), PoolId("md:nowhere")) == 0


def spare(number: int, **times: datetime) -> ShelfSpare:
    who = DriveIdentity(drive=DriveId(f"s{number}"), model="Calder 8", serial=f"S{number}")
    return ShelfSpare(number=number, identity=who, added_at=NOW, **times)  # type: ignore[arg-type]


def test_a_spare_is_proven_by_a_burn_in_that_still_counts() -> None:
    ready = Preparation(
        shelf=(
            spare(1, proven_at=NOW - timedelta(days=30)),
            spare(2, proven_at=NOW - timedelta(days=800)),
            spare(3, proven_at=NOW - timedelta(days=30), failed_at=NOW),
            spare(4),
            ShelfSpare(number=5, added_at=NOW, ordered=True),
        )
    )
    day = date(2026, 1, 31)
    assert proofs_of(ready, NOW) == {"s1": f"its burn-in passed on {day:%Y-%m-%d} (UTC)"}


def thing(size: int | None, age_days: float | None) -> Irreplaceable:
    copied = NOW - timedelta(days=age_days) if age_days is not None else None
    copy = CopySeen(name="nas", how=HowKnown.MARKER, fresh_for=timedelta(days=2), copied_at=copied)
    return Irreplaceable(name="photos", paths=("/p",), bytes=size, copies=(copy,))


@pytest.mark.parametrize(
    ("things", "alone"),
    [
        (None, None),  # nobody looked
        ((), None),  # nothing declared is not everything safe
        ((thing(10, 1),), 0),
        ((thing(10, 5),), 10),
        ((thing(10, None), thing(5, 1)), 10),
        ((thing(None, 1),), 0),
        ((thing(None, 5),), None),
    ],
)
def test_what_has_no_fresh_copy_is_counted_and_the_unknown_stays_unknown(
    things: tuple[Irreplaceable, ...] | None, alone: int | None
) -> None:
    assert bytes_without_backup(Preparation(things=things), NOW) == alone
    assert bytes_without_backup(None, NOW) is None
