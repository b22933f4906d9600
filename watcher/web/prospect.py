"""What is known around a case or a pool: its margin, its window, its choices."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.exposure.estimate import Exposure
from watcher.exposure.figure import say_chance, say_likely
from watcher.facts.identity import BoxId
from watcher.facts.pool import Pool, Protection
from watcher.rules.view import View
from watcher.service.desk import last_view
from watcher.service.prospects import exposure_of
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask
from watcher.web.site import Site

SERVES = timedelta(minutes=1)
"""How long an answer serves; our choice: its times are said to the minute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prospect:
    """An exposure in the words of a page."""

    exposure: Exposure
    earliest: datetime | None
    likely: datetime | None
    latest: datetime | None
    chance: str  # "1 in 900 (1 in 20,000 to 1 in 60)"; "" when none is known


def view_at(site: Site, tx: Transaction, box: BoxId, ask: Ask) -> View | None:
    """Give the last survey of a box with what came before it."""
    return last_view(tx, box, ask.now, site.standing(tx, box))


def is_short(pool: Pool) -> bool:
    """Say whether a pool has not its full margin, and may have it back."""
    return pool.protection in {Protection.THINNED, Protection.BARE, Protection.UNKNOWN}


def prospect_of(site: Site, view: View, pool: Pool, now: datetime) -> Prospect:
    """Compute how long and how likely, anew only after a minute or a survey.

    When the box was not looked at for long, as it was then: a rebuild of which nothing is heard any
    more must not end ever later.
    """
    key = f"exposure {view.survey.box} {pool.pool}"
    kept = site.kept.get(key)
    if kept is not None and kept[1] == view.survey.survey and now - kept[0] < SERVES:
        found: Prospect = kept[2]
        return found
    seen = view.survey.taken_at
    as_of = seen if now - seen > site.terms.late else now
    found = say(exposure_of(view, pool, site.terms.standing.plan, as_of))
    site.keep(key, (now, view.survey.survey, found))
    return found


def say(exposure: Exposure) -> Prospect:
    """Put an exposure into words."""
    window, chance = exposure.window, exposure.chance
    moments: list[datetime | None] = [None, None, None]
    if window is not None:
        moments = [*sorted((window.earliest, window.likely, window.latest))]
    said = ""
    if chance is not None:
        said = say_likely(chance.likely, chance.low, chance.high)
        if exposure.chance_beyond is not None:
            said += f"; of losing {exposure.all_of_it} {say_chance(exposure.chance_beyond)}"
    return Prospect(
        exposure=exposure, earliest=moments[0], likely=moments[1], latest=moments[2], chance=said
    )
