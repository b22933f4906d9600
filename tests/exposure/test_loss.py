"""The chance that data is lost before the margin is back."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.exposure.brute import by_hand, by_losses
from tests.exposure.pools import fading_life, life, lives, name, parity, pool, ring
from watcher.exposure.chance import more_than
from watcher.exposure.figure import NONE, ONE, Figure
from watcher.exposure.loss import loss_over, pool_without, tree_loss, without
from watcher.exposure.shared import walk_of
from watcher.exposure.span import Span
from watcher.facts.identity import DriveId
from watcher.facts.margin import margin_of
from watcher.facts.pool import Member, MemberState, Noted, Protection, RedundancySet, Remark

P = st.floats(0, 1)


def mirrors(pairs: int, lost: tuple[int, ...] = ()) -> RedundancySet:
    return RedundancySet(
        name="stripe",
        bears=0,
        parts=tuple(parity(2, 1, lost, start=2 * pair) for pair in range(pairs)),
    )


TREES = st.sampled_from(
    [
        parity(4, 1),
        parity(4, 1, (2,)),
        parity(5, 2, (0,)),
        parity(3, 0),
        mirrors(2),
        mirrors(3, (1,)),
        RedundancySet(name="s", bears=0, parts=(parity(3, 1, (0,)), parity(3, 1, start=3))),
        RedundancySet(  # each member on a stripe of two drives
            name="wide",
            bears=1,
            parts=tuple(
                Member(name="w", state=MemberState.GOOD, drives=(name(n), name(n + 1)))
                for n in (0, 2, 4)
            ),
        ),
    ]
)


@settings(max_examples=60, deadline=None)
@given(TREES, st.lists(P, min_size=6, max_size=6), st.lists(P, min_size=6, max_size=6))
def test_equals_the_sum_over_every_combination(
    tree: RedundancySet, fails: list[float], unread: list[float]
) -> None:
    bad = {name(n): fails[n] for n in range(6)}
    dirty = {name(n): unread[n] for n in range(6)}
    assert tree_loss(tree, bad, dirty) == pytest.approx(by_hand(tree, bad, dirty), abs=1e-12)


@given(st.integers(2, 8), st.integers(0, 3), st.lists(P, min_size=8, max_size=8))
def test_one_set_is_the_poisson_binomial_tail_beyond_its_margin(
    count: int, bears: int, fails: list[float]
) -> None:
    if bears >= count:
        return
    bad = {name(n): fails[n] for n in range(count)}
    lost, _ = tree_loss(parity(count, bears), bad, {})
    assert lost == pytest.approx(more_than(fails[:count], bears), abs=1e-13)


def shared_tree() -> RedundancySet:
    """Two members of one mirror on the same drive, as after a careless replacement."""
    parts = tuple(
        Member(name=f"p{n}", state=MemberState.GOOD, drives=(name(drive),))
        for n, drive in enumerate((0, 0, 1))
    )
    return RedundancySet(name="mirror", bears=2, parts=parts)


@given(P, P)
def test_a_drive_that_carries_two_members_takes_both(one: float, other: float) -> None:
    lost, _ = tree_loss(shared_tree(), {name(0): one, name(1): other}, {})
    assert lost == pytest.approx(one * other, abs=1e-12)


@settings(max_examples=30, deadline=None)
@given(st.lists(P, min_size=6, max_size=6), st.integers(0, 5), st.booleans())
def test_a_ring_of_mirrors_with_one_lost_is_exact(
    fails: list[float], lost: int, is_known: bool
) -> None:
    """A slot that md calls removed has no device, and so no drive, behind it."""
    tree = ring(6, lost, is_known=is_known)
    bad = {name(n): fails[n] for n in range(6)}
    dirty = {name(n): 0.1 for n in range(6)}
    assert tree_loss(tree, bad, dirty) == pytest.approx(by_hand(tree, bad, dirty), abs=1e-12)


def tied(*spared: tuple[int, int]) -> RedundancySet:
    """Mirrors of every pair of nine drives but some: more states than are worth their time."""
    parts = parity(9, 1).parts
    sets = tuple(
        RedundancySet(name="pair", bears=1, parts=(parts[a], parts[b]))
        for a, b in combinations(range(9), 2)
        if (a, b) not in spared
    )
    return RedundancySet(name="tied", bears=0, parts=sets)


@settings(max_examples=15, deadline=None)
@given(st.lists(P, min_size=9, max_size=9), st.lists(P, min_size=9, max_size=9))
def test_drives_that_are_tied_together_too_much_are_bounded_from_above(
    fails: list[float], unread: list[float]
) -> None:
    """The answer is never below the truth, and is the truth where every pair is tied."""
    bad = {name(n): fails[n] for n in range(9)}
    dirty = {name(n): unread[n] for n in range(9)}
    some = tied((0, 1), (2, 3), (4, 5))
    assert walk_of(some) is None
    ours, truth = tree_loss(some, bad, dirty), by_losses(some, bad, dirty)
    assert ours[0] >= truth[0] - 1e-12
    assert sum(ours) >= sum(truth) - 1e-12
    every = tree_loss(tied(), bad, dirty)
    assert every == pytest.approx(tree_loss(parity(9, 1), bad, dirty), abs=1e-12)


@given(TREES, st.lists(P, min_size=6, max_size=6), st.integers(0, 5), st.floats(0, 1))
def test_a_worse_drive_never_lowers_the_chance(
    tree: RedundancySet, fails: list[float], which: int, more: float
) -> None:
    dirty = {name(n): 0.1 for n in range(6)}
    bad = {name(n): fails[n] for n in range(6)}
    worse = {**bad, name(which): bad[name(which)] + (1 - bad[name(which)]) * more}
    assert sum(tree_loss(tree, worse, dirty)) >= sum(tree_loss(tree, bad, dirty)) - 1e-12


def total(
    tree: RedundancySet,
    hours: float = 48.0,
    *,
    risk: float = 1.0,
    unread: float = 0.01,
    clustering: Figure = ONE,
    margin: int | None = None,
) -> Figure:
    drives = lives(8, risk=Figure.exactly(risk))
    bad = {drive: Figure.exactly(unread) for drive in drives}
    return loss_over(
        tree, drives, Span.exactly(hours), unread=bad, clustering=clustering, margin=margin
    ).any_data


@given(st.floats(0, 1000), st.floats(0, 1000))
def test_a_longer_window_never_lowers_the_chance(hours: float, more: float) -> None:
    tree = parity(6, 2, (0,))
    assert total(tree, hours + more).likely >= total(tree, hours).likely * (1 - 1e-12)


@given(st.floats(1, 100), st.floats(1, 10))
def test_worse_signs_never_lower_the_chance(risk: float, factor: float) -> None:
    tree = parity(6, 1, (0,))
    worse = total(tree, risk=risk * factor).likely
    assert worse >= total(tree, risk=risk).likely * (1 - 1e-12)


@given(st.floats(1, 1000))
def test_less_margin_never_lowers_the_chance(hours: float) -> None:
    full = total(parity(6, 2), hours).likely
    one = total(parity(6, 2, (0,)), hours).likely
    none = total(parity(6, 2, (0, 1)), hours).likely
    gone = total(parity(6, 2, (0, 1, 2)), hours).likely
    assert full <= one <= none <= gone == 1.0


@given(st.integers(3, 7), st.floats(1, 1000))
def test_more_members_never_lower_the_chance(count: int, hours: float) -> None:
    few = total(parity(count, 1, (0,)), hours).likely
    more = total(parity(count + 1, 1, (0,)), hours).likely
    assert more >= few * (1 - 1e-12)


@given(st.floats(1, 50), st.floats(1, 500))
def test_clustering_never_lowers_the_chance(factor: float, hours: float) -> None:
    tree = parity(6, 1, (0,))
    crowd = total(tree, hours, clustering=Figure.exactly(factor)).likely
    assert crowd >= total(tree, hours).likely * (1 - 1e-12)


def test_a_chance_of_1e_17_survives() -> None:
    """Two drives of four at 1e-9 each: 6e-18, and an unreadable sector at 1e-17."""
    drives = {name(n): 1e-9 for n in range(4)}
    assert tree_loss(parity(4, 1), drives, {})[0] == pytest.approx(6e-18, rel=1e-6)
    dirty = {name(n): 1e-17 for n in range(1, 4)}
    assert tree_loss(parity(4, 1, (0,)), {}, dirty)[1] == pytest.approx(3e-17, rel=1e-6)


def test_unreadable_sectors_heal_while_there_is_margin() -> None:
    dirty = {name(n): 0.5 for n in range(6)}
    assert tree_loss(parity(6, 1), {}, dirty) == (0.0, 0.0)
    assert tree_loss(parity(6, 2, (0,)), {}, dirty) == (0.0, 0.0)
    lost, damaged = tree_loss(parity(6, 1, (0,)), {}, dirty)
    assert (lost, damaged) == (0.0, pytest.approx(1 - 0.5**5))
    _, in_mirror = tree_loss(mirrors(3, (1,)), {}, dirty)
    assert in_mirror == pytest.approx(0.5)  # only the partner of the lost leg must be read


def test_an_unknown_member_counts_as_lost() -> None:
    parts = (
        Member(name="a", state=MemberState.UNKNOWN, drives=(name(0),)),
        Member(name="b", state=MemberState.GOOD, drives=(name(1),)),
    )
    tree = RedundancySet(name="mirror", bears=1, parts=parts)
    assert tree_loss(tree, {name(1): 0.25}, {})[0] == pytest.approx(0.25)


def test_a_drive_nobody_knows_is_no_safer_than_a_known_one() -> None:
    tree, bare = parity(3, 1, (0,)), Span.exactly(100.0)
    known = loss_over(tree, lives(3), bare, unread={}, clustering=ONE)
    unknown = loss_over(tree, {}, bare, unread={}, clustering=ONE)
    assert unknown.any_data.likely >= known.any_data.likely
    assert unknown.any_data.high >= known.any_data.high


def test_a_margin_capped_by_a_remark_counts() -> None:
    """All members good, but some data has a single copy: the next loss costs data."""
    tree = parity(4, 1)
    assert total(tree, margin=0, unread=0.0).likely > 100 * total(tree, unread=0.0).likely
    assert total(tree, margin=1, unread=0.0) == total(tree, unread=0.0)


def test_a_cap_that_the_tree_has_anyway_does_not_lay_its_mirrors_flat() -> None:
    """Three mirrors bear one loss: any two of six drives do not cost data, two of a pair do."""
    assert total(mirrors(3), margin=1) == total(mirrors(3))


def test_a_cap_counts_beside_a_member_that_cannot_be_seen() -> None:
    """Bears two, one unseen, some data with no second copy: one loss costs data, not two."""
    parts = list(parity(6, 2).parts)
    parts[5] = Member(name="m5", state=MemberState.UNKNOWN, drives=(name(5),))
    tree = RedundancySet(name="parity", bears=2, parts=tuple(parts))
    assert margin_of(tree) is None
    assert total(tree, margin=0, unread=0.0).likely == total(parity(5, 0), unread=0.0).likely


@pytest.mark.parametrize("tree", [parity(6, 2, (0,)), mirrors(3, (1,)), ring(6, 2)])
def test_the_chance_is_the_mean_over_the_lengths_of_the_window(tree: RedundancySet) -> None:
    """Forty exact windows, against the few lengths that are computed."""
    bare = Span.about(10, 40, 200)
    bad = {name(n): Figure.exactly(0.05) for n in range(6)}
    crowd = Figure.exactly(10.0)

    def over(span: Span) -> Figure:
        return loss_over(
            tree, lives(6), span, unread=bad, clustering=crowd, since_first_hours=100.0
        ).any_data

    each = [over(Span.exactly(hours)) for hours in bare.values]
    found = over(bare)
    for end in range(3):
        mean = sum(one.ends[end] for one in each) / len(each)
        assert found.ends[end] == pytest.approx(mean, rel=0.005)


def test_a_fading_survivor_dominates() -> None:
    tree, bare = parity(4, 1, (0,)), Span.exactly(48.0)
    drives = {**lives(4), name(2): fading_life(2, 39.0)}
    sound = loss_over(tree, lives(4), bare, unread={}, clustering=ONE).any_data.likely
    fading = loss_over(tree, drives, bare, unread={}, clustering=ONE).any_data.likely
    assert fading / sound == pytest.approx((39 + 2) / 3, rel=0.01)


def test_three_chances_agree_with_each_other() -> None:
    tree, bare = parity(6, 1, (0,)), Span.about(10, 40, 200)
    bad = {name(n): Figure(low=0.001, likely=0.01, high=0.1) for n in range(6)}
    loss = loss_over(tree, lives(6), bare, unread=bad, clustering=ONE)
    assert loss.any_data.likely == pytest.approx(loss.beyond_margin.likely + loss.some_files.likely)
    clean = loss_over(tree, lives(6), bare, unread={}, clustering=ONE)
    assert clean.some_files == NONE


def test_without_takes_a_drive_out_of_every_set() -> None:
    tree = mirrors(2)
    assert margin_of(without(tree, name(3))) == 0
    assert margin_of(without(without(tree, name(3)), name(2))) == -1
    assert without(tree, DriveId("elsewhere")) == tree
    assert life(3).drive == name(3)


def test_tied_drives_with_more_lost_than_the_pool_bears_have_lost_it() -> None:
    gone = without(without(tied(), name(0)), name(1))
    assert walk_of(gone) is None or tree_loss(gone, {}, {}) == (1.0, 0.0)
    assert tree_loss(gone, {}, {}) == (1.0, 0.0)


def test_a_cap_counts_a_drive_with_two_members_once() -> None:
    """Six drives with two members each, held at a margin of one: two drives cost data, not one."""
    parts = tuple(
        Member(name=f"p{n}", state=MemberState.GOOD, drives=(name(n // 2),)) for n in range(12)
    )
    tree = RedundancySet(name="wide", bears=4, parts=parts)
    assert total(tree, margin=1) == total(parity(6, 1))


def test_a_cap_counts_each_drive_once_where_mirrors_share_them() -> None:
    """Some of the data has one copy: any one of the six drives costs data, not any of twelve."""
    assert total(ring(6), margin=0) == total(parity(6, 1), margin=0)


def test_a_cap_above_what_stands_adds_nothing() -> None:
    """A remark's margin of one on a mirror of two whose tree bears one: the tree decides."""
    pair = parity(2, 1)
    assert total(pair, margin=1) == total(pair)
    triple = parity(3, 2)
    assert total(triple, margin=1).likely > total(triple).likely


@pytest.mark.parametrize(
    ("bears", "most", "lost", "expected"),
    [
        (2, None, 0, (Protection.THINNED, 1)),
        (2, 1, 1, (Protection.BARE, 0)),  # one lost, and another not relied on
        (2, 1, 0, (Protection.THINNED, 1)),  # the one that is not relied on is the one that is lost
        (3, 2, 1, (Protection.THINNED, 1)),
        (1, 0, 1, (Protection.BARE, 0)),
    ],
)
def test_with_a_drive_lost_what_is_doubted_is_doubted_still(
    bears: int, most: int | None, lost: int, expected: tuple[Protection, int]
) -> None:
    tree = parity(5, bears)
    member = next(iter(tree.parts))
    assert isinstance(member, Member)
    cap = Protection.THINNED if bears > 1 else Protection.BARE
    doubt = Noted(
        remark=Remark.REFRESH_NEEDED, text="it missed writes", member=member.name, at_most=cap
    )
    before = pool(tree, notes=() if most is None else (doubt,), most=most)
    after = pool_without(before, name(lost))
    assert (after.protection, after.margin) == expected
