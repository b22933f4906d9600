from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

from tests.store.made import survey
from tests.web.browser import Browser
from tests.web.stage import COMPARED, WORSE, Stage, stage_at
from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection


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


def test_a_drive_with_a_sign_a_drive_that_is_gone_and_a_quiet_one_are_drawn_apart() -> None:
    for scenes, kinds in ((WORSE, ("sign", "quiet")), (COMPARED, ("gone", "quiet"))):
        text = text_of(stage_at(scenes))
        for kind in kinds:
            assert f'class="seat {kind}"' in text
    assert "no sign" in text
    assert "healthy" not in text


def test_what_is_to_know_only_does_not_stand_among_what_needs_somebody() -> None:
    text = text_of(stage_at(COMPARED))
    assert "to know</a>" in text
    assert "no full self-test" not in text


def test_a_box_that_was_not_looked_at_for_long_says_since_when() -> None:
    stage = stage_at(WORSE)
    assert "Not heard from since" not in text_of(stage)
    stage.clock.pass_by(timedelta(hours=2))
    assert "Not heard from since" in text_of(stage)


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
    assert "No pool" in text_of(stage)


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
