from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, timedelta
from itertools import pairwise

import pytest

from tests.store import made
from tests.store.made import survey
from tests.web.browser import Browser
from tests.web.stage import COMPARED, OVER, WORSE, Stage, account, stage_at
from watcher.demo.story import ORCHARD
from watcher.facts.drive import Unread
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection
from watcher.facts.survey import Blindness
from watcher.store.accounts import Role
from watcher.store.database import open_memory
from watcher.web.case_page import MOST_LISTED
from watcher.web.overview import LONGEST_STEP, MOST_LINES, MOST_WITH_STEP, line_of
from watcher.web.words import Clockwork

CLOCK = Clockwork(now=made.NOW, zone=UTC)


def text_of(stage: Stage, path: str = "/") -> str:
    browser = Browser(stage.site)
    browser.sign_in("lou")
    return browser.get(path).text


def with_other_box(stage: Stage, *, whole: bool = True) -> Stage:
    with stage.store.snapshot() as tx:
        last = tx.last_survey(stage.site.box)
    assert last is not None
    pools = tuple(p for p in last.pools if not whole or p.protection is Protection.WHOLE)
    with stage.store.transaction() as tx:
        for number in range(4):
            other = replace(
                last, box=BoxId(f"shed {number}"), survey=f"other {number}", pools=pools, drives=()
            )
            tx.take_survey(other, stage.clock.now())
    return stage


def test_margin_comes_before_everything_else_and_the_least_protected_first() -> None:
    text = text_of(stage_at(COMPARED))
    places = [
        text.index(words) for words in ("orchard</a>", "cellar</a>", "What needs you", "bay 1")
    ]
    assert places == sorted(places)


def test_the_first_page_says_what_is_lost_until_when_and_what_to_do_next() -> None:
    """The four questions of whoever is woken, in their order; the cable before the drive."""
    text = text_of(stage_at(COMPARED))
    places = [
        text.index(words)
        for words in (
            "Can lose 1 more drive of the 2",
            "Full margin proven back likely",
            "nine times in ten before",
            "<b>Next:</b>",
            "Check seat, cable and power of what is out first",
        )
    ]
    assert places == sorted(places)
    window = text.partition("proven back likely")[2].partition("</div>")[0]
    page = text_of(stage_at(COMPARED), f"/pool?pool={ORCHARD}")
    stamps = re.findall(r'datetime="([^"]+)"', window)
    assert len(stamps) == 2
    assert all(stamp in page for stamp in stamps)


def test_a_whole_pool_and_what_is_to_know_have_no_window_and_no_next_step() -> None:
    text = text_of(stage_at(OVER))
    assert "proven back likely" not in text
    assert "Next:" not in text


def test_a_next_step_that_goes_on_says_so() -> None:
    stage = stage_at(WORSE)
    step = "First look at the cable of it. " * 30
    held = made.case(1).held[0]
    long = replace(held, finding=replace(held.finding, next_step=step))
    line = line_of(stage.site, made.BOX, replace(made.case(1), held=(long,)), CLOCK)
    assert LONGEST_STEP - 40 < len(line.next_step) <= LONGEST_STEP + 2
    assert line.next_step.endswith("of it. …")
    calm = replace(held, cleared_at=made.NOW)
    over = line_of(stage.site, made.BOX, replace(made.case(1), held=(calm,)), CLOCK)
    assert over.next_step == ""


def test_a_drive_with_a_sign_a_drive_that_is_gone_and_a_quiet_one_are_drawn_apart() -> None:
    for scenes, kinds in ((WORSE, ("sign", "quiet")), (COMPARED, ("gone", "quiet"))):
        text = text_of(stage_at(scenes))
        for kind in kinds:
            assert f'class="seat {kind}"' in text
    assert "no sign" in text
    assert "healthy" not in text


@pytest.mark.parametrize("more", [0, 11, 300])
def test_of_many_cases_the_most_urgent_stand_there_and_the_rest_is_counted(more: int) -> None:
    stage = stage_at(WORSE)
    store = open_memory(now=stage.clock.now())
    site = replace(stage.site, store=store)
    cases = [made.case(number) for number in range(2, MOST_LINES + 1 + more)]
    grave = made.finding(1, made.NOW, Urgency.NOW)
    first = made.case(1)
    first = replace(first, held=(replace(first.held[0], finding=grave),))
    with store.transaction() as tx:
        tx.save_account(account("lou", Role.LOOK, stage.clock.now()))
        tx.save_book(site.box, made.book(first, *cases, box=site.box, next_case=999))
    text = text_of(replace(stage, site=site))
    assert text.count('<li class="case') == MOST_LINES
    assert text.index("case 1</span>") < text.index("case 2</span>")
    assert text.count("<b>Next:</b>") == MOST_WITH_STEP
    assert (f"{more} cases more</a>, none of them more urgent" in text) is (more > 0)
    listed = text_of(replace(stage, site=site), "/cases")
    assert listed.count('<li class="case') == min(MOST_LINES + more, MOST_LISTED)
    assert re.findall(r"case (\d+)</span>", listed)[0] == "1"
    assert ("There are more than are listed here" in listed) is (MOST_LINES + more > MOST_LISTED)


def test_what_is_to_know_only_does_not_stand_among_what_needs_somebody() -> None:
    text = text_of(stage_at(COMPARED))
    assert "to know</a>" in text
    assert "no full self-test" not in text


@pytest.mark.parametrize("path", ["/", "/cases", "/quiet", f"/pool?pool={ORCHARD}", "/case/3"])
def test_a_box_that_was_not_looked_at_for_long_says_so_before_anything_else(path: str) -> None:
    stage = stage_at(WORSE)
    assert "has not been looked at" not in text_of(stage, path)
    stage.clock.pass_by(timedelta(hours=1))
    text = text_of(stage, path)
    assert text.index("has not been looked at since") < text.index("<h1")
    assert "whatever needs somebody sounds" not in text
    assert "Nothing that we know of" not in text


def test_before_the_first_look_nothing_is_called_absent_or_well() -> None:
    stage = stage_at(WORSE)
    fresh = replace(stage.site, store=open_memory(now=stage.clock.now()))
    with fresh.store.transaction() as tx:
        tx.save_account(account("lou", Role.LOOK, stage.clock.now()))
    text = text_of(replace(stage, site=fresh))
    assert text.index("has not been looked at yet") < text.index("<h1")
    assert "No pool" not in text
    assert "Nothing that we know of" not in text


def test_a_last_look_that_is_dated_ahead_is_not_taken_for_a_fresh_one() -> None:
    """The clock was set back, or forth and back: until it has caught up no age can be told."""
    stage = stage_at(WORSE)
    stage.site.now = lambda: stage.clock.now() - timedelta(hours=5)
    assert "how old this is cannot be told" in text_of(stage)


def test_a_pool_that_does_not_show_any_more_is_shown_as_not_known() -> None:
    """Its stack hides it: what was seen before says nothing about now."""
    stage = stage_at(WORSE)
    blind = Blindness(source="md", why=Unread.GARBLED, detail="unreadable", remedy="look")
    with stage.store.transaction() as tx:
        last = tx.last_survey(stage.site.box)
        assert last is not None
        at = stage.clock.now() + timedelta(minutes=1)
        hidden = replace(last, survey="hidden", taken_at=at, pools=(), blind=(blind,))
        tx.take_survey(hidden, at)
    text = text_of(stage)
    assert "Can lose" not in text
    assert text.count("<p>How many drives it can lose cannot be told.") == 2
    page = text_of(stage, f"/pool?pool={ORCHARD}")
    assert "How many drives it can lose cannot be told." in page
    assert "It did not show in the last look." in page


def test_where_the_stacks_cannot_be_looked_at_no_pool_is_not_called_none() -> None:
    stage = stage_at(WORSE)
    fresh = replace(stage.site, store=open_memory(now=stage.clock.now()))
    blind = Blindness(source="zfs", why=Unread.FORBIDDEN, detail="not root", remedy="be root")
    with fresh.store.transaction() as tx:
        tx.save_account(account("lou", Role.LOOK, stage.clock.now()))
        seen = replace(survey("first", stage.clock.now()), box=fresh.box, blind=(blind,))
        tx.take_survey(seen, stage.clock.now())
    text = text_of(replace(stage, site=fresh))
    assert text.count("No pool that can be seen") == 1
    assert "no redundancy" not in text


def test_with_many_boxes_only_what_says_something_is_shown() -> None:
    text = text_of(with_other_box(stage_at(COMPARED)))
    assert "shed 3" in text
    assert "with no sign" in text
    assert "orchard</a>" in text
    assert 'class="seat quiet"' not in text


def test_one_box_of_many_can_be_looked_at_in_full() -> None:
    stage = with_other_box(stage_at(COMPARED))
    text = text_of(stage, "/?box=attic")
    assert 'class="seat quiet"' in text
    assert "shed 1" not in text


def test_the_overview_is_made_anew_when_there_is_something_new() -> None:
    stage = stage_at(WORSE)
    assert "bay 5" in text_of(stage)
    with stage.store.transaction() as tx:
        at = stage.clock.now() + timedelta(minutes=1)
        tx.take_survey(replace(survey("new", at), box=stage.site.box), at)
    assert "It did not show in the last look." in text_of(stage)


def test_a_box_without_any_drive_says_so() -> None:
    stage = stage_at(WORSE)
    assert "No drive is seen here" not in text_of(stage)
    with stage.store.snapshot() as tx:
        last = tx.last_survey(stage.site.box)
    assert last is not None
    nothing = replace(last, survey="nothing", drives=(), pools=(), unread=())
    with stage.store.transaction() as tx:
        for drive in tx.drives(stage.site.box):
            tx.retire_drive(drive.identity.drive)
        tx.take_survey(nothing, stage.clock.now())
    assert "No drive is seen here." in text_of(stage)


def test_headings_go_down_one_step_at_a_time() -> None:
    """Who listens to a page goes by its headings."""
    for scenes in (WORSE, COMPARED):
        levels = [int(n) for n in re.findall(r"<h([1-6])", text_of(stage_at(scenes)))]
        assert levels[0] == 1
        assert all(b <= a + 1 for a, b in pairwise(levels))
