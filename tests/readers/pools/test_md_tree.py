"""Where the copies lie, and what an array therefore bears."""

from __future__ import annotations

from itertools import combinations

import pytest

from watcher.facts.identity import DriveId
from watcher.facts.margin import full_margin_of, margin_of
from watcher.facts.pool import Member, MemberState
from watcher.readers.pools.md_tree import Copies, copies_of_layout, copy_groups, tree_of


def slots(count: int, *lost: int) -> tuple[Member, ...]:
    return tuple(
        Member(
            name=f"sd{i}",
            state=MemberState.FAILED if i in lost else MemberState.GOOD,
            drives=(DriveId(f"d{i}"),),
        )
        for i in range(count)
    )


@pytest.mark.parametrize(
    ("level", "count", "bears"),
    [
        ("linear", 2, 0),
        ("raid0", 4, 0),
        ("raid1", 2, 1),
        ("raid1", 3, 2),
        ("raid1", 1, 0),
        ("raid4", 4, 1),
        ("raid5", 2, 1),
        ("raid5", 8, 1),
        ("raid6", 4, 2),
        ("raid6", 12, 2),
    ],
)
def test_each_level_bears_what_the_handbook_says(level: str, count: int, bears: int) -> None:
    """Source: md(4), the levels."""
    tree = tree_of(level, slots(count), Copies())
    assert tree is not None
    assert full_margin_of(tree) == bears


def placed(devices: int, copies: Copies, chunks: int = 200) -> set[frozenset[int]]:
    """Place chunk after chunk as md(4) describes the layouts, and note which devices hold one.

    near: the copies of a chunk follow each other across the devices; far: the whole is laid out
    as a stripe, then again with every device's content one further on (by the number of near
    copies); offset does the same stripe by stripe.
    """
    held: set[frozenset[int]] = set()
    for chunk in range(chunks):
        near = [(chunk * copies.near + i) % devices for i in range(copies.near)]
        held.add(
            frozenset(
                (device + far * copies.near) % devices
                for device in near
                for far in range(copies.far)
            )
        )
    return held


@pytest.mark.parametrize("devices", [2, 3, 4, 5, 6, 7, 8])
@pytest.mark.parametrize("copies", [(2, 1), (3, 1), (1, 2), (1, 3), (2, 2)])
def test_copies_lie_where_laying_out_chunks_puts_them(
    devices: int, copies: tuple[int, int]
) -> None:
    how = Copies(near=copies[0], far=copies[1])
    if how.count > devices:
        assert copy_groups(devices, how) == ()
        return
    assert {frozenset(group) for group in copy_groups(devices, how)} == placed(devices, how)


@pytest.mark.parametrize(
    ("devices", "copies"), [(3, (2, 1)), (5, (2, 1)), (4, (1, 2)), (6, (2, 1))]
)
def test_raid10_survives_exactly_what_leaves_a_copy_of_everything(
    devices: int, copies: tuple[int, int]
) -> None:
    how = Copies(near=copies[0], far=copies[1])
    groups = placed(devices, how)
    for count in range(devices + 1):
        for lost in combinations(range(devices), count):
            tree = tree_of("raid10", slots(devices, *lost), how)
            assert tree is not None
            survives = not any(group <= set(lost) for group in groups)
            margin = margin_of(tree)
            assert margin is not None
            assert (margin >= 0) == survives, lost


def test_four_devices_in_near_layout_are_two_pairs() -> None:
    tree = tree_of("raid10", slots(4, 0), Copies(near=2))
    assert tree is not None
    assert [part.name for part in tree.parts] == ["copies 0+1", "copies 2+3"]
    assert margin_of(tree) == 0
    tree = tree_of("raid10", slots(4, 0, 2), Copies(near=2))
    assert tree is not None
    assert margin_of(tree) == 0


@pytest.mark.parametrize(
    ("layout", "copies"),
    [
        (0x102, Copies(near=2, far=1)),
        (0x201, Copies(near=1, far=2)),
        (0x10201, Copies(near=1, far=2)),
        (0x103, Copies(near=3, far=1)),
        (0x20201, Copies(near=1, far=2, far_sets=1)),
    ],
)
def test_the_layout_number_is_taken_apart(layout: int, copies: Copies) -> None:
    """Source: md.rst and mdadm's r10layout: near in the low byte, far in the next, then offset."""
    assert copies_of_layout(layout) == copies


def test_far_copies_in_sets_stay_in_their_set() -> None:
    assert copy_groups(4, Copies(near=1, far=2, far_sets=2)) == ((0, 1), (2, 3))
    assert copy_groups(5, Copies(near=1, far=2, far_sets=2)) == ((0, 1), (2, 3), (3, 4), (4, 2))


@pytest.mark.parametrize("level", ["multipath", "faulty", "raid7", "unknown"])
def test_levels_without_known_redundancy_have_no_tree(level: str) -> None:
    assert tree_of(level, slots(3), Copies()) is None


def test_no_members_or_no_copies_make_no_tree() -> None:
    assert tree_of("raid5", (), Copies()) is None
    assert tree_of("raid10", slots(2), Copies(near=3)) is None
    single = tree_of("raid10", slots(2), Copies(near=2))
    assert single is not None
    assert full_margin_of(single) == 1
