from __future__ import annotations

from datetime import timedelta

from tests.web.stage import COMPARED, REBUILDING, stage_at
from watcher.demo.story import ORCHARD
from watcher.service.desk import last_view
from watcher.service.prospects import exposure_of
from watcher.web.prospect import SERVES, prospect_of, say


def test_a_prospect_says_what_the_exposure_says_in_order() -> None:
    stage = stage_at(COMPARED)
    now = stage.clock.now()
    with stage.store.snapshot() as tx:
        view = last_view(tx, stage.site.box, now)
    assert view is not None
    pool = next(p for p in view.survey.pools if p.pool == ORCHARD)
    exposure = exposure_of(view, pool, stage.site.terms.standing.plan, now)
    found = say(exposure)
    assert exposure.window is not None
    assert found.likely == exposure.window.likely
    assert found.earliest is not None
    assert found.latest is not None
    assert found.earliest <= exposure.window.likely <= found.latest
    assert found.chance.startswith("1 in")


def test_the_same_is_not_computed_twice_within_a_minute_but_anew_after_it() -> None:
    stage = stage_at(COMPARED)
    now = stage.clock.now()
    with stage.store.snapshot() as tx:
        view = last_view(tx, stage.site.box, now)
    assert view is not None
    pool = next(p for p in view.survey.pools if p.pool == ORCHARD)
    first = prospect_of(stage.site, view, pool, now)
    assert prospect_of(stage.site, view, pool, now + timedelta(seconds=30)) is first
    assert prospect_of(stage.site, view, pool, now + SERVES) is not first


def test_the_end_of_a_rebuild_that_nobody_looks_at_any_more_does_not_move_on_by_itself() -> None:
    stage = stage_at(REBUILDING)
    now = stage.clock.now()
    with stage.store.snapshot() as tx:
        view = last_view(tx, stage.site.box, now)
    assert view is not None
    pool = next(p for p in view.survey.pools if p.pool == ORCHARD)
    ends = {
        hours: prospect_of(stage.site, view, pool, now + timedelta(hours=hours)).likely
        for hours in (0, 1, 5, 50)
    }
    assert ends[1] == ends[5] == ends[50]
    assert ends[0] is not None
    assert ends[1] is not None
    assert abs(ends[1] - ends[0]) < timedelta(hours=1)


def test_a_pool_without_a_window_has_no_moments() -> None:
    stage = stage_at(COMPARED)
    now = stage.clock.now()
    with stage.store.snapshot() as tx:
        view = last_view(tx, stage.site.box, now)
    assert view is not None
    whole = next(p for p in view.survey.pools if p.pool != ORCHARD)
    found = prospect_of(stage.site, view, whole, now)
    assert (found.earliest, found.likely, found.latest, found.chance) == (None, None, None, "")
