from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.recovery.views import AT, BOX, POOL, event, pool, reading, view
from watcher.facts.drive import DrivePast, DriveReading, Metric, SelfTest, Trace, Verdict
from watcher.facts.identity import DriveId, PoolId, about_drive, about_pool
from watcher.facts.kernel_event import Category
from watcher.facts.pool import MemberState, PoolKind
from watcher.facts.pool_past import PoolPast
from watcher.facts.readiness import Preparation, ShelfSpare
from watcher.recovery.seen import PROOF_FRESH_HOURS, cable_of, guilt_of, look

A, B, NEW = DriveId("a"), DriveId("b"), DriveId("new")


def test_a_pool_that_is_listed_is_seen_with_its_drives() -> None:
    seen = look(view(reading(A), reading(B), pools=(pool(a=A, b=B),)), POOL, kind=PoolKind.MD)
    assert seen.is_readable
    assert seen.drives_in(MemberState.GOOD) == {A, B}
    assert seen.present == {A, B}
    assert seen.newcomers == ()


@pytest.mark.parametrize(("answered", "told"), [(("md",), True), ((), False)])
def test_a_missing_pool_is_missing_only_when_its_stack_answered(
    answered: tuple[str, ...], told: bool
) -> None:
    seen = look(view(reading(A), answered=answered), POOL, kind=PoolKind.MD)
    assert seen.pool is None
    assert seen.stack_answered is told
    assert seen.drives_answered is False


def test_the_past_names_the_drives_that_left() -> None:
    past = PoolPast(
        pool=POOL, name="orchard", kind=PoolKind.MD, first_seen=AT, last_seen=AT,
        full_margin=1, drives=(A, B), lost=(DriveId("c"),), scrubbed_at=AT - timedelta(days=3),
        in_use=False,
    )  # fmt: skip
    seen = look(view(reading(A), past_pool=past), POOL, kind=PoolKind.MD)
    assert seen.past_drives == {A, B, DriveId("c")}
    assert seen.full_margin == 1
    assert seen.scrubbed_at == AT - timedelta(days=3)
    assert not seen.in_use


def test_a_drive_in_no_pool_is_a_newcomer() -> None:
    seen = look(
        view(reading(A), reading(B), reading(NEW), pools=(pool(a=A, b=B),)), POOL, kind=PoolKind.MD
    )
    assert [(one.identity.drive, one.proof) for one in seen.newcomers] == [(NEW, "")]


def extended(hours_ago: int, *, passed: bool = True, damage: bool = False) -> tuple[SelfTest, ...]:
    return (
        SelfTest(
            kind="Extended offline", passed=passed, found_damage=damage,
            power_on_hours=1000 - hours_ago, first_bad_lba=None,
        ),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("tests", "metrics", "verdict", "proven"),
    [
        (extended(2), {}, Verdict.PASSED, True),
        (extended(PROOF_FRESH_HOURS), {}, Verdict.PASSED, True),
        (extended(PROOF_FRESH_HOURS + 1), {}, Verdict.PASSED, False),
        (extended(-5), {}, Verdict.PASSED, False),  # a test of the future proves nothing
        (extended(2, passed=False), {}, Verdict.PASSED, False),
        (extended(2, passed=False, damage=True), {}, Verdict.PASSED, False),
        (extended(2), {Metric.PENDING_SECTORS: 1}, Verdict.PASSED, False),
        (extended(2), {}, Verdict.FAILING, False),
        ((replace(extended(2)[0], kind="Short offline"),), {}, Verdict.PASSED, False),
        ((replace(extended(2)[0], kind="Conveyance offline"),), {}, Verdict.PASSED, False),
        ((replace(extended(2)[0], kind="Background long"),), {}, Verdict.PASSED, True),
        (
            extended(1, passed=False, damage=True) + extended(2),
            {},
            Verdict.PASSED,
            False,
        ),
        (extended(1) + extended(2, passed=False, damage=True), {}, Verdict.PASSED, True),
        ((replace(extended(2)[0], power_on_hours=None),), {}, Verdict.PASSED, False),
        ((), {}, Verdict.PASSED, False),
    ],
)
def test_a_new_drive_is_proven_by_a_fresh_extended_test_without_any_sign(
    tests: tuple[SelfTest, ...], metrics: dict[Metric, int], verdict: Verdict, proven: bool
) -> None:
    new = reading(NEW, tests=tests, verdict=verdict, **{Metric.POWER_ON_HOURS: 1000, **metrics})
    (one,) = look(view(new), POOL, kind=PoolKind.MD).newcomers
    assert bool(one.proof) is proven


def test_a_burn_in_that_is_known_is_its_proof() -> None:
    seen = look(view(reading(NEW)), POOL, kind=PoolKind.MD, proven={NEW: "burnt in on 2026-02-01"})
    assert seen.newcomers[0].proof == "burnt in on 2026-02-01"


def spare(*, proven: int | None = None, failed: int | None = None) -> ShelfSpare:
    """The new drive on the shelf; days before the look that its burn-ins ended."""
    return ShelfSpare(
        number=1,
        identity=reading(NEW).identity,
        added_at=AT - timedelta(days=90),
        proven_at=None if proven is None else AT - timedelta(days=proven),
        failed_at=None if failed is None else AT - timedelta(days=failed),
    )


@pytest.mark.parametrize(
    ("kept", "is_refused"),
    [
        (spare(), False),
        (spare(proven=3), False),
        (spare(proven=3, failed=30), False),
        (spare(failed=3), True),
        (spare(proven=30, failed=3), True),
    ],
)
def test_what_the_owner_keeps_as_a_spare_may_go_in_unless_its_burn_in_did_not_pass(
    kept: ShelfSpare, is_refused: bool
) -> None:
    shown = replace(view(reading(NEW)), ready=Preparation(shelf=(kept,)))
    (one,) = look(shown, POOL, kind=PoolKind.MD).newcomers
    assert one.is_spare
    assert bool(one.refusal) is is_refused


@pytest.mark.parametrize(
    "bad",
    [
        reading(NEW, verdict=Verdict.FAILING),
        reading(NEW, tests=extended(2, passed=False, damage=True)),
    ],
)
def test_a_drive_that_speaks_against_itself_may_not_go_in(bad: DriveReading) -> None:
    (one,) = look(view(bad), POOL, kind=PoolKind.MD).newcomers
    assert one.refusal
    assert not one.is_spare


@pytest.mark.parametrize("metric", [Metric.REALLOCATED_SECTORS, Metric.PENDING_SECTORS,
                                    Metric.GROWN_DEFECTS, Metric.MEDIA_ERRORS])  # fmt: skip
def test_what_the_surface_counts_speaks_against_the_drive(metric: Metric) -> None:
    assert guilt_of(view(reading(A, **{metric: 3})), A)
    assert not guilt_of(view(reading(A, **{metric: 0})), A)


def test_what_a_drive_counted_before_it_left_still_speaks_against_it() -> None:
    trace = Trace(metric=Metric.PENDING_SECTORS, points=((AT - timedelta(days=1), 24),))
    past = DrivePast(
        identity=reading(A).identity, first_seen=AT, last_read=AT, last_present=AT, traces=(trace,)
    )
    assert guilt_of(view(past_drive=past), A) == "24 pending sectors"


def test_interface_errors_speak_for_the_cable_and_not_against_the_drive() -> None:
    points = ((AT - timedelta(days=2), 1), (AT - timedelta(days=1), 47))
    trace = Trace(metric=Metric.INTERFACE_CRC_ERRORS, points=points)
    past = DrivePast(
        identity=reading(A).identity, first_seen=AT, last_read=AT, last_present=AT, traces=(trace,)
    )
    seen = view(past_drive=past)
    assert cable_of(seen, A).endswith("47")
    assert guilt_of(seen, A) == ""


@pytest.mark.parametrize(
    ("category", "guilty", "cable"),
    [(Category.MEDIUM, True, False), (Category.LINK, False, True), (Category.NOISE, False, False)],
)
def test_kernel_events_point_where_they_belong(
    category: Category, guilty: bool, cable: bool
) -> None:
    seen = view(reading(A), events=(event(category, about_drive(A)),))
    assert (bool(guilt_of(seen, A)), bool(cable_of(seen, A))) == (guilty, cable)


@pytest.mark.parametrize(
    ("line", "ended"),
    [
        ("md: md0: data-check done.", True),
        ("md: md0: data-check interrupted.", False),
        ("md: data-check of RAID array md0", False),
    ],
)
def test_the_kernel_says_when_a_check_is_done(line: str, ended: bool) -> None:
    """The words of md_do_sync (drivers/md/md.c of Linux)."""
    seen = view(
        reading(A), pools=(pool(a=A, b=B),),
        events=(event(Category.NOISE, about_pool(POOL), line=line),),
    )  # fmt: skip
    assert (look(seen, POOL, kind=PoolKind.MD).scrubbed_at == AT) is ended
    other = view(events=(event(Category.NOISE, about_pool(PoolId("md:other")), line=line),))
    assert look(other, POOL, kind=PoolKind.MD).scrubbed_at is None


def test_the_box_is_the_one_that_was_looked_at() -> None:
    assert view().survey.box == BOX
