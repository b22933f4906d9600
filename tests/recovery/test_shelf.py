from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.life import DriveClass
from watcher.exposure.window import Spare, WindowPlan
from watcher.facts.drive import DriveIdentity, Medium, Protocol
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, RedundancySet, Role
from watcher.facts.readiness import (
    CopySeen,
    HowKnown,
    Irreplaceable,
    Preparation,
    ShelfSpare,
)
from watcher.recovery.shelf import (
    class_of,
    compare,
    compare_all,
    plan_with,
    say_fits,
    say_proof,
    usable,
)

T0 = datetime(2026, 3, 1, tzinfo=UTC)
TB = 10**12
SIZES = {"a": 8 * TB, "b": 12 * TB, "c": 12 * TB}


def who(letter: str, size: int | None, **more: object) -> DriveIdentity:
    facts: dict[str, object] = {
        "model": "Altair",
        "serial": f"X{letter}",
        "protocol": Protocol.ATA,
        "medium": Medium.ROTATING,
        "logical_sector_bytes": 512,
    }
    return DriveIdentity(drive=DriveId(letter), capacity_bytes=size, **(facts | more))  # type: ignore[arg-type]


def identity_of(drive: DriveId) -> DriveIdentity | None:
    return who(drive, SIZES[drive]) if drive in SIZES else None


def label_of(drive: DriveId) -> str:
    return f"bay {drive} (Altair, serial X{drive})"


def orchard(name: str = "orchard", parity: str = "c") -> Pool:
    """Data drives of 8 and 12 TB, and a parity drive of 12 TB."""
    parts = tuple(
        Member(
            name=letter,
            state=MemberState.GOOD,
            role=Role.PARITY if letter == parity else Role.DATA,
            drives=(DriveId(letter),),
        )
        for letter in "abc"
    )
    return judge_pool(
        pool=PoolId(f"file-parity:{name}"),
        name=name,
        kind=PoolKind.FILE_PARITY,
        layout="1 parity",
        observed_at=T0,
        tree=RedundancySet(name="parity", bears=1, parts=parts),
    )


def spare(number: int, size: int | None, **more: object) -> ShelfSpare:
    facts: dict[str, object] = {"identity": who(f"s{number}", size), "added_at": T0}
    return ShelfSpare(number=number, **(facts | more))  # type: ignore[arg-type]


def ready(*shelf: ShelfSpare, **more: object) -> Preparation:
    fits = compare_all(shelf, (orchard(),), identity_of=identity_of, label_of=label_of)
    return Preparation(shelf=shelf, fits=fits, **more)  # type: ignore[arg-type]


def said(one: ShelfSpare, *pools: Pool) -> str:
    return say_fits(compare_all((one,), pools, identity_of=identity_of, label_of=label_of))


def test_a_spare_as_large_as_the_largest_drive_fits_everywhere() -> None:
    assert said(spare(1, 12 * TB), orchard()) == "fits everywhere"


def test_a_spare_that_fits_some_members_names_those_it_cannot_replace() -> None:
    assert said(spare(1, 8 * TB), orchard()) == "fits all but bay b and the parity of orchard"


def test_a_parity_drive_may_be_smaller_than_the_old_one_but_not_than_the_largest_data() -> None:
    """The handbook of file-level parity: as large as the largest data disk (from memory)."""
    sizes = {**SIZES, "b": 8 * TB}
    found = compare(
        spare(1, 8 * TB),
        orchard(),
        identity_of=lambda drive: who(drive, sizes[drive]),
        label_of=label_of,
    )
    assert found.fits_all


def test_one_sector_less_does_not_fit() -> None:
    assert said(spare(1, 8 * TB - 512), orchard()) == "fits nowhere here"


def test_a_member_of_unknown_size_is_told_apart_from_one_that_is_too_large() -> None:
    """A drive that is gone may have taken its size with it; a new one for it is not too small."""
    lost = compare_all(
        (spare(1, 12 * TB),),
        (orchard(),),
        identity_of=lambda drive: None if drive == "b" else identity_of(drive),
        label_of=label_of,
    )
    assert say_fits(lost) == (
        "fits all whose size is known; may fit bay b of orchard, whose size is not known: compare "
        "it, to the byte"
    )
    assert not lost[0].fits_all


def test_a_spare_for_one_pool_of_two_names_the_other() -> None:
    mirror = replace(orchard("small"), pool=PoolId("md:small"))
    big = compare(spare(1, 8 * TB), mirror, identity_of=identity_of, label_of=label_of)
    assert big.fits_some
    assert said(spare(1, 8 * TB), orchard(), mirror) == (
        "fits all but bay b and the parity of orchard, bay b and the parity of small"
    )


def test_an_unknown_size_fits_nowhere_and_says_what_to_look_at() -> None:
    fit = compare(spare(1, None), orchard(), identity_of=identity_of, label_of=label_of)
    assert not fit.fits_some
    assert any("size is not known" in caution for caution in fit.cautions)


def test_an_nvme_drive_does_not_go_into_a_sata_bay() -> None:
    other = spare(1, 20 * TB, identity=who("n", 20 * TB, protocol=Protocol.NVME))
    fit = compare(other, orchard(), identity_of=identity_of, label_of=label_of)
    assert not fit.fits_some
    assert any("NVMe" in problem for problem in fit.problems)


def test_no_pool_means_nothing_to_compare_with() -> None:
    assert "no pool" in said(spare(1, 8 * TB))


def test_the_best_spare_is_here_before_ordered_and_proven_before_unproven() -> None:
    ordered = spare(1, 12 * TB, identity=None, ordered=True, capacity_bytes=12 * TB)
    raw, proven = spare(2, 12 * TB), spare(3, 14 * TB, proven_at=T0)
    failed = spare(4, 12 * TB, failed_at=T0)
    found = usable(ready(ordered, raw, proven, failed), orchard(), T0 + timedelta(days=1))
    assert [s.number for s in found] == [3, 2, 1]


def test_of_two_equal_spares_the_smaller_one_is_used_first() -> None:
    found = usable(ready(spare(1, 20 * TB), spare(2, 12 * TB)), orchard(), T0)
    assert [s.number for s in found] == [2, 1]


def test_a_plan_follows_the_shelf() -> None:
    plan, pool = WindowPlan(), orchard()
    assert plan_with(plan, None, pool, T0) is plan
    assert plan_with(plan, ready(), pool, T0).spare is Spare.NONE
    assert plan_with(plan, ready(spare(1, 8 * TB)), pool, T0).spare is Spare.NONE
    assert plan_with(plan, ready(spare(1, 12 * TB)), pool, T0).spare is Spare.UNPROVEN
    proven = plan_with(plan, ready(spare(1, 12 * TB, proven_at=T0)), pool, T0)
    assert proven.spare is Spare.PROVEN
    assert proven.new_drive is not None
    assert proven.new_drive.drive_class is DriveClass.HARD_DISK
    assert not proven.second_spare


def test_a_proof_that_is_two_years_old_makes_an_unproven_spare() -> None:
    one = ready(spare(1, 12 * TB, proven_at=T0))
    assert plan_with(WindowPlan(), one, orchard(), T0 + timedelta(days=730)).spare is (
        Spare.UNPROVEN
    )


def test_an_ordered_spare_brings_its_day_of_arrival() -> None:
    at = T0 + timedelta(days=3)
    coming = spare(1, None, identity=None, ordered=True, capacity_bytes=12 * TB, arrives_at=at)
    plan = plan_with(WindowPlan(), ready(coming), orchard(), T0)
    assert (plan.spare, plan.arrives_at) == (Spare.ORDERED, at)


def test_a_hot_spare_comes_before_the_shelf() -> None:
    pool = orchard()
    plan = plan_with(WindowPlan(), ready(hot_spares=((pool.pool, 1),)), pool, T0)
    assert (plan.spare, plan.second_spare) == (Spare.IN_PLACE, False)
    with_shelf = ready(spare(1, 12 * TB), hot_spares=((pool.pool, 1),))
    assert plan_with(WindowPlan(), with_shelf, pool, T0).second_spare


def test_what_has_no_fresh_copy_goes_into_the_plan() -> None:
    fresh = CopySeen(name="nas", how=HowKnown.MARKER, fresh_for=timedelta(days=2), copied_at=T0)
    things = (
        Irreplaceable(name="photos", paths=("/a",), bytes=3 * TB),
        Irreplaceable(name="letters", paths=("/b",), bytes=TB, copies=(fresh,)),
    )
    plan = plan_with(WindowPlan(), ready(things=things), orchard(), T0)
    assert plan.without_backup_bytes == 3 * TB
    later = plan_with(WindowPlan(), ready(things=things), orchard(), T0 + timedelta(days=3))
    assert later.without_backup_bytes == 4 * TB
    unknown = (replace(things[0], bytes=None), things[1])
    assert (
        plan_with(WindowPlan(), ready(things=unknown), orchard(), T0).without_backup_bytes is None
    )
    assert plan_with(WindowPlan(), ready(), orchard(), T0).without_backup_bytes is None


@given(
    size=st.integers(7 * TB, 13 * TB),
    more=st.integers(0, TB),
)
def test_a_larger_spare_never_fits_fewer_members(size: int, more: int) -> None:
    def misfits(count: int) -> int:
        one = spare(1, count)
        fit = compare(one, orchard(), identity_of=identity_of, label_of=label_of)
        return len(fit.too_small_for)

    assert misfits(size + more) <= misfits(size)


def test_a_spare_that_fits_one_pool_and_not_another_names_the_other() -> None:
    small = replace(orchard("small"), pool=PoolId("md:small"))
    sizes = {DriveId(x): who(x, 2 * TB) for x in "abc"}
    fine = compare(spare(1, 4 * TB), small, identity_of=sizes.get, label_of=label_of)
    large = compare(spare(1, 4 * TB), orchard(), identity_of=identity_of, label_of=label_of)
    assert say_fits((fine, large)) == "fits all but orchard"


def test_a_drive_is_named_by_the_class_that_failure_rates_know() -> None:
    assert class_of(who("n", 1, protocol=Protocol.NVME)) is DriveClass.NVME
    assert class_of(who("f", 1, medium=Medium.FLASH)) is DriveClass.FLASH
    assert class_of(who("u", 1, medium=Medium.UNKNOWN)) is DriveClass.UNKNOWN


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({}, "not proven"),
        ({"proven_at": T0 - timedelta(days=10)}, "proven {10}, again by {-720}"),
        ({"proven_at": T0 - timedelta(days=730)}, "proven {730}: too long ago, prove it again"),
        ({"failed_at": T0 - timedelta(days=1)}, "did not pass on {1}: not a spare"),
        ({"ordered": True}, "ordered, no date"),
        ({"ordered": True, "arrives_at": T0}, "ordered, arrives {0}"),
        (
            {"ordered": True, "arrives_at": T0 - timedelta(days=2)},
            "ordered, arrives {2} (overdue)",
        ),
    ],
)
def test_what_a_burn_in_is_worth_is_said_with_its_days(more: dict[str, object], words: str) -> None:
    for days in (10, -720, 730, 1, 0, 2):
        words = words.replace(f"{{{days}}}", f"{T0 - timedelta(days=days):%d %b %Y}")
    assert say_proof(spare(1, 8, **more), T0) == words
