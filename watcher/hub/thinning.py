"""What a box leaves out of the surveys that it keeps for its hub, when they become too many.

The oldest detail goes first: the drives' raw answers, then the readings of drives with all that
cannot be understood without them, then whole surveys. A kernel event of weight and a change of a
pool are never left out. What was thinned says so among its doubts and claims to have seen nothing
of what was left out, so that it never looks healthier than the whole.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from enum import IntEnum

from watcher.facts.kernel_event import Category
from watcher.facts.survey import Survey

NOT_WHOLE = "Part of this survey was left out: the hub could not take in the whole."
DOUBT = "Part of this survey was left out while the hub was away: too many waited."


class Level(IntEnum):
    """How far a survey was thinned."""

    WHOLE = 0
    NO_RAW = 1
    BONES = 2  # kernel events of weight and pools only


def pools_mark(survey: Survey) -> str:
    """Give a short text that changes when a pool does."""
    state = [
        (
            pool.pool,
            pool.protection.value,
            pool.margin,
            pool.full_margin,
            pool.said,
            pool.work.kind.value if pool.work is not None else None,
            sorted(pool.drives),
        )
        for pool in sorted(survey.pools, key=lambda pool: pool.pool)
    ]
    return hashlib.sha256(repr(state).encode("utf-8", "replace")).hexdigest()[:16]


def has_weight(survey: Survey, mark_before: str | None) -> bool:
    """Tell whether a survey holds what is never left out.

    That is: a kernel event that is no noise, or pools that are not as they were in the survey that
    was kept before (None: there is none, and then this is what the next are compared with).
    """
    weighty = any(event.category is not Category.NOISE for event in survey.events)
    return weighty or pools_mark(survey) != mark_before


def without_raw(survey: Survey) -> Survey:
    """Leave the drives' raw answers out: they are evidence, and no rule reads them."""
    return replace(survey, drives=tuple(replace(r, raw="") if r.raw else r for r in survey.drives))


def thin(survey: Survey, level: Level, why: str = DOUBT) -> Survey:
    """Leave out what goes at a level; ``why`` is said among its doubts where much goes."""
    if level is Level.WHOLE:
        return survey
    if level is Level.NO_RAW:
        return without_raw(survey)
    if why in survey.doubts:
        return survey
    return replace(
        survey,
        drives=(),
        unread=(),
        blind=(),
        backups=None,
        answered=(),
        events=tuple(e for e in survey.events if e.category is not Category.NOISE),
        doubts=(*survey.doubts, why),
    )
