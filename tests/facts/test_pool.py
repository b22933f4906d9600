"""The records of a pool refuse what cannot be, and count what is shared once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    AtStake,
    Member,
    MemberState,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
)

NOW = datetime(2026, 3, 1, tzinfo=UTC)


def member(i: int) -> Member:
    return Member(name=f"m{i}", state=MemberState.GOOD, drives=(DriveId(f"d{i}"),))


def test_a_pool_that_contradicts_itself_is_refused() -> None:
    with pytest.raises(ValueError, match="full margin"):
        Pool(
            pool=PoolId("md:x"), name="x", kind=PoolKind.MD, layout="raid6", observed_at=NOW,
            protection=Protection.WHOLE, full_margin=2, margin=1, at_stake=AtStake.POOL,
        )  # fmt: skip
    with pytest.raises(ValueError, match="no margin"):
        Pool(
            pool=PoolId("md:x"), name="x", kind=PoolKind.MD, layout="raid6", observed_at=NOW,
            protection=Protection.BARE, full_margin=2, margin=1, at_stake=AtStake.POOL,
        )  # fmt: skip


@pytest.mark.parametrize(("bears", "parts"), [(0, 0), (2, 2), (-1, 2)])
def test_a_set_that_cannot_be_is_refused(bears: int, parts: int) -> None:
    with pytest.raises(ValueError, match="parts"):
        RedundancySet(name="s", bears=bears, parts=tuple(member(i) for i in range(parts)))


def test_all_but_a_declared_pool_and_an_old_mirror_of_lvm_can_check_themselves() -> None:
    """lvchange(8) of LVM 2.03.16: "lvchange --syncaction check|repair … LV1 types: raid"."""
    plain = judge_pool(
        pool=PoolId("md:x"),
        name="x",
        kind=PoolKind.MD,
        layout="raid1",
        observed_at=NOW,
        tree=RedundancySet(name="raid1", bears=1, parts=(member(0), member(1))),
    )
    none = {kind for kind in PoolKind if not replace(plain, kind=kind).offers_check}
    assert none == {PoolKind.DECLARED}
    for layout in ("mirror", "linear", "thin-pool"):
        assert not replace(plain, kind=PoolKind.LVM, layout=layout).offers_check
    assert replace(plain, kind=PoolKind.ZFS, layout="mirror").offers_check


def test_a_member_in_two_sets_is_listed_once() -> None:
    """Three devices with two copies each: every device stands in two of the mirrors."""
    a, b, c = member(0), member(1), member(2)
    sets = tuple(RedundancySet(name="m", bears=1, parts=p) for p in ((a, b), (b, c), (c, a)))
    pool = judge_pool(
        pool=PoolId("md:x"),
        name="md0",
        kind=PoolKind.MD,
        layout="raid10",
        observed_at=NOW,
        tree=RedundancySet(name="raid10", bears=0, parts=sets),
    )
    assert pool.in_tree == pool.members == (a, b, c)
    assert (pool.margin, pool.full_margin) == (1, 1)
    assert pool.noted(Remark.FROZEN) is None
    assert len(pool.drives) == 3


def test_a_pool_whose_structure_could_not_be_read_has_the_members_beside_it_and_no_drives() -> None:
    pool = judge_pool(
        pool=PoolId("md:a"),
        name="a",
        kind=PoolKind.MD,
        layout="raid6",
        observed_at=NOW,
        tree=None,
        others=(member(0),),
    )
    assert (pool.members, pool.drives) == ((member(0),), frozenset())


def test_places_of_one_set_that_look_the_same_are_as_many_as_they_are() -> None:
    """Two slots of which nothing is known any more: two are lost, and in their order."""
    nothing = Member(name="removed", state=MemberState.MISSING)
    here = member(1)
    pool = judge_pool(
        pool=PoolId("md:x"),
        name="md0",
        kind=PoolKind.MD,
        layout="raid6",
        observed_at=NOW,
        tree=RedundancySet(name="raid6", bears=2, parts=(nothing, here, nothing, member(3))),
    )
    assert pool.in_tree == (nothing, here, nothing, member(3))
    assert pool.margin == 0
