"""Whether the forecast for a pool got worse between two looks: an observation for a case."""

from __future__ import annotations

from datetime import timedelta

from watcher.exposure.estimate import Exposure
from watcher.exposure.figure import say_chance
from watcher.facts.units import say_span

WORSE_LATER_HOURS, WORSE_LATER_SHARE = 2.0, 0.2
"""A likely end that moved later by both of these is a worsening: our choice."""

WORSE_CHANCE_FACTOR = 2.0
"""A chance of loss that rose by this factor is a worsening: our choice."""


def worsening(before: Exposure, after: Exposure) -> str | None:
    """Say in a sentence how the forecast for one pool got worse, or give None.

    Margin that is lost is no business of this: that is a fact, not a forecast.
    """
    if before.window is None or after.window is None:
        return None
    later = (after.window.likely - before.window.likely).total_seconds() / 3600.0
    planned = (before.window.likely - before.computed_at).total_seconds() / 3600.0
    if later >= WORSE_LATER_HOURS and later >= planned * WORSE_LATER_SHARE:
        moved = say_span(timedelta(hours=later))
        return f"Full margin comes back about {moved} later than forecast before."
    was = before.chance.likely if before.chance else 0.0
    now = after.chance.likely if after.chance else 0.0
    if now > 0 and now >= was * WORSE_CHANCE_FACTOR:
        return f"The chance of losing data rose from {say_chance(was)} to {say_chance(now)}."
    return None
