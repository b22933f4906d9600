"""The shop's work list as a page: whole in its cases, and honest about what was not looked at."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

from tests.store import made
from tests.web.browser import Browser
from tests.web.hub_stage import EVERY, HubStage, hub_stage
from watcher.facts.identity import BoxId
from watcher.facts.readiness import ShelfSpare, ToldReadiness
from watcher.hub.spares import Held
from watcher.hub.telling import Telling
from watcher.web.work_list import DUE_WITHIN, Kept, WorkList, gather, lacking


@cache
def shared() -> HubStage:
    return hub_stage()


def gathered(stage: HubStage, kept: Kept | None = None, most_anew: int | None = None) -> WorkList:
    with stage.site.store.snapshot() as tx:
        return gather(stage.site, tx, stage.clock.now(), kept=kept or Kept(), most_anew=most_anew)


def test_the_case_with_the_chance_of_loss_comes_first_of_like_urgency() -> None:
    found = gathered(shared())
    assert [piece.box for piece in found.pieces] == ["barn", "press"]
    assert found.pieces[0].chance is not None


def test_drives_are_counted_by_size_with_what_is_to_get() -> None:
    found = gathered(shared())
    assert [(n.box, n.lost) for n in found.needs] == [("barn", True), ("press", False)]
    large = found.sizes[0]
    assert (large.now, large.soon, large.to_get) == (1, 1, 2)
    assert all("bay" in need.label for need in found.needs)


def test_boxes_that_lack_something_are_named_by_what_they_lack() -> None:
    found = lacking(gathered(shared()))
    assert found
    assert all(one.lacks for boxes in found.values() for one in boxes)


def test_a_box_that_told_of_its_shelf_is_judged_by_it_and_the_others_are_named() -> None:
    stage = hub_stage()
    first = gathered(stage)
    assert {one.box for one in first.untold} == {"press", "archive", "barn"}
    assert {need.held for need in first.needs} == {Held.NOT_TOLD}
    assert "shelf" not in lacking(first)
    (size,) = {need.least_bytes for need in first.needs if need.lost}
    spare = ShelfSpare(
        number=1,
        identity=replace(made.reading(77).identity, capacity_bytes=size),
        added_at=stage.clock.now(),
        proven_at=stage.clock.now(),
    )
    told = Telling(sender="run-barn", told=ToldReadiness(shelf=(spare,)))
    stage.shop.hear_told(stage.tokens["barn"], told, stage.clock.now())
    found = gathered(stage)
    assert {one.box for one in found.untold} == {"press", "archive"}
    assert [need.held for need in found.needs] == [Held.PROVEN, Held.NOT_TOLD]
    assert (found.sizes[0].beside, found.sizes[0].to_get) == (1, 1)
    browser = Browser(stage.site)
    browser.sign_in("sam")
    text = browser.get("/work-list").text
    assert "a proven spare lies there" in text
    assert "Shelf, drills and restores are not told by 2 boxes" in text
    assert "On its own shelf" in browser.get("/ready?box=barn").text
    assert "Not told by this box" in browser.get("/ready?box=press").text


def test_only_what_falls_due_within_two_weeks_is_listed_soonest_first() -> None:
    dues = gathered(shared()).dues
    assert dues
    times = [due.at for _, due in dues]
    assert times == sorted(times)
    assert times[-1] <= shared().clock.now() + DUE_WITHIN


def test_a_page_works_out_so_many_boxes_and_says_how_many_wait() -> None:
    kept = Kept()
    first = gathered(shared(), kept, most_anew=1)
    assert (first.looked, first.waiting) == (1, 2)
    assert len(first.pieces) == 2, "cases are whole all the same"
    assert gathered(shared(), kept, most_anew=1).waiting == 1
    assert gathered(shared(), kept, most_anew=1).waiting == 0
    before = dict(kept.boxes)
    gathered(shared(), kept)
    assert kept.boxes == before, "what is kept serves until there is a new survey"


def test_a_box_that_fell_quiet_or_never_spoke_is_on_the_list() -> None:
    stage = hub_stage()
    stage.pass_time(timedelta(hours=3))
    with stage.site.store.transaction() as tx:
        tx.enrol(BoxId("new"), "Orchard Press", stage.clock.now(), 600)
    found = gathered(stage)
    assert {box.box for box in found.quiet} == {"press", "archive", "barn"}
    assert [box.box for box in found.never] == ["new"]
    browser = Browser(stage.site)
    browser.sign_in("sam")
    text = browser.get("/work-list").text
    assert "what happens there is not seen here" in text
    assert "has sent nothing yet" in text


def test_the_list_is_the_shops_alone() -> None:
    for name, status in (("sam", 200), ("ann", 404), ("orchard", 404)):
        browser = Browser(shared().site)
        browser.sign_in(name)
        assert browser.get("/work-list").status == status, name
        assert ("Work list" in browser.get("/").text) == (name == "sam")


def test_a_new_survey_is_worked_out_anew() -> None:
    stage = hub_stage()
    kept = Kept()
    gathered(stage, kept)
    before = kept.boxes[BoxId("archive")]
    with stage.site.store.snapshot() as tx:
        survey = tx.last_survey(BoxId("archive"))
    assert survey is not None
    stage.pass_time(EVERY)
    stage.report("archive", survey, 9)
    gathered(stage, kept)
    assert kept.boxes[BoxId("archive")].survey != before.survey
