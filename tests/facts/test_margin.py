"""The margin of a pool, against counting by hand every way to lose drives."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import (
    full_margin_of,
    hangs_on,
    judge_pool,
    margin_of,
    protection_of,
    relied_margin,
    without,
)
from watcher.facts.pool import (
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    members_of,
    worse_of,
)

NOW = datetime(2026, 3, 1, tzinfo=UTC)
Part = RedundancySet | Member


def member(i: int, state: MemberState = MemberState.GOOD, *drives: str) -> Member:
    return Member(name=f"m{i}", state=state, drives=tuple(DriveId(d) for d in drives or (f"d{i}",)))


def flat(count: int, bears: int, lost: int = 0) -> RedundancySet:
    parts = tuple(
        member(i, MemberState.MISSING if i < lost else MemberState.GOOD) for i in range(count)
    )
    return RedundancySet(name="set", bears=bears, parts=parts)


def stands(part: Part, gone: frozenset[DriveId], *, unknown_is_good: bool = True) -> bool:
    """Say whether data survives, straight from the definition: no more parts lost than borne."""
    if isinstance(part, Member):
        up = part.state is MemberState.GOOD
        up = up or (part.state is MemberState.UNKNOWN and unknown_is_good)
        return up and gone.isdisjoint(part.drives)
    fallen = sum(not stands(p, gone, unknown_is_good=unknown_is_good) for p in part.parts)
    return fallen <= part.bears


def counted_margin(tree: RedundancySet, *, unknown_is_good: bool = True) -> int:
    """Give the largest n such that every loss of n drives is survived; -1 when lost already."""
    drives = sorted({d for m in members_of(tree) for d in m.drives})
    for count in range(len(drives) + 1):
        for gone in combinations(drives, count):
            if not stands(tree, frozenset(gone), unknown_is_good=unknown_is_good):
                return count - 1
    raise AssertionError("a pool that bears the loss of everything")


@st.composite
def trees(draw: st.DrawFn, *, shared: bool) -> RedundancySet:
    """Draw a tree two or three levels deep; with ``shared``, members may sit on common drives."""
    states = st.sampled_from(
        [MemberState.GOOD] * 6
        + [MemberState.MISSING, MemberState.FAILED, MemberState.REBUILDING, MemberState.UNKNOWN]
    )
    names = iter(range(1000))

    def leaf() -> Member:
        i = next(names)
        if not shared:
            return member(i, draw(states))
        on = draw(st.lists(st.integers(0, 4), min_size=1, max_size=2, unique=True))
        return member(i, draw(states), *(f"d{k}" for k in on))

    def part(depth: int) -> Part:
        if depth == 0 or (depth < 2 and draw(st.booleans())):
            return leaf()
        count = draw(st.integers(1, 3))
        parts = tuple(part(depth - 1) for _ in range(count))
        return RedundancySet(name="s", bears=draw(st.integers(0, count - 1)), parts=parts)

    whole = part(2)
    return (
        whole
        if isinstance(whole, RedundancySet)
        else RedundancySet(name="s", bears=0, parts=(whole,))
    )


@given(trees(shared=False))
def test_the_margin_is_what_counting_every_loss_gives(tree: RedundancySet) -> None:
    best = counted_margin(tree)
    worst = counted_margin(tree, unknown_is_good=False)
    assert margin_of(tree) == (best if best == worst else None)


@given(trees(shared=True))
def test_the_margin_is_right_where_members_share_drives(tree: RedundancySet) -> None:
    best = counted_margin(tree)
    worst = counted_margin(tree, unknown_is_good=False)
    assert margin_of(tree) == (best if best == worst else None)


def test_copies_that_go_round_many_drives_take_no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A set that bears no loss falls with one part: no combination of its drives need be tried."""
    parts = [member(number) for number in range(24)]
    rings = tuple(
        RedundancySet(
            name="mirror",
            bears=5,
            parts=tuple(parts[(number + more) % 24] for more in range(6)),
        )
        for number in range(24)
    )
    monkeypatch.delattr("watcher.facts.margin._choices")
    tree = RedundancySet(name="ring", bears=0, parts=rings)
    assert (margin_of(tree), full_margin_of(tree)) == (5, 5)


@pytest.mark.parametrize(("bears", "margin"), [(39, 38), (6, 5), (1, 0)])
def test_one_shared_drive_among_many_takes_no_time(bears: int, margin: int) -> None:
    """A mirror of the boot partition over all drives, and one drive with two: seconds doubled."""
    parts = (member(0), *(member(i) for i in range(1, 39)), member(39, MemberState.GOOD, "d0"))
    tree = RedundancySet(name="boot", bears=bears, parts=parts)
    assert (margin_of(tree), full_margin_of(tree)) == (margin, margin)


@given(trees(shared=True), st.randoms(use_true_random=False))
def test_the_order_of_members_does_not_matter(tree: RedundancySet, chance: Any) -> None:
    def mixed(part: Part) -> Part:
        if isinstance(part, Member):
            return part
        parts = [mixed(below) for below in part.parts]
        chance.shuffle(parts)
        return RedundancySet(name=part.name, bears=part.bears, parts=tuple(parts))

    other = mixed(tree)
    assert isinstance(other, RedundancySet)
    assert (margin_of(other), full_margin_of(other)) == (margin_of(tree), full_margin_of(tree))


@given(trees(shared=False), st.integers(0, 26))
def test_losing_one_more_member_never_raises_the_margin(tree: RedundancySet, which: int) -> None:
    names = [m.name for m in members_of(tree)]
    victim = names[which % len(names)]

    def without(part: Part) -> Part:
        if isinstance(part, Member):
            return member(int(part.name[1:]), MemberState.FAILED) if part.name == victim else part
        return RedundancySet(
            name=part.name, bears=part.bears, parts=tuple(without(p) for p in part.parts)
        )

    worse = without(tree)
    assert isinstance(worse, RedundancySet)
    before, after = margin_of(tree), margin_of(worse)
    if before is not None and after is not None:
        assert before - 1 <= after <= before


@pytest.mark.parametrize(
    ("count", "bears", "survives"),
    [
        (2, 1, 1),  # mirror of 2
        (3, 2, 2),  # mirror of 3
        (5, 4, 4),  # mirror of N survives N-1
        (4, 1, 1),  # raidz1
        (6, 2, 2),  # raidz2
        (11, 3, 3),  # raidz3
        (14, 2, 2),  # draid2: one group's parity, any two drives of all
    ],
)
def test_tolerances_are_those_of_the_handbook(count: int, bears: int, survives: int) -> None:
    """Source: zpoolconcepts(7): a mirror of N bears N-1, raidzP and dRAID P bear P."""
    assert full_margin_of(flat(count, bears)) == survives
    for lost in range(survives + 1):
        assert margin_of(flat(count, bears, lost)) == survives - lost
    assert margin_of(flat(count, bears, survives + 1)) == -1


def pairs(*states: MemberState) -> RedundancySet:
    """Make striped mirrors of two."""
    sets = tuple(
        RedundancySet(
            name=f"mirror-{i}",
            bears=1,
            parts=(member(2 * i, states[2 * i]), member(2 * i + 1, states[2 * i + 1])),
        )
        for i in range(len(states) // 2)
    )
    return RedundancySet(name="stripe", bears=0, parts=sets)


G, X = MemberState.GOOD, MemberState.FAILED


@pytest.mark.parametrize(
    ("states", "margin"),
    [
        ((G, G, G, G, G, G), 1),
        (
            (X, G, G, G, G, G),
            0,
        ),  # half the drives could still go, but the next may be the wrong one
        ((X, G, G, X, X, G), 0),
        ((X, X, G, G, G, G), -1),
    ],
)
def test_striped_mirrors_are_as_strong_as_their_weakest_pair(
    states: tuple[MemberState, ...], margin: int
) -> None:
    """Source: md(4), RAID10: data is lost when all copies of a chunk are."""
    assert margin_of(pairs(*states)) == margin


def test_an_unknown_member_that_decides_makes_the_margin_unknown() -> None:
    tree = RedundancySet(name="m", bears=1, parts=(member(0), member(1, MemberState.UNKNOWN)))
    assert margin_of(tree) is None
    assert full_margin_of(tree) == 1


def test_two_members_on_one_drive_fall_together() -> None:
    """A mirror of two partitions of one drive bears nothing."""
    tree = RedundancySet(name="m", bears=1, parts=(member(0, G, "one"), member(1, G, "one")))
    assert full_margin_of(tree) == 0


def judged(tree: RedundancySet | None, *caps: Protection) -> Pool:
    return judge_pool(
        pool=PoolId("md:x"),
        name="md0",
        kind=PoolKind.MD,
        layout="raid6",
        observed_at=NOW,
        tree=tree,
        notes=tuple(Noted(remark=Remark.FROZEN, text="x", at_most=cap) for cap in caps),
    )


@pytest.mark.parametrize(
    ("tree", "caps", "protection", "margin"),
    [
        (flat(5, 2), (), Protection.WHOLE, 2),
        (flat(5, 2, 1), (), Protection.THINNED, 1),
        (flat(5, 2, 2), (), Protection.BARE, 0),
        (flat(5, 2, 3), (), Protection.BROKEN, 0),
        (flat(2, 0), (), Protection.BARE, 0),  # a stripe is bare from its first day
        (None, (), Protection.UNKNOWN, None),
        (flat(5, 2), (Protection.THINNED,), Protection.THINNED, 1),
        (flat(4, 1), (Protection.THINNED,), Protection.BARE, 0),
        (flat(5, 2), (Protection.BARE,), Protection.BARE, 0),
        (flat(5, 2), (Protection.UNKNOWN,), Protection.UNKNOWN, None),
        (flat(5, 2), (Protection.BROKEN, Protection.UNKNOWN), Protection.BROKEN, 0),
        (flat(5, 2, 2), (Protection.UNKNOWN,), Protection.BARE, 0),
    ],
)
def test_protection_follows_from_margin_and_is_only_lowered_by_remarks(
    tree: RedundancySet | None,
    caps: tuple[Protection, ...],
    protection: Protection,
    margin: int | None,
) -> None:
    pool = judged(tree, *caps)
    assert (pool.protection, pool.margin) == (protection, margin)


@given(
    st.integers(1, 6).flatmap(
        lambda n: st.tuples(st.just(n), st.integers(0, n - 1), st.integers(0, n))
    ),
    st.sampled_from(list(Protection)),
)
def test_a_remark_never_makes_a_pool_look_better(
    shape: tuple[int, int, int], cap: Protection
) -> None:
    count, bears, lost = shape
    plain = judged(flat(count, bears, lost)).protection
    capped = judged(flat(count, bears, lost), cap).protection
    assert worse_of(plain, capped) is capped


def test_unknown_margin_is_unknown_protection() -> None:
    assert protection_of(None, 2) is Protection.UNKNOWN
    assert protection_of(1, None) is Protection.UNKNOWN


def test_what_a_tree_hangs_on_is_what_it_cannot_lose() -> None:
    """By trying it: each of these alone loses the tree, and no other does."""

    def part(name: str, state: MemberState = MemberState.GOOD) -> Member:
        return Member(name=name, state=state, drives=(DriveId(name),))

    lone = RedundancySet(name="m", bears=1, parts=(part("a"), part("b", MemberState.FAILED)))
    pair = RedundancySet(name="n", bears=1, parts=(part("c"), part("d")))
    tree = RedundancySet(name="stripe", bears=0, parts=(lone, pair))
    assert [m.name for m in hangs_on(tree)] == ["a"]
    assert hangs_on(pair) == ()
    parity = RedundancySet(name="p", bears=1, parts=(part("a"), part("b"), part("c")))
    assert hangs_on(parity) == ()
    bare = RedundancySet(
        name="p", bears=1, parts=(*parity.parts[:2], part("x", MemberState.FAILED))
    )
    assert [m.name for m in hangs_on(bare)] == ["a", "b"]
    broken = RedundancySet(name="s", bears=0, parts=(part("a"), part("x", MemberState.FAILED)))
    assert hangs_on(broken) == ()


def test_a_tree_hangs_on_no_member_that_is_out_though_its_drive_carries_one_that_stands() -> None:
    stands, out = member(0, MemberState.GOOD, "A"), member(1, MemberState.FAILED, "A")
    assert hangs_on(RedundancySet(name="m", bears=1, parts=(stands, out))) == (stands,)


@given(trees(shared=True), st.frozensets(st.integers(0, 26)), st.integers(0, 2))
def test_doubts_cost_as_much_as_the_same_losses_and_prove_none(
    tree: RedundancySet, which: frozenset[int], less: int
) -> None:
    names = {f"m{i}" for i in which}
    struck = without(tree, names)
    best, worst = (counted_margin(struck, unknown_is_good=good) for good in (True, False))
    found = relied_margin(tree, names, less)
    assert found == (max(best - less, 0) if best == worst else None)


@pytest.mark.parametrize(
    ("lost", "most", "expected"),
    [
        (0, None, (Protection.WHOLE, 3)),
        (0, 3, (Protection.WHOLE, 3)),
        (0, 1, (Protection.THINNED, 1)),
        (2, 2, (Protection.THINNED, 1)),
        (1, 0, (Protection.BARE, 0)),
        (4, 0, (Protection.BROKEN, 0)),
    ],
)
def test_the_margin_is_no_more_than_the_doubts_leave(
    lost: int, most: int | None, expected: tuple[Protection, int]
) -> None:
    pool = judge_pool(
        pool=PoolId("p"),
        name="p",
        kind=PoolKind.ZFS,
        layout="raidz3",
        observed_at=NOW,
        tree=flat(7, 3, lost),
        most=most,
    )
    assert (pool.protection, pool.margin) == expected
    assert pool.full_margin == 3
