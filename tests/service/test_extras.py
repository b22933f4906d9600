"""What a message says around its cases, with and without a look at the box."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.cases.build import Desk, finding
from tests.rules.build import TANK, note, pool, reading, view
from watcher.cases.state import Case
from watcher.exposure.window import WindowPlan
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import PoolId, about_pool
from watcher.facts.pool import Protection, RedundancySet, Remark
from watcher.rules.view import View
from watcher.service.extras import GONE_SIGNS, NOT_THERE, extras_of, pool_of_case, watched

GONE = finding("margin-gone", about_pool(TANK), Urgency.NOW, pool=TANK, label="tank")
HOUR = timedelta(hours=1)


def case_of(desk: Desk, *findings: Finding) -> Case:
    """Let a trouble be seen, and give its case."""
    desk.survey(*findings)
    return desk.book.cases[-1]


def over(desk: Desk) -> Case:
    """Let it be seen no more until its case is closed."""
    for _ in range(3):
        desk.now += HOUR
        desk.survey(seen=frozenset({about_pool(TANK)}))
    (case,) = desk.book.cases
    assert case.closed_at is not None
    return case


def whole() -> View:
    return view(pools=(pool("abc", bears=1),))


def test_around_a_pool_without_margin_stand_the_window_and_the_loss() -> None:
    desk = Desk()
    case = case_of(desk, GONE)
    bare = view(*map(reading, "bc"), pools=(pool("abc", bears=1, lost="a"),))
    found = extras_of(case, desk.book, bare, bare.now, WindowPlan())
    assert (found.pool_name, found.protection) == ("tank", Protection.BARE)
    assert found.window is not None
    assert found.loss is not None
    assert (found.proof, found.lasted) == ("", None), "it is not over"


def test_of_a_rebuild_that_cannot_finish_no_plan_is_called_the_safest() -> None:
    desk = Desk()
    case = case_of(desk, GONE)
    for notes, chosen in (((), True), ((note(Remark.CANNOT_FINISH),), False)):
        bare = view(*map(reading, "bc"), pools=(pool("abc", bears=1, lost="a", notes=notes),))
        found = extras_of(case, desk.book, bare, bare.now, WindowPlan())
        assert found.best_choice.startswith("Best plan: ") is chosen
    stalled = replace(GONE, rule="rebuild-stalled")
    case = case_of(Desk(), GONE, stalled)
    bare = view(*map(reading, "bc"), pools=(pool("abc", bears=1, lost="a"),))
    assert extras_of(case, desk.book, bare, bare.now, WindowPlan()).best_choice == ""


def test_an_all_clear_says_what_showed_it_and_how_long_it_lasted() -> None:
    desk = Desk()
    case_of(desk, GONE)
    case = over(desk)
    found = extras_of(case, desk.book, whole(), desk.now, WindowPlan())
    assert found.proof == "tank has all of its members again and its full margin (1 of 1)."
    assert found.lasted is not None
    assert found.window is None


def test_without_a_look_at_the_box_less_is_said_and_nothing_made_up() -> None:
    desk = Desk()
    case = case_of(desk, GONE)
    assert pool_of_case(case, None) is None
    found = extras_of(case, desk.book, None, desk.now, WindowPlan())
    assert (found.pool_name, found.proof, found.is_left) == ("", "", False)
    found = extras_of(over(desk), desk.book, None, desk.now, WindowPlan())
    assert found.proof == GONE_SIGNS
    assert NOT_THERE not in found.proof


def test_the_regular_message_tells_what_is_watched_and_what_is_only_to_know() -> None:
    desk = Desk()
    case_of(desk, finding("runs-warm", urgency=Urgency.NOTE, pool=None))
    assert watched(desk.book, None).drives == 0
    seen = watched(desk.book, view(*map(reading, "abc"), pools=whole().survey.pools))
    assert (seen.drives, [line.name for line in seen.pools]) == (3, ["tank"])
    assert seen.notes == ("bay 3: runs-warm holds",)
    assert seen.open_cases == 0, "the note is counted, and no second time as a case"
    case_of(desk, finding("runs-warm", urgency=Urgency.NOTE, pool=None), finding())
    for box in (None, view(*map(reading, "abc"), pools=whole().survey.pools)):
        assert watched(desk.book, box).open_cases == 1


def test_a_filesystem_on_an_encrypted_array_has_the_margin_of_the_array_in_messages() -> None:
    (array,) = whole().survey.pools
    array = replace(array, node="/dev/md0")
    (one, *_) = array.in_tree
    above = replace(
        array,
        pool=PoolId("btrfs:files"),
        name="files",
        node="/files",
        protection=Protection.BARE,
        margin=0,
        full_margin=0,
        tree=RedundancySet(name="single", bears=0, parts=(replace(one, stands_on=("/dev/md0",)),)),
    )
    desk = Desk()
    seen = view(*map(reading, "abc"), pools=(array, above))
    lines = watched(desk.book, seen).pools
    assert [(p.name, p.protection, p.margin) for p in lines] == [
        ("tank", Protection.WHOLE, 1),
        ("files", Protection.WHOLE, 1),
    ]
    found = pool_of_case(case_of(desk, finding(pool=PoolId("btrfs:files"))), seen)
    assert found is not None
    assert found.protection is Protection.WHOLE


def test_a_case_of_a_drive_knows_its_pool_and_one_of_none_has_none() -> None:
    desk = Desk()
    case = case_of(desk, finding(pool=TANK))
    found = pool_of_case(case, whole())
    assert found is not None
    assert found.pool == TANK
    elsewhere = case_of(Desk(), finding(pool=PoolId("md:elsewhere")))
    assert pool_of_case(elsewhere, whole()) is None
