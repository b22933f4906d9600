"""What is left out when too many surveys wait, and what never is."""

from __future__ import annotations

from dataclasses import replace

from tests.hub.stage import look
from tests.store import made
from watcher.facts.kernel_event import Category
from watcher.hub.thinning import DOUBT, Level, has_weight, pools_mark, thin, without_raw

QUIET = look(1)
NOISE = replace(made.event(), category=Category.NOISE)


def test_a_kernel_event_of_weight_and_a_change_of_a_pool_weigh() -> None:
    mark = pools_mark(QUIET)
    assert not has_weight(look(2), mark)
    assert not has_weight(replace(look(2), events=(NOISE,)), mark)
    assert has_weight(replace(look(2), events=(made.event(),)), mark)
    assert has_weight(look(2, lost=1), mark)
    assert has_weight(look(2), None)


def test_raw_answers_go_first() -> None:
    raw = replace(QUIET, drives=(made.reading(1, raw="all of it"),))
    assert without_raw(raw).drives[0].raw == ""
    assert thin(raw, Level.NO_RAW) == without_raw(raw)
    assert thin(raw, Level.WHOLE) is raw


def test_of_the_bones_events_of_weight_and_pools_stay() -> None:
    whole = replace(look(2, lost=1), events=(NOISE, made.event()))
    bones = thin(whole, Level.BONES)
    assert bones.events == (made.event(),)
    assert bones.pools == whole.pools
    assert bones.drives == ()


def test_a_thinned_survey_claims_to_have_seen_nothing_of_what_was_left_out() -> None:
    bones = thin(QUIET, Level.BONES)
    assert bones.answered == ()
    assert bones.doubts == (DOUBT,)
    assert thin(bones, Level.BONES) == bones
