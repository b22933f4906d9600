"""Over the years: the yearly chance of loss of a pool as it is run now, and by better habits.

Each habit is the same computation with one thing changed. A pool that is not whole is taken as if
it were: this is about how it is run, not about today.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from watcher.exposure.figure import ONE, Figure, say_alike, say_chance
from watcher.exposure.life import (
    CLUSTERING,
    HOURS_PER_YEAR,
    WORN_PERCENT,
    DriveClass,
    DriveLife,
    clustered_hours,
    hazard,
    is_worn,
    kinship,
)
from watcher.exposure.loss import BOUNDED, is_bounded
from watcher.exposure.redundancy import chain
from watcher.exposure.simulate import Chance, Group, Tally, simulate
from watcher.exposure.span import Span
from watcher.exposure.standing import Outlook, life_of, outlook, scrub_age, window_after
from watcher.exposure.unreadable import LATENT_PER_HOUR
from watcher.exposure.weibull import Weibull
from watcher.exposure.window import Spare, WindowPlan
from watcher.facts.identity import DriveId
from watcher.facts.pool import Member, MemberState, Pool, RedundancySet, Role, members_of

MONTH_DAYS = 30.0
"""Days between the scrubs of the habit: about a month."""

SIMULATED_GROUPS = 3000
SIMULATED_YEARS = 10.0
"""Size of the simulation beside the closed form: thirty thousand years of pool life, a fraction of
a second; our choice."""

SAME_FACTOR = 1.05
"""A habit that changes the chance by less than this factor changes nothing worth saying."""


class HabitKind(StrEnum):
    """What could be done differently."""

    PROVEN_SPARE = "proven-spare"
    MONTHLY_SCRUB = "monthly-scrub"
    ONE_MORE_PARITY = "one-more-parity"
    REPLACE_WORN = "replace-worn"


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """One habit and the yearly chance of loss with it."""

    kind: HabitKind
    title: str
    yearly: Figure
    factor: float  # how many times smaller than as it is run now
    costs: str
    kept_already: bool  # the pool is run like this now, or the habit does not apply

    @property
    def sentence(self) -> str:
        """Say what the habit is worth."""
        if self.kept_already:
            return f"{self.title}: this is so already, or does not apply."
        if self.factor < SAME_FACTOR:
            return f"{self.title}: changes next to nothing here ({self.costs})."
        chance = say_chance(self.yearly.likely)
        return f"{self.title}: {chance} a year, {_times(self.factor)} less ({self.costs})."


def _times(factor: float) -> str:
    return f"{factor:.1f} times" if factor < 10 else f"{factor:,.0f} times"


@dataclass(frozen=True, slots=True, kw_only=True)
class Years:
    """What a pool has before it, in the long run."""

    computed_at: datetime
    yearly: Figure  # chance of data loss in a year, as it is run now
    first_loss_yearly: float  # expected drives lost a year
    hours_bare: float  # mean, after each of them
    habits: tuple[Habit, ...]  # the most helpful first, those kept already last
    chain_yearly: float | None  # the textbook chain with like drives, no unreadable sectors
    bounded: bool = False  # the chances are never below the true ones, and may be above
    simulated: Tally | None = None
    simulated_yearly: tuple[float, float] | None = None  # 95% interval of the rate

    @property
    def sentence(self) -> str:
        """Say the chance for the owner."""
        likely, low, high = say_alike(self.yearly.likely, self.yearly.low, self.yearly.high)
        bound = f" {BOUNDED}" if self.bounded else ""
        return (
            f"As it is run now, the chance of losing data is {likely} a year (between {low} and"
            f" {high}).{bound}"
        )


def over_the_years(
    pool: Pool,
    lives: Mapping[DriveId, DriveLife],
    plan: WindowPlan,
    now: datetime,
    *,
    chance: Chance | None = None,
) -> Years:
    """Give the yearly chance of loss as the pool is run now, and what each habit makes of it.

    With ``chance``, a simulation of like drives is run beside it. ValueError when the structure of
    the pool is not known.
    """
    if pool.tree is None:
        raise ValueError(f"the structure of {pool.name} is not known")
    whole = replace(pool, tree=_all_good(pool.tree), work=None)
    before = _outlook(whole, lives, plan, now)
    yearly = before.chance_within(HOURS_PER_YEAR)
    habits = [_habit(kind, whole, lives, plan, now, yearly) for kind in HabitKind]
    habits.sort(key=lambda habit: (habit.kept_already, -habit.factor))
    flat = _flat(whole)
    group = None if flat is None else _group(whole, lives, plan, now, *flat)
    tally = None
    if group is not None and chance is not None and _all_turn(whole, lives):
        hours = SIMULATED_YEARS * HOURS_PER_YEAR
        tally = simulate(group, groups=SIMULATED_GROUPS, hours=hours, chance=chance)
    return Years(
        computed_at=now,
        yearly=yearly,
        first_loss_yearly=before.first_loss.likely * HOURS_PER_YEAR,
        hours_bare=before.bare_hours,
        habits=tuple(habits),
        chain_yearly=None if group is None else _chain_yearly(group),
        bounded=whole.tree is not None and is_bounded(whole.tree),
        simulated=tally,
        simulated_yearly=None if tally is None else tally.yearly_interval(),
    )


def _outlook(
    pool: Pool, lives: Mapping[DriveId, DriveLife], plan: WindowPlan, now: datetime
) -> Outlook:
    """Give the outlook with scrubs as the plan says: in the middle of an interval."""
    return outlook(pool, lives, plan, now, scrub_age_hours=_mean_scrub_age(pool, plan, now))


def _mean_scrub_age(pool: Pool, plan: WindowPlan, now: datetime) -> float | None:
    """Give how long ago everything was read, on the average day; None for never."""
    if plan.scrub_every_days is not None:
        return plan.scrub_every_days * 24.0 / 2.0
    return scrub_age(pool, now)


def _habit(
    kind: HabitKind,
    pool: Pool,
    lives: Mapping[DriveId, DriveLife],
    plan: WindowPlan,
    now: datetime,
    yearly: Figure,
) -> Habit:
    """Compute one habit."""
    kept = False
    match kind:
        case HabitKind.PROVEN_SPARE:
            title, costs = "A proven spare on the shelf", "one drive, tested beforehand"
            kept = plan.spare in {Spare.PROVEN, Spare.IN_PLACE}
            after = _outlook(pool, lives, replace(plan, spare=Spare.PROVEN), now)
        case HabitKind.MONTHLY_SCRUB:
            title, costs = "A scrub every month", "some hours of reading a month"
            kept = plan.scrub_every_days is not None and plan.scrub_every_days <= MONTH_DAYS
            after = _outlook(pool, lives, replace(plan, scrub_every_days=MONTH_DAYS), now)
        case HabitKind.ONE_MORE_PARITY:
            title, costs = "One more parity", "one drive more in every set"
            wider, more = _one_more(pool, lives)
            after = _outlook(wider, more, plan, now)
        case HabitKind.REPLACE_WORN:
            title = f"Replacing flash drives at {WORN_PERCENT:.0f}% wear"
            costs = "new drives somewhat earlier"
            kept = not any(is_worn(life_of(lives, drive)) for drive in pool.drives)
            after = _outlook(pool, {d: _renewed(life) for d, life in lives.items()}, plan, now)
    if kept:
        return Habit(
            kind=kind, title=title, yearly=yearly, factor=1.0, costs=costs, kept_already=True
        )
    better = after.chance_within(HOURS_PER_YEAR)
    factor = yearly.likely / better.likely if better.likely > 0 else 1.0
    return Habit(
        kind=kind, title=title, yearly=better, factor=factor, costs=costs, kept_already=False
    )


def _renewed(life: DriveLife) -> DriveLife:
    """Give a worn drive replaced by a new one, and any other as it is."""
    return replace(life, wear_percent=0.0, age_hours=0.0, risk=ONE) if is_worn(life) else life


def _all_good(tree: RedundancySet) -> RedundancySet:
    """Give the tree as it was built."""
    parts = tuple(
        _all_good(part)
        if isinstance(part, RedundancySet)
        else replace(part, state=MemberState.GOOD)
        for part in tree.parts
    )
    return replace(tree, parts=parts)


def _one_more(
    pool: Pool, lives: Mapping[DriveId, DriveLife]
) -> tuple[Pool, dict[DriveId, DriveLife]]:
    """Give the pool with one more drive, and one more that may be lost, in every innermost set."""
    added: dict[DriveId, DriveLife] = {}

    def widen(tree: RedundancySet, path: str) -> RedundancySet:
        inner = [part for part in tree.parts if isinstance(part, RedundancySet)]
        if inner:
            parts = tuple(
                widen(part, f"{path}.{place}") if isinstance(part, RedundancySet) else part
                for place, part in enumerate(tree.parts)
            )
            return replace(tree, parts=parts)
        like = next(iter(members_of(tree)))
        new = DriveId(f"one-more{path}")
        if like.drives:
            added[new] = replace(life_of(lives, like.drives[0]), drive=new)
        extra = Member(
            name=str(new),
            state=MemberState.GOOD,
            role=Role.PARITY,
            drives=(new,),
            capacity_bytes=like.capacity_bytes,
        )
        return replace(tree, parts=(*tree.parts, extra), bears=tree.bears + 1)

    assert pool.tree is not None  # noqa: S101 - the caller has looked
    return replace(pool, tree=widen(pool.tree, "")), {**lives, **added}


def _flat(pool: Pool) -> tuple[int, int] | None:
    """Give drives and how many may be lost, of a pool that is one plain set; None otherwise."""
    tree = pool.tree
    if tree is None or any(isinstance(part, RedundancySet) for part in tree.parts):
        return None
    return (len(tree.parts), tree.bears) if len(pool.drives) == len(tree.parts) else None


def _all_turn(pool: Pool, lives: Mapping[DriveId, DriveLife]) -> bool:
    """Tell whether no drive is flash: the simulation's latent defects are those of disks."""
    flash = {DriveClass.FLASH, DriveClass.NVME}
    return all(life_of(lives, drive).drive_class not in flash for drive in pool.drives)


def _group(
    pool: Pool,
    lives: Mapping[DriveId, DriveLife],
    plan: WindowPlan,
    now: datetime,
    drives: int,
    bears: int,
) -> Group:
    """Give like drives for the simulation: the mean hazard, the clustered window, the scrubs."""
    known = [life_of(lives, drive) for drive in sorted(pool.drives)]
    rate = sum(hazard(life).likely for life in known) / len(known)
    window: Span = window_after(pool, lives, plan, now, known[0].drive)
    crowd = CLUSTERING[kinship(known)].likely
    age = _mean_scrub_age(pool, plan, now)
    scrub = None if age is None else Weibull(shape=3.0, scale=max(1.0, age / math.gamma(4.0 / 3.0)))
    mean = max(0.1, clustered_hours(window.mean, 0.0, crowd))
    return Group(
        drives=drives,
        bears=bears,
        life=Weibull(shape=1.0, scale=1.0 / rate),
        restore=Weibull(shape=2.0, scale=mean / math.gamma(1.5)),
        defects_per_hour=LATENT_PER_HOUR.likely,
        scrub=scrub,
    )


def _chain_yearly(group: Group) -> float:
    """Give the yearly chance of loss by the textbook chain: drives alone, clustered windows."""
    mttdl = chain(group.life.mean, group.restore.mean, group.drives, group.bears)
    return -math.expm1(-HOURS_PER_YEAR / mttdl)
