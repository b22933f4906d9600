"""Whether the forecast for a pool got worse between two looks: an observation for a case."""

from __future__ import annotations

from datetime import datetime, timedelta

from watcher.exposure.figure import say_alike
from watcher.facts.units import say_span

WORSE_LATER_HOURS, WORSE_LATER_SHARE = 2.0, 0.2
"""A likely end that moved later by both of these is a worsening: our choice."""

WORSE_CHANCE_FACTOR = 2.0
"""A chance of loss that rose by this factor is a worsening: our choice."""


def worsening(
    *,
    ends: tuple[datetime | None, datetime | None],
    computed_at: datetime,
    chances: tuple[float, float],
) -> str | None:
    """Say in a sentence how the forecast for one pool got worse, or give None.

    ``ends`` are the likely ends of the window before and now (None: not to be compared),
    ``computed_at`` is when the one before was computed, ``chances`` the chances of loss before and
    now. Margin that is lost is no business of this: that is a fact, not a forecast.
    """
    before, after = ends
    if before is not None and after is not None:
        later = (after - before).total_seconds() / 3600.0
        planned = (before - computed_at).total_seconds() / 3600.0
        if later >= WORSE_LATER_HOURS and later >= planned * WORSE_LATER_SHARE:
            moved = say_span(timedelta(hours=later))
            return f"Full margin comes back about {moved} later than forecast before."
    was, now = chances
    if now > 0 and now >= was * WORSE_CHANCE_FACTOR:
        before_said, now_said = say_alike(was, now)
        return f"The chance of losing data rose from {before_said} to {now_said}."
    return None
