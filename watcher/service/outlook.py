"""Forecasts that get worse while a pool lacks margin: kept between surveys, told as a finding.

What was forecast first, and again at each worsening, is kept beside the book. The end of a window
is compared only while a rebuild runs: before that it moves with every day that nobody acts, which
the ladder tells already. Lost margin itself is no business of this; it begins a new comparison.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from watcher.exposure.estimate import Exposure
from watcher.exposure.window import WindowPlan
from watcher.exposure.worsening import worsening
from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import PoolId, about_pool
from watcher.facts.pool import Pool, Protection
from watcher.rules.view import View
from watcher.service.prospects import exposure_of
from watcher.store.transaction import Transaction

RULE: Final = "forecast-worse"
FORECASTS: Final = "forecast/"
"""How the names begin under which forecasts are kept."""

LEAST_CHANCE: Final = 0.01
"""A chance of loss below one in a hundred is not told when it doubles. Our choice: the interval
of such small chances is wider than a doubling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What was forecast for a pool the last time that it was told or got worse."""

    protection: str
    computed_at: datetime
    ends_at: datetime | None  # likely; None while no rebuild runs
    chance: float
    level: int = 0
    sentence: str = ""

    def to_text(self) -> str:
        """Give a form to be stored."""
        ends = self.ends_at.isoformat() if self.ends_at else None
        return json.dumps(
            {
                "protection": self.protection,
                "computed_at": self.computed_at.isoformat(),
                "ends_at": ends,
                "chance": self.chance,
                "level": self.level,
                "sentence": self.sentence,
            }
        )

    @classmethod
    def from_text(cls, text: str) -> Kept | None:
        """Read the stored form; None when it makes no sense, which begins anew."""
        try:
            fields = json.loads(text)
            ends = fields["ends_at"]
            return cls(
                protection=fields["protection"],
                computed_at=datetime.fromisoformat(fields["computed_at"]),
                ends_at=datetime.fromisoformat(ends) if ends else None,
                chance=float(fields["chance"]),
                level=int(fields["level"]),
                sentence=str(fields["sentence"]),
            )
        except (ValueError, KeyError, TypeError):
            return None


def outline(pool: Pool, exposure: Exposure) -> Kept:
    """Boil an exposure down to what is compared."""
    ends = exposure.window.likely if exposure.window is not None else None
    return Kept(
        protection=pool.protection.value,
        computed_at=exposure.computed_at,
        ends_at=ends if exposure.live is not None else None,
        chance=exposure.chance.likely if exposure.chance is not None else 0.0,
    )


def compare(before: Kept | None, now: Kept) -> Kept:
    """Give what is to be kept: the worse one with a sentence and a higher level, or the old one."""
    if before is None or before.protection != now.protection:
        return now
    least = max(before.chance, LEAST_CHANCE / 2)
    said = worsening(
        ends=(before.ends_at, now.ends_at),
        computed_at=before.computed_at,
        chances=(least, now.chance if now.chance >= LEAST_CHANCE else 0.0),
    )
    if said is None:
        if before.ends_at is None and now.ends_at is not None:  # a rebuild began: compare from here
            return Kept(
                protection=now.protection,
                computed_at=now.computed_at,
                ends_at=now.ends_at,
                chance=min(before.chance, now.chance),
                level=before.level,
                sentence=before.sentence,
            )
        return before
    return Kept(
        protection=now.protection,
        computed_at=now.computed_at,
        ends_at=now.ends_at,
        chance=now.chance,
        level=before.level + 1,
        sentence=said,
    )


def follow_forecasts(
    tx: Transaction, view: View, plan: WindowPlan, now: datetime
) -> tuple[Finding, ...]:
    """Compare the forecast of every pool short of margin with what was forecast before."""
    box = view.survey.box
    forecasts = tx.kept_under(box, FORECASTS)
    found = []
    for pool in view.survey.pools:
        if pool.protection not in {Protection.THINNED, Protection.BARE} or not pool.full_margin:
            if pool.protection is Protection.WHOLE and forecasts.get(_name(pool.pool)):
                tx.forget(box, _name(pool.pool))
            continue
        text = forecasts.get(_name(pool.pool))
        before = Kept.from_text(text) if text else None
        kept = compare(before, outline(pool, exposure_of(view, pool, plan, now)))
        if kept != before:
            tx.keep(box, _name(pool.pool), kept.to_text())
        if kept.level:
            found.append(_finding(pool, kept, now))
    return tuple(found)


def _name(pool: PoolId) -> str:
    """Give the name under which a pool's forecast is kept."""
    return f"{FORECASTS}{pool}"


def _finding(pool: Pool, kept: Kept, now: datetime) -> Finding:
    """Say how the forecast got worse."""
    bare = pool.protection is Protection.BARE
    return Finding(
        rule=RULE,
        subject=about_pool(pool.pool),
        label=f"pool {pool.name}",
        urgency=Urgency.TODAY if bare else Urgency.THIS_WEEK,
        sentence=kept.sentence,
        next_step="See what slows it down or what else frets: midwatch exposure names the safest "
        "thing to do now. Copy first what cannot be replaced.",
        observed_at=now,
        evidence=(Evidence(what="compared since", value=f"{kept.computed_at:%Y-%m-%d %H:%M} UTC"),),
        pool=pool.pool,
        level=kept.level,
    )
