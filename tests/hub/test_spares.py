"""Which drives the shop needs, by size."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.hub.stage import EVERY, NOW, enrol, look, report, shop
from tests.store import made
from watcher.facts.drive import Metric, Verdict
from watcher.facts.identity import BoxId
from watcher.facts.pool import Member, MemberState, RedundancySet, Role
from watcher.facts.readiness import ShelfSpare, ToldReadiness
from watcher.hub.spares import Held, Need, Risk, Stock, beside_the_box, size_lines, stock_of
from watcher.hub.telling import Telling
from watcher.rules.tuning import UNTUNED
from watcher.service.desk import last_view

TB = 10**12
SIGNS = (
    Metric.PENDING_SECTORS,
    Metric.REALLOCATED_SECTORS,
    Metric.REPORTED_UNCORRECTABLE,
    Metric.OFFLINE_UNCORRECTABLE,
)


def need(size: int | None, *, lost: bool = True) -> Need:
    return Need(
        box=BoxId("press"),
        client="Harbour",
        pool="tank",
        label="bay 3",
        least_bytes=size,
        lost=lost,
    )


def spare(number: int, size: int, *, proven: bool = True, ordered: bool = False) -> ShelfSpare:
    return ShelfSpare(
        number=number,
        identity=None if ordered else replace(made.reading(number).identity, capacity_bytes=size),
        capacity_bytes=size,
        added_at=NOW,
        ordered=ordered,
        proven_at=NOW if proven and not ordered else None,
    )


def test_a_place_whose_drive_is_gone_needs_one_as_large_as_what_was_there() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    report(hub, token, look(2, lost=1))
    with hub.store.snapshot() as tx:
        view = last_view(tx, BoxId("press"), NOW + 2 * EVERY)
    assert view is not None
    stock = stock_of(view, "Harbour", UNTUNED)
    (one,) = stock.needs
    assert one.lost
    assert one.least_bytes == made.reading(0).identity.capacity_bytes
    assert len(stock.risks) == 3
    assert all(0 < risk.chance < 0.1 for risk in stock.risks)


def test_a_whole_pool_of_drives_with_no_sign_needs_none() -> None:
    hub = shop()
    report(hub, enrol(hub, "press"), look(1))
    with hub.store.snapshot() as tx:
        view = last_view(tx, BoxId("press"), NOW + EVERY)
    assert view is not None
    assert stock_of(view, "Harbour", UNTUNED).needs == ()


def test_a_drive_whose_signs_say_replace_is_counted_for_the_month() -> None:
    hub = shop()
    token = enrol(hub, "press")
    for number, count in ((1, 0), (2, 4000)):
        survey = look(number)
        bad = replace(
            survey.drives[0],
            verdict=Verdict.FAILING if count else Verdict.PASSED,
            metrics=tuple((metric, count) for metric in SIGNS),
        )
        report(hub, token, replace(survey, drives=(bad, *survey.drives[1:])))
    with hub.store.snapshot() as tx:
        view = last_view(tx, BoxId("press"), NOW + 2 * EVERY)
    assert view is not None
    stock = stock_of(view, "Harbour", UNTUNED)
    assert [(n.lost, n.pool) for n in stock.needs] == [(False, view.survey.pools[0].name)]
    assert len(stock.risks) == 3


def test_spares_are_held_against_the_largest_places_first_and_each_is_used_once() -> None:
    stock = Stock(needs=(need(8 * TB), need(4 * TB), need(4 * TB, lost=False)))
    shelf = (spare(1, 4 * TB), spare(2, 8 * TB), spare(3, 2 * TB))
    large, small = size_lines([stock], shelf, NOW)
    assert (large.size, large.now, large.ready, large.to_get) == ("8 TB", 1, 1, 0)
    assert (small.size, small.now, small.soon, small.ready, small.to_get) == ("4 TB", 1, 1, 1, 1)


def test_a_larger_spare_stands_in_where_no_smaller_one_is_left() -> None:
    (line,) = size_lines([Stock(needs=(need(4 * TB),))], (spare(1, 8 * TB),), NOW)
    assert (line.to_get, line.ready) == (0, 1)


def test_a_spare_with_no_proof_or_on_its_way_is_not_called_proven() -> None:
    stock = Stock(needs=(need(4 * TB), need(4 * TB)))
    shelf = (spare(1, 4 * TB, proven=False), spare(2, 4 * TB, ordered=True))
    (line,) = size_lines([stock], shelf, NOW)
    assert (line.ready, line.unproven, line.to_get) == (0, 2, 0)


def test_the_expected_number_is_the_sum_of_the_chances() -> None:
    """The mean of a sum of Bernoulli counts is the sum of their chances (any textbook)."""
    stock = Stock(risks=tuple(Risk(capacity_bytes=4 * TB, chance=0.01) for _ in range(50)))
    (line,) = size_lines([stock], (), NOW)
    assert line.expected == pytest.approx(0.5)
    assert (line.others, line.to_get) == (50, 0)


def test_a_place_of_unknown_size_is_told_and_no_spare_is_said_to_fit() -> None:
    (line,) = size_lines([Stock(needs=(need(None),))], (spare(1, 8 * TB),), NOW)
    assert (line.size, line.to_get, line.ready) == ("size unknown", 1, 0)


def test_a_hot_spare_that_waits_stands_in_for_one_lost_drive() -> None:
    hub = shop()
    token = enrol(hub, "press")
    survey = look(1, lost=1)
    pool = survey.pools[0]
    waits = Member(
        name="sde", role=Role.SPARE, state=MemberState.SPARE, drives=(made.drive_id(20),)
    )
    report(hub, token, replace(survey, pools=(replace(pool, others=(waits,)),)))
    with hub.store.snapshot() as tx:
        view = last_view(tx, BoxId("press"), NOW + EVERY)
    assert view is not None
    assert stock_of(view, "Harbour", UNTUNED).needs == ()


def test_where_the_lost_drive_is_forgotten_its_largest_peer_says_how_large_it_must_be() -> None:
    hub = shop()
    survey = look(1, lost=1)
    pool = survey.pools[0]
    assert pool.tree is not None
    gone, *rest = pool.tree.parts
    assert isinstance(gone, Member)
    nameless = replace(pool.tree, parts=(replace(gone, drives=()), *rest))
    report(hub, enrol(hub, "press"), replace(survey, pools=(replace(pool, tree=nameless),)))
    with hub.store.snapshot() as tx:
        view = last_view(tx, BoxId("press"), NOW + EVERY)
    assert view is not None
    (one,) = stock_of(view, "Harbour", UNTUNED).needs
    assert one.least_bytes == made.reading(1).identity.capacity_bytes
    assert one.label == gone.name


def test_a_lost_member_that_two_mirrors_share_needs_one_drive() -> None:
    hub = shop()
    survey = look(1, lost=1)
    pool = survey.pools[0]
    assert pool.tree is not None
    parts = pool.tree.parts
    pairs = zip(parts, (*parts[1:], parts[0]), strict=True)
    mirrors = tuple(RedundancySet(name="mirror", bears=1, parts=pair) for pair in pairs)
    ring = replace(pool, tree=RedundancySet(name="ring", bears=0, parts=mirrors))
    report(hub, enrol(hub, "press"), replace(survey, pools=(ring,)))
    with hub.store.snapshot() as tx:
        view = last_view(tx, BoxId("press"), NOW + EVERY)
    assert view is not None
    assert len(stock_of(view, "Harbour", UNTUNED).needs) == 1


def beside(needs: tuple[Need, ...], told: ToldReadiness | None) -> tuple[Held, ...]:
    """What lies beside a box that told this, for each of its needs."""
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1, lost=1))
    if told is not None:
        hub.hear_told(token, Telling(sender="run-1", told=told), NOW)
    with hub.store.snapshot() as tx:
        view = last_view(tx, BoxId("press"), NOW + EVERY)
    assert view is not None
    return tuple(one.held for one in beside_the_box(needs, view))


def test_a_box_that_told_nothing_is_not_said_to_have_an_empty_shelf() -> None:
    assert beside((need(4 * TB),), None) == (Held.NOT_TOLD,)
    assert beside((need(4 * TB),), ToldReadiness()) == (Held.NOTHING,)


def test_spares_at_the_box_are_counted_once_for_what_is_gone_first() -> None:
    shelf = ToldReadiness(shelf=(spare(21, 8 * TB), spare(22, 4 * TB, proven=False)))
    needs = (need(4 * TB, lost=False), need(8 * TB), need(4 * TB))
    assert beside(needs, shelf) == (Held.NOTHING, Held.PROVEN, Held.UNPROVEN)


def test_a_spare_that_is_coming_failed_or_of_no_known_size_is_no_proven_one() -> None:
    coming = spare(21, 8 * TB, ordered=True)
    failed = replace(spare(22, 8 * TB), failed_at=NOW)
    sizeless = replace(spare(23, 8 * TB), capacity_bytes=None)
    assert sizeless.identity is not None
    sizeless = replace(sizeless, identity=replace(sizeless.identity, capacity_bytes=None))
    needs = (need(8 * TB), need(8 * TB))
    told = ToldReadiness(shelf=(coming, failed, sizeless))
    assert beside(needs, told) == (Held.COMING, Held.NOTHING)
    assert beside((need(None),), ToldReadiness(shelf=(spare(21, 8 * TB),))) == (Held.NOTHING,)


def test_a_spare_that_went_into_the_pool_lies_on_the_shelf_no_more() -> None:
    inside = replace(spare(1, 8 * TB), identity=made.reading(1).identity)
    assert beside((need(4 * TB),), ToldReadiness(shelf=(inside,))) == (Held.NOTHING,)


def test_a_place_with_a_spare_at_its_own_box_asks_for_none_of_the_shops_and_no_other_does() -> None:
    held = replace(need(4 * TB), held=Held.PROVEN)
    other = replace(need(4 * TB), box=BoxId("barn"), client="Orchard")
    (line,) = size_lines([Stock(needs=(held,)), Stock(needs=(other,))], (), NOW)
    assert (line.now, line.beside, line.to_get, line.ready) == (2, 1, 1, 0)
    (line,) = size_lines([Stock(needs=(held,)), Stock(needs=(other,))], (spare(1, 4 * TB),), NOW)
    assert (line.beside, line.to_get, line.ready) == (1, 0, 1)
