from __future__ import annotations

from dataclasses import replace

import pytest

from tests.store.made import NOW, pool
from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
)
from watcher.facts.standing import as_borne, bearers, where_borne


def array(name: str, *, lost: int = 0, bears: int = 1, first: int = 0) -> Pool:
    return replace(pool(name=name, lost=lost, bears=bears, first_drive=first), node=f"/dev/{name}")


def files(*below: str, notes: tuple[Noted, ...] = ()) -> Pool:
    """A filesystem in an encrypted device on each array."""
    parts = tuple(
        Member(
            name=f"dm-{number}",
            state=MemberState.GOOD,
            node=f"/dev/dm-{number}",
            stands_on=tuple(f"/dev/{name}" for name in names.split("+") if name),
        )
        for number, names in enumerate(below)
    )
    return judge_pool(
        pool=PoolId("btrfs:files"),
        name="files",
        kind=PoolKind.BTRFS,
        layout="single",
        observed_at=NOW,
        tree=RedundancySet(name="single", bears=0, parts=parts),
        notes=notes,
    )


def margin(found: Pool) -> tuple[Protection, int | None, int | None]:
    return found.protection, found.margin, found.full_margin


@pytest.mark.parametrize(
    ("lost", "bears", "is_like"),
    [
        (0, 1, (Protection.WHOLE, 1, 1)),
        (0, 2, (Protection.WHOLE, 2, 2)),
        (1, 2, (Protection.THINNED, 1, 2)),
        (1, 1, (Protection.BARE, 0, 1)),
        (2, 1, (Protection.BROKEN, 0, 1)),
    ],
)
def test_what_stands_on_an_array_stands_as_that_array(
    lost: int, bears: int, is_like: tuple[Protection, int | None, int | None]
) -> None:
    below, above = array("md0", lost=lost, bears=bears), files("md0")
    assert margin(above) == (Protection.BARE, 0, 0)
    assert margin(as_borne(above, (below, above))) == is_like
    assert as_borne(above, (below, above)).tree == above.tree
    assert where_borne(above, (below, above)) is below


def test_what_stands_on_several_arrays_stands_as_the_worst_of_them() -> None:
    first, second = array("md0", bears=2), array("md1", bears=2, lost=2, first=4)
    for above in (files("md0", "md1"), files("md0+md1")):
        pools = (first, second, above)
        assert [p.name for p in bearers(above, pools)] == ["md1", "md0"]
        assert margin(as_borne(above, pools)) == (Protection.BARE, 0, 2)
        both = where_borne(above, pools)
        assert (both.name, both.margin) == ("files", 0)
        assert both.drives == first.drives | second.drives


def test_of_arrays_that_are_whole_the_one_built_to_lose_the_fewest_counts() -> None:
    pools = (array("md0", bears=2), array("md1", first=4), files("md0", "md1"))
    assert margin(as_borne(pools[2], pools)) == (Protection.WHOLE, 1, 1)
    assert where_borne(pools[2], pools).margin == 1


@pytest.mark.parametrize("below", [("md0", ""), ("md0+md9",), ("md9",)])
def test_what_also_stands_elsewhere_has_its_own_margin(below: tuple[str, ...]) -> None:
    pools = (array("md0"), files(*below))
    assert bearers(pools[1], pools) == ()
    assert as_borne(pools[1], pools) is where_borne(pools[1], pools) is pools[1]


def test_an_array_without_margin_bears_nothing() -> None:
    pools = (array("md0", bears=0), files("md0"))
    assert as_borne(pools[1], pools) is pools[1]


def test_what_something_else_holds_down_or_that_bears_a_loss_itself_is_left_as_it_is() -> None:
    note = Noted(remark=Remark.MIXED_PROFILES, text="mixed", at_most=Protection.BARE)
    for above in (files("md0", notes=(note,)), array("md1", lost=1, first=4)):
        assert as_borne(above, (array("md0"), above)) is above
