from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.recovery.world import SECTOR, SECTORS, Followed, World
from watcher.facts.drive import Medium, Protocol
from watcher.facts.pool import (
    MemberState,
    Noted,
    PoolKind,
    Protection,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
)
from watcher.recovery.record import Recovery
from watcher.recovery.sights import (
    STAYS_OUT_FOR,
    Shown,
    Sight,
    candidates,
    faults_of,
    place_of,
    sight_of,
)


def hurt(*out: str, bears: int = 2, kind: PoolKind = PoolKind.MD) -> Followed:
    made = Followed(World.of("a", "b", "c", "d", bears=bears, kind=kind))
    made.look()
    made.world.now += timedelta(minutes=10)
    for name in out or ("b",):
        made.world.set(name, MemberState.FAILED)
    made.look()
    made.world.now += timedelta(minutes=10)
    return made


def recovery_of(made: Followed) -> Recovery:
    assert made.recovery is not None
    return made.recovery


def shown(made: Followed) -> Shown:
    return sight_of(recovery_of(made), made.world.seen())


def test_what_cannot_be_seen_shows_nothing() -> None:
    made = hurt()
    made.world.set("b", MemberState.GOOD)
    made.world.sight = "unseen"
    assert shown(made) == Shown(sight=Sight.BLIND)
    made.world.sight = "stack blind"
    assert shown(made) == Shown(sight=Sight.BLIND)


def test_a_pool_that_its_stack_does_not_list_is_gone() -> None:
    made = hurt()
    made.world.sight = "unlisted"
    assert shown(made).sight is Sight.GONE


def test_broken_counts_before_everything_that_is_seen() -> None:
    made = hurt("a", "b", "c")
    made.world.work = Work(kind=WorkKind.REBUILD, done_fraction=0.5)
    assert shown(made).sight is Sight.BROKEN


@pytest.mark.parametrize("state", list(WorkState))
def test_a_rebuild_is_a_rebuild_also_while_it_waits(state: WorkState) -> None:
    made = hurt()
    made.world.work = Work(kind=WorkKind.REBUILD, done_fraction=0.5, state=state)
    found = shown(made)
    assert found.sight is Sight.REBUILDING
    assert found.evidence == (f"a rebuild is {state.value}, 50% done",)


@pytest.mark.parametrize(
    ("kind", "sight"),
    [
        (WorkKind.RESYNC, Sight.REBUILDING),
        (WorkKind.CONVERT, Sight.REBUILDING),
        (WorkKind.SYNC, Sight.REBUILDING),
        (WorkKind.SCRUB, Sight.OUT),
    ],
)
def test_work_that_brings_margin_back_counts_while_it_is_missing(
    kind: WorkKind, sight: Sight
) -> None:
    made = hurt()
    made.world.work = Work(kind=kind, done_fraction=0.5)
    assert shown(made).sight is sight


def test_a_balance_of_a_whole_pool_is_no_rebuild() -> None:
    made = hurt()
    made.world.set("b", MemberState.GOOD)
    made.look()
    made.world.now += timedelta(hours=1)
    made.world.work = Work(kind=WorkKind.CONVERT, done_fraction=0.5)
    assert shown(made).sight is Sight.UNCHECKED


@pytest.mark.parametrize(
    ("minutes", "sight"),
    [
        (0, Sight.OUT),
        (int(STAYS_OUT_FOR.total_seconds() / 60) - 11, Sight.OUT),
        (int(STAYS_OUT_FOR.total_seconds() / 60) - 10, Sight.SURE),
    ],
)
def test_a_member_that_stays_out_is_out_for_sure_after_a_while(minutes: int, sight: Sight) -> None:
    made = hurt()
    made.world.now += timedelta(minutes=minutes)
    assert shown(made).sight is sight


def test_what_speaks_against_the_drive_makes_sure_at_once() -> None:
    made = hurt()
    made.world.guilt["d-b"] = "24 pending sectors"
    assert shown(made) == Shown(sight=Sight.SURE, evidence=("d-b: 24 pending sectors",))


def test_guilt_of_another_drive_makes_nothing_sure() -> None:
    made = hurt()
    made.world.guilt["d-a"] = "24 pending sectors"
    assert shown(made).sight is Sight.OUT


def test_a_drive_that_was_there_before_is_no_new_drive() -> None:
    """The system's own disk sits in no pool, and is not to be filled with one."""
    made = Followed(World.of("a", "b", bears=1))
    made.world.sizes["system"] = SECTORS
    made.look()
    made.world.now += timedelta(minutes=10)
    made.world.set("b", MemberState.FAILED)
    made.look()
    assert candidates(recovery_of(made), made.world.seen()) == ()


def test_a_drive_that_was_there_before_stands_in_where_its_owner_keeps_it_as_a_spare() -> None:
    made = Followed(World.of("a", "b", bears=1))
    made.world.sizes |= {"system": SECTORS, "s1": SECTORS}
    made.world.shelf.add("s1")
    made.look()
    made.world.now += timedelta(minutes=10)
    made.world.set("b", MemberState.FAILED)
    made.look()
    found = candidates(recovery_of(made), made.world.seen())
    assert [one.identity.drive for one, _ in found] == ["s1"]
    made.world.refusals["s1"] = "its burn-in did not pass"
    assert candidates(recovery_of(made), made.world.seen()) == ()


def test_the_lost_drive_itself_is_no_candidate_and_neither_is_one_that_died() -> None:
    made = hurt()
    made.world.sizes |= {"n1": SECTORS, "n2": SECTORS}
    made.look()
    made.world.now += timedelta(minutes=10)
    made.world.put("n1", "b", MemberState.REBUILDING)
    made.look()
    made.world.now += timedelta(minutes=10)
    made.world.put("n1", "b", MemberState.FAILED)
    made.look()
    found = candidates(recovery_of(made), made.world.seen())
    assert [one.identity.drive for one, _ in found] == ["n2"]


def test_a_proven_drive_comes_before_one_that_is_not() -> None:
    made = hurt()
    made.world.sizes |= {"n1": SECTORS, "n2": SECTORS}
    made.world.proofs["n2"] = "its burn-in passed"
    found = candidates(recovery_of(made), made.world.seen())
    assert [one.identity.drive for one, _ in found] == ["n2", "n1"]


def test_a_drive_that_does_not_fit_shows_nothing_new() -> None:
    made = hurt()
    made.world.sizes["n1"] = SECTORS - 1
    assert shown(made).sight is Sight.OUT


@pytest.mark.parametrize(
    ("first", "sight"), [(True, Sight.NEW_HERE), (None, Sight.NEW_HERE), (False, Sight.NEW_PROVEN)]
)
def test_proving_is_left_out_only_when_that_is_computed_to_be_safer(
    first: bool | None, sight: Sight
) -> None:
    made = hurt()
    made.world.sizes["n1"] = SECTORS
    made.world.prove_first = first
    assert shown(made).sight is sight


def test_all_members_stand_and_something_is_left_over() -> None:
    made = hurt()
    made.world.set("b", MemberState.GOOD)
    made.world.notes = [
        Noted(remark=Remark.MIXED_PROFILES, text="one copy only", at_most=Protection.BARE)
    ]
    assert shown(made) == Shown(sight=Sight.LEFT_OVER, evidence=("one copy only",))


def test_a_member_that_is_not_filled_and_nothing_runs_is_taken_in() -> None:
    made = hurt()
    made.world.set("b", MemberState.REBUILDING)
    assert shown(made).sight is Sight.TAKEN_IN


@pytest.mark.parametrize(
    "remark",
    [
        Remark.DAMAGED_DATA,
        Remark.COPIES_DIFFER,
        Remark.CANNOT_FINISH,
        Remark.LISTED_MISSING,
        Remark.SPARE_IN_USE,
        Remark.UNSYNCED,
        Remark.DEVICE_GONE,
        Remark.FEW_CHECKS,
        Remark.UNKNOWN_WORD,
    ],
)
def test_a_whole_pool_with_a_remark_is_not_clean(remark: Remark) -> None:
    made = hurt()
    made.world.set("b", MemberState.GOOD)
    made.look()
    made.world.now += timedelta(hours=1)
    made.world.scrubbed_at = made.world.now
    made.world.notes = [Noted(remark=remark, text="something")]
    assert shown(made).sight is Sight.UNCLEAN


@pytest.mark.parametrize("remark", [Remark.READ_ONLY, Remark.EXTERNAL_METADATA, Remark.MEMBER_ERRS])
def test_what_says_nothing_of_the_data_keeps_no_pool_from_being_clean(remark: Remark) -> None:
    made = hurt()
    made.world.set("b", MemberState.GOOD)
    made.look()
    made.world.now += timedelta(hours=1)
    made.world.scrubbed_at = made.world.now
    made.world.notes = [Noted(remark=remark, text="something")]
    assert shown(made).sight is Sight.CHECKED


def test_errors_are_compared_with_what_they_were_when_it_became_whole() -> None:
    made = hurt()
    made.world.counts = {"a": 7}
    made.world.set("b", MemberState.GOOD)
    made.look()
    assert faults_of(recovery_of(made), made.world.pool) == ()
    made.world.counts = {"a": 9}
    assert faults_of(recovery_of(made), made.world.pool) == (
        "a counted 9 errors, 7 when it became whole",
    )


@pytest.mark.parametrize(
    ("kind", "asked"), [(PoolKind.MD, 512), (PoolKind.BTRFS, None), (PoolKind.FILE_PARITY, None)]
)
def test_the_size_of_sectors_is_asked_only_where_it_matters(
    kind: PoolKind, asked: int | None
) -> None:
    made = hurt("b", kind=kind)
    assert place_of(recovery_of(made), made.world.seen()).logical_sector_bytes == asked


def test_the_place_is_that_of_the_largest_lost_member() -> None:
    made = Followed(World.of("a", "b", "c", bears=2))
    made.world.sizes["d-b"] = SECTORS // 2
    made.look()
    made.world.now += timedelta(minutes=10)
    for name in ("a", "b"):
        made.world.set(name, MemberState.FAILED)
    made.look()
    place = place_of(recovery_of(made), made.world.seen())
    assert place.drive_bytes == SECTORS * SECTOR
    assert place.role is Role.DATA


def shelf_of_files(*out: str) -> Followed:
    """Three data drives of 8, 12 and 16 TB and a parity drive of 16 TB, some of them lost."""
    world = World.of("a", "b", "c", bears=2, kind=PoolKind.FILE_PARITY)
    world.add_member("p", Role.PARITY)
    for name, share in (("d-b", 1.5), ("d-c", 2), ("d-p", 2)):
        world.sizes[name] = int(SECTORS * share)
    made = Followed(world)
    made.look()
    world.now += timedelta(minutes=10)
    for name in out:
        world.set(name, MemberState.MISSING)
        world.away.add(f"d-{name}")
    made.look()
    return made


@pytest.mark.parametrize(
    ("out", "largest"),
    [
        ("p", 2),  # no smaller than the largest data drive
        ("pb", 2),
        ("pc", 2),  # the largest data drive is lost with it, and its successor is no smaller
    ],
)
def test_a_parity_drive_is_as_large_as_the_largest_data_drive_also_where_that_is_lost_with_it(
    out: str, largest: int
) -> None:
    made = shelf_of_files(*out)
    place = place_of(recovery_of(made), made.world.seen())
    assert (place.role, place.largest_data_bytes) == (Role.PARITY, SECTORS * largest * SECTOR)
    assert place.needed_bytes == SECTORS * largest * SECTOR


def test_a_lost_data_drive_is_replaced_by_one_as_large_as_itself() -> None:
    made = shelf_of_files("b")
    place = place_of(recovery_of(made), made.world.seen())
    assert (place.role, place.largest_data_bytes) == (Role.DATA, None)
    assert place.needed_bytes == int(SECTORS * 1.5) * SECTOR


def test_of_a_lost_drive_that_nobody_knows_the_place_is_like_the_others_and_of_unknown_size() -> (
    None
):
    made = hurt("b")
    recovery = recovery_of(made)
    (lost,) = recovery.lost
    unknown = replace(
        recovery, lost=(replace(lost, drive=None, drive_bytes=None, member_bytes=None),)
    )
    place = place_of(unknown, made.world.seen())
    assert (place.drive_bytes, place.member_bytes, place.needed_bytes) == (None, None, None)
    assert (place.protocol, place.medium) == (Protocol.ATA, Medium.ROTATING)
    assert place.logical_sector_bytes == 512
    by_name = replace(recovery, lost=(replace(lost, drive_bytes=None, member_bytes=None),))
    assert place_of(by_name, made.world.seen()).drive_bytes == SECTORS * SECTOR
    nobody = replace(made.world.seen(), identities={})
    place = place_of(unknown, nobody)
    assert (place.protocol, place.medium) == (Protocol.UNKNOWN, Medium.UNKNOWN)
    assert place.logical_sector_bytes is None
    sized = replace(recovery, lost=(replace(lost, member_bytes=7),))
    assert place_of(sized, made.world.seen()).member_bytes == 7
