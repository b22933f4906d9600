import re
from collections import Counter

import pytest

from tests.store.made import pool
from watcher.facts.margin import judge_pool
from watcher.facts.pool import MemberState, Noted, Pool, Protection, Remark
from watcher.web.blocks import draw_margin


def kinds(one: Pool) -> Counter[str]:
    return Counter(re.findall(r'<(?:rect|path) class="(\w+)"', draw_margin(one)))


def unseen() -> Pool:
    return pool(lost=1, bears=1, state=MemberState.UNKNOWN)


@pytest.mark.parametrize(
    ("lost", "bears", "left", "gone"), [(0, 1, 1, 0), (0, 2, 2, 0), (1, 2, 1, 1), (2, 2, 0, 2)]
)
def test_as_many_whole_blocks_as_drives_can_still_be_lost(
    lost: int, bears: int, left: int, gone: int
) -> None:
    found = kinds(pool(lost=lost, bears=bears))
    assert (found["left"], found["lost"]) == (left, gone)


def test_a_margin_that_is_not_known_is_drawn_as_not_known_and_never_as_whole() -> None:
    one = unseen()
    assert one.protection is Protection.UNKNOWN
    assert kinds(one)["left"] == 0
    assert kinds(one)["unseen"] == 1
    assert "cannot be told" in draw_margin(one)


def test_a_broken_pool_has_no_whole_block() -> None:
    one = pool(lost=3, bears=2)
    assert one.protection is Protection.BROKEN
    assert kinds(one)["left"] == 0
    assert kinds(one)["lost"] == 2


def test_a_pool_without_margin_by_design_has_no_block_at_all() -> None:
    assert set(kinds(pool(bears=0))) == {"stroke"}


def test_a_margin_too_wide_to_draw_is_a_number() -> None:
    assert ">7</text>" in draw_margin(pool(width=9, bears=7))


def test_the_label_says_the_same_and_is_escaped() -> None:
    text = str(draw_margin(pool(lost=1, bears=2)))
    assert 'aria-label="Margin: Can lose 1 more drive of the 2 it was built to lose."' in text
    assert 'role="img"' in text


def test_a_suspended_pool_is_not_drawn_as_well() -> None:
    whole = pool()
    note = Noted(remark=Remark.SUSPENDED, text="stopped", at_most=Protection.BROKEN)
    one = judge_pool(
        pool=whole.pool,
        name="x",
        kind=whole.kind,
        layout=whole.layout,
        observed_at=whole.observed_at,
        tree=whole.tree,
        notes=(note,),
    )
    assert kinds(one)["left"] == 0
