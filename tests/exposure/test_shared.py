"""Trees whose members share drives, against sums over every loss."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.exposure.brute import by_hand, by_losses
from tests.exposure.pools import name, parity, ring
from watcher.exposure.shared import MOST_STATES, walk_of
from watcher.facts.identity import DriveId
from watcher.facts.pool import Member, MemberState, RedundancySet, members_of
from watcher.readers.pools.md_tree import Copies, tree_of

P = st.one_of(st.sampled_from([0.0, 1.0, 1e-9]), st.floats(0, 1))


@st.composite
def shared_trees(draw: st.DrawFn) -> RedundancySet:
    """Draw a tree up to three levels deep whose members sit on six drives, one or two each."""
    states = st.sampled_from([MemberState.GOOD] * 7 + [MemberState.MISSING, MemberState.UNKNOWN])

    def part(depth: int) -> RedundancySet | Member:
        if depth == 0 or (depth < 3 and draw(st.booleans())):
            on = draw(st.lists(st.integers(0, 5), max_size=2, unique=True))
            return Member(name="m", state=draw(states), drives=tuple(name(n) for n in on))
        count = draw(st.integers(1, 4))
        parts = tuple(part(depth - 1) for _ in range(count))
        return RedundancySet(name="s", bears=draw(st.integers(0, count - 1)), parts=parts)

    whole = part(3)
    assert isinstance(whole, RedundancySet)
    return whole


def given_to(chances: list[float]) -> dict[DriveId, float]:
    return {name(n): chance for n, chance in enumerate(chances)}


SIX = st.lists(P, min_size=6, max_size=6)


@settings(max_examples=80, deadline=None)
@given(shared_trees(), SIX, SIX)
def test_equals_the_sum_over_every_combination(
    tree: RedundancySet, fails: list[float], unread: list[float]
) -> None:
    bad, dirty = given_to(fails), given_to(unread)
    walk = walk_of(tree)
    assert walk is not None
    assert walk.chances(bad, dirty) == pytest.approx(by_hand(tree, bad, dirty), abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(
        [
            Copies(near=2),
            Copies(near=3),
            Copies(far=2),
            Copies(far=3),
            Copies(near=2, far=2),
            Copies(far=2, far_sets=1),
            Copies(far=2, far_sets=2),
        ]
    ),
    st.integers(4, 8),
    st.sets(st.integers(0, 7), max_size=2),
    st.lists(P, min_size=8, max_size=8),
    st.lists(P, min_size=8, max_size=8),
)
def test_every_way_to_place_copies_on_a_software_array_is_exact(
    copies: Copies, count: int, out: set[int], fails: list[float], unread: list[float]
) -> None:
    """Layouts of md(4), RAID10: near, far and offset, also with a number that does not divide."""
    slots = parity(count, 1, tuple(out))
    tree = tree_of("raid10", tuple(m for m in members_of(slots)), copies)
    assert tree is not None
    bad, dirty = given_to(fails[:count]), given_to(unread[:count])
    walk = walk_of(tree)
    assert walk is not None
    assert walk.chances(bad, dirty) == pytest.approx(by_losses(tree, bad, dirty), abs=1e-12)


@pytest.mark.parametrize("count", [5, 6, 12, 24])
def test_a_ring_of_mirrors_stands_as_often_as_no_two_neighbours_are_lost(count: int) -> None:
    """The ways to choose k of n in a circle with no two side by side: n/(n-k) C(n-k, k).

    Source: Kaplansky, Solution of the "probleme des menages", 1943 (from memory).
    """
    chance = 0.1
    ways = [1.0] + [0.0] * count
    for lost in range(1, count // 2 + 1):
        product = 1.0
        for step in range(lost):
            product = product * (count - lost - step) / (step + 1)
        ways[lost] = count / (count - lost) * product
    safe = sum(w * chance**k * (1 - chance) ** (count - k) for k, w in enumerate(ways))
    walk = walk_of(ring(count))
    assert walk is not None
    lost_share, damaged = walk.chances({name(n): chance for n in range(count)}, {})
    assert lost_share == pytest.approx(1 - safe, rel=1e-9)
    assert damaged == 0.0


@pytest.mark.parametrize(("far", "states"), [(2, 19), (3, 99)])
def test_a_longer_ring_has_no_more_states(far: int, states: int) -> None:
    for count in (12, 24):
        tree = tree_of("raid10", tuple(members_of(parity(count, 1))), Copies(far=far))
        assert tree is not None
        walk = walk_of(tree)
        assert walk is not None
        assert max(len(way) for way in walk.ways) == states <= MOST_STATES


def test_what_is_tied_together_too_much_is_given_up() -> None:
    pairs = combinations(parity(9, 1).parts, 2)
    sets = tuple(RedundancySet(name="pair", bears=1, parts=pair) for pair in pairs)
    assert walk_of(RedundancySet(name="all pairs", bears=0, parts=sets)) is None


def test_a_small_chance_is_not_lost_among_large_ones() -> None:
    """Six neighbours at 1e-9 each: 6e-18, which one minus the rest would round away."""
    walk = walk_of(ring(6))
    assert walk is not None
    lost, damaged = walk.chances(
        {name(n): 1e-9 for n in range(6)}, {name(n): 1e-9 for n in range(6)}
    )
    assert (lost, damaged) == (pytest.approx(6e-18, rel=1e-6), pytest.approx(12e-18, rel=1e-6))
