"""Rules that put several drives of one pool together."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from watcher.facts.drive import DriveIdentity, Metric
from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import DriveId
from watcher.facts.pool import Pool, Protection
from watcher.facts.units import say_count, say_percent
from watcher.rules.drive import condemns_itself, self_test_found_damage
from watcher.rules.kernel import log_says_media
from watcher.rules.look import Look, looks
from watcher.rules.pool import lost_members, pool_finding, pools
from watcher.rules.risk import HOURS_PER_YEAR, believable_hours
from watcher.rules.rule import Kind, Rule
from watcher.rules.surface import (
    grown_defects,
    sectors_in_doubt,
    sectors_unreadable,
    surface_giving_way,
)
from watcher.rules.tuning import Threshold, Tuning
from watcher.rules.view import View

FADING: Final = (
    condemns_itself,
    self_test_found_damage,
    log_says_media,
    sectors_unreadable,
    sectors_in_doubt,
    surface_giving_way,
    grown_defects,
)
"""Signs of failing of the drive itself; links, heat and habits are not among them."""


def _weight(look: Look) -> Urgency | None:
    """Give the gravest sign of failing of one drive, before margin is looked at."""
    return max((f.urgency for sign in FADING if (f := look.found(sign)) is not None), default=None)


def fading_drives(view: View, tuning: Tuning) -> dict[DriveId, Look]:
    """Give the drives that show a sign of failing that is worth a look; found once per view."""
    known: tuple[Tuning, dict[DriveId, Look]] | None = view.looked.get("fading")
    if known is None or known[0] is not tuning:
        found = {
            look.reading.identity.drive: look
            for look in looks(view, tuning)
            if (weight := _weight(look)) is not None and weight >= Urgency.THIS_WEEK
        }
        known = (tuning, found)
        view.looked["fading"] = known
    return known[1]


_ONE_BY_ONE: Final = (
    "Check today that a copy of what cannot be replaced exists elsewhere. Replace one drive at a "
    "time, the worst first, with the old one left in while the new one is filled where there is a "
    "free place and the pool can do that. Wait until the pool is whole before the next: a rebuild "
    "reads all the others end to end."
)
_BARE_FIRST: Final = (
    "Pull none of them: the pool can lose nothing, and what is left of them may be all there is. "
    "Copy now what cannot be replaced, the dearest first. Then bring back the margin with a new "
    "drive in the place of the one that is out; only in a whole pool are these replaced, one at a "
    "time, the worst first."
)


def fading_together(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools of which more members fade than the pool can lose, and at least two."""
    fading = fading_drives(view, tuning)
    for pool in pools(view):
        own = sorted(d for d in pool.drives & fading.keys() if not view.is_out_of(d, pool))
        margin = pool.margin
        if len(own) < 2 or len(own) <= (margin or 0) or pool.protection is Protection.BROKEN:
            continue
        bears = (
            "how many drives it can lose is not known"
            if margin is None
            else f"it can lose {margin or 'none'}"
        )
        bare = pool.protection is Protection.BARE and bool(pool.full_margin)
        members = tuple(m for m in pool.members if set(m.drives) & set(own))
        yield pool_finding(
            view,
            "fading-together",
            pool,
            urgency=Urgency.NOW if bare else Urgency.TODAY,
            sentence=(
                f"{say_count(len(own), 'drive')} of the pool {pool.name} show signs of failing, "
                f"and {bears}."
            ),
            next_step=_BARE_FIRST if bare else _ONE_BY_ONE,
            evidence=tuple(
                Evidence(
                    what=view.label_of(drive),
                    value=f"{say_percent(fading[drive].chance.p)} chance of failing in 30 days",
                )
                for drive in own
            ),
            level=len(own),
            members=members,
        )


SERIAL_TAIL: Final = Threshold(
    name="serial-characters",
    value=3,
    unit="last characters of the serial number that may differ",
    source="our choice: serial numbers of one lot usually differ at the end",
)
HOURS_APART: Final = Threshold(
    name="hours-apart",
    value=168,
    unit="power-on hours between two drives",
    source="our choice: put to work in the same week and run together since",
)
BATCH_AGE: Final = Threshold(
    name="years",
    value=1,
    unit="years of running",
    source="our choice: before that, drives of one age say little about one lot",
)


def _lot_of(who: DriveIdentity, tail: int) -> tuple[object, ...]:
    """Give what drives of one lot share: model, size, and all but the end of the serial number."""
    return who.model, who.capacity_bytes, len(who.serial), who.serial[: len(who.serial) - tail]


def batch_in(view: View, pool: Pool, tuning: Tuning) -> tuple[DriveId, ...]:
    """Give the drives of a pool that look like one lot: alike, and as old as each other."""
    rule = "same-batch-risk"
    target = view.target_of_pool(pool.pool)
    tail = int(SERIAL_TAIL.of(tuning, rule, target))
    apart = HOURS_APART.of(tuning, rule, target)
    oldest = BATCH_AGE.of(tuning, rule, target) * HOURS_PER_YEAR
    lots: dict[tuple[object, ...], list[tuple[int, DriveId]]] = {}
    for drive in pool.drives:
        reading = view.reading(drive)
        if reading is None or len(reading.identity.serial) <= tail:
            continue
        hours = believable_hours(reading.metric(Metric.POWER_ON_HOURS))
        if hours is not None and hours >= oldest:
            lots.setdefault(_lot_of(reading.identity, tail), []).append((hours, drive))
    batch: set[DriveId] = set()
    for lot in lots.values():
        for (hours, drive), (more, other) in pairwise(sorted(lot)):
            if more - hours <= apart:
                batch.add(drive)
                batch.add(other)
    return tuple(sorted(batch))


def same_batch_risk(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools with more drives of one lot than they can lose.

    A note; ``this-week`` when one of them fades or was lost, since the others may follow.
    """
    fading = fading_drives(view, tuning)
    for pool in pools(view):
        margin = pool.full_margin
        if not margin:
            continue
        batch = batch_in(view, pool, tuning)
        if len(batch) <= margin:
            continue
        lot = frozenset(batch)
        hurt = not lot.isdisjoint(fading) or bool(lost_members(pool))
        members = tuple(m for m in pool.members if not lot.isdisjoint(m.drives))
        yield pool_finding(
            view,
            "same-batch-risk",
            pool,
            urgency=Urgency.THIS_WEEK if hurt else Urgency.NOTE,
            sentence=(
                f"{say_count(len(batch), 'drive')} of the pool {pool.name} seem to come from one "
                "lot and are equally old: they may fail close together."
            ),
            next_step=(
                "Have one more spare ready than usual, and when one is replaced, take its "
                "successor from another lot."
            ),
            evidence=tuple(Evidence(what="one lot", value=view.label_of(drive)) for drive in batch),
            level=2 if hurt else 1,
            members=members,
        )


RULES: Final = (
    Rule(
        name="fading-together",
        kind=Kind.POOL,
        sentence="More members of a pool show signs of failing than it can lose.",
        reads=("signs of failing of all members", "margin"),
        thresholds=(),
        urgency="today; now in a pool that lost its margin. Grows with each drive.",
        what_to_do="Check the backups; replace one drive at a time, the worst first.",
        usual_cause="Drives of one age and one lot, or heat and vibration that they share.",
        quiet_when="Only one member fades, or fewer than the pool can lose; links are not counted.",
        sources=("our choice", "Schroeder and Gibson, FAST 2007: failures cluster"),
        check=fading_together,
    ),
    Rule(
        name="same-batch-risk",
        kind=Kind.POOL,
        sentence="More drives of a pool come from one lot than it can lose.",
        reads=("model", "serial number", Metric.POWER_ON_HOURS.value),
        thresholds=(SERIAL_TAIL, HOURS_APART, BATCH_AGE),
        urgency="to know; this week when one of them fades or was lost.",
        what_to_do="One more spare than usual; successors from another lot.",
        usual_cause="All drives bought together.",
        quiet_when="In their first year, with serial numbers far apart, or with unknown hours.",
        sources=("common practice, no source",),
        check=same_batch_risk,
    ),
)
