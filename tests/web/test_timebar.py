from __future__ import annotations

import itertools
import re
from datetime import timedelta
from zoneinfo import ZoneInfo

from tests.web.stage import COMPARED, stage_at
from watcher.demo.story import ORCHARD
from watcher.service.desk import last_view
from watcher.service.prospects import exposure_of
from watcher.web.ask import Ask
from watcher.web.timebar import draw_choice, draw_window, stretches
from watcher.web.words import Clockwork

STAGE = stage_at(COMPARED)
with STAGE.store.snapshot() as _tx:
    _view = last_view(_tx, STAGE.site.box, STAGE.clock.now())
assert _view is not None
EXPOSURE = exposure_of(
    _view,
    next(p for p in _view.survey.pools if p.pool == ORCHARD),
    STAGE.site.terms.standing.plan,
    STAGE.clock.now(),
)
WINDOW = EXPOSURE.window
assert WINDOW is not None
CLOCK = STAGE.site.clockwork(Ask(method="GET", path="/", now=STAGE.clock.now()))


def test_the_parts_follow_one_another_and_the_last_ends_with_the_window() -> None:
    found = stretches(WINDOW)
    assert [s.name for s in found] == [p.step.value for p in WINDOW.parts]
    assert found[0].from_hours == 0
    for one, after in itertools.pairwise(found):
        assert one.to_hours[1] <= after.to_hours[1]
        assert one.begins <= after.begins
    assert found[-1].likely == WINDOW.likely
    assert found[-1].latest == WINDOW.latest
    for one in found:
        assert one.earliest <= one.likely <= one.latest


def test_each_part_is_a_bar_with_a_line_for_its_doubt() -> None:
    drawn = str(draw_window(stretches(WINDOW), CLOCK))
    assert drawn.count('class="bar"') == drawn.count('class="span"') == len(WINDOW.parts)
    label = re.search('aria-label="([^"]*)"', drawn)
    assert label is not None
    assert f"until likely {CLOCK.when(WINDOW.likely)}" in label.group(1)


def test_the_bars_stand_over_days_and_hours_of_whoever_looks() -> None:
    """Read aloud and written below, the times are those of the table beside the bars."""
    for zone in (ZoneInfo("UTC"), ZoneInfo("Asia/Tokyo")):
        clock = Clockwork(now=STAGE.clock.now(), zone=zone)
        drawn = str(draw_window(stretches(WINDOW), clock))
        assert clock.when(WINDOW.likely) in drawn
        assert re.search(r">\d+ (Mar|Apr)<", drawn)
        assert ">now<" in drawn


def test_a_window_of_a_look_long_past_begins_when_that_was() -> None:
    later = Clockwork(now=CLOCK.now + timedelta(hours=3), zone=CLOCK.zone)
    drawn = str(draw_window(stretches(WINDOW), later))
    assert ">now<" not in drawn
    assert f">{later.when(CLOCK.now)}<" in drawn


def test_nothing_is_drawn_of_no_window() -> None:
    assert draw_window((), CLOCK) == ""


def test_the_bar_of_a_choice_is_as_long_as_its_chance() -> None:
    choices = EXPOSURE.ranking.choices
    largest = max(c.measure for c in choices)
    for choice in choices:
        found = re.search(r'width="(\d+)"', str(draw_choice(choice, largest)))
        assert found is not None
        assert abs(int(found.group(1)) - 300 * choice.measure / largest) <= 1
