"""A drive is fading while the pool still stands whole: replace it now, how, which first, or wait.

All choices are compared over the same weeks ahead. While the old drive stays in the machine and
its replacement fills beside it (md, ZFS and btrfs can), the margin stays; a drive that is pulled
first opens a window, but of a chosen length: no spare is waited for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.exposure.choices import Choice, ChoiceKind, Ranking, fading, rank
from watcher.exposure.figure import ONE, chance_of_any
from watcher.exposure.life import DriveLife
from watcher.exposure.loss import loss_over, without
from watcher.exposure.rebuild import member_capacity, rebuild_span
from watcher.exposure.span import Span, lasting
from watcher.exposure.standing import Outlook, outlook, unread_chances
from watcher.exposure.window import WindowPlan, spare_span
from watcher.facts.identity import DriveId
from watcher.facts.pool import Pool, PoolKind, RedundancySet

HORIZON_HOURS = 60 * 24.0
"""Choices are compared over sixty days: as far as the published relative risks of signs reach
(Pinheiro et al., FAST 2007)."""

CAN_KEEP_OLD = frozenset({PoolKind.MD, PoolKind.ZFS, PoolKind.BTRFS})
"""Stacks that fill a replacement while the old drive still serves."""

MOST_COMPARED = 2
"""So many of the worst drives are compared; the others wait their turn."""


def choices_while_whole(
    pool: Pool,
    lives: Mapping[DriveId, DriveLife],
    plan: WindowPlan,
    now: datetime,
    *,
    scrub_age_hours: float | None,
    label: Mapping[DriveId, str],
) -> Ranking:
    """Rank what can be done about fading drives; nothing to choose when there are none."""
    worst = fading(lives, pool)[:MOST_COMPARED]
    if not worst or pool.tree is None:
        return Ranking()
    work = _Work(
        pool=pool,
        tree=pool.tree,
        lives=lives,
        plan=plan,
        now=now,
        scrub_age=scrub_age_hours,
        label=label,
        before=outlook(pool, lives, plan, now, scrub_age_hours=scrub_age_hours),
    )
    choices = [work.waiting()]
    for life in worst:
        if life.answers and pool.kind in CAN_KEEP_OLD:
            choices.append(work.keeping(life))
        choices.append(work.pulling(life))
    return rank(choices)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """The figures that all choices of one pool share."""

    pool: Pool
    tree: RedundancySet
    lives: Mapping[DriveId, DriveLife]
    plan: WindowPlan
    now: datetime
    scrub_age: float | None
    label: Mapping[DriveId, str]
    before: Outlook  # as it is

    def _outlook(self, lives: Mapping[DriveId, DriveLife]) -> Outlook:
        return outlook(self.pool, lives, self.plan, self.now, scrub_age_hours=self.scrub_age)

    def _name(self, life: DriveLife) -> str:
        return self.label.get(life.drive, str(life.drive))

    def _renewed(self, life: DriveLife) -> dict[DriveId, DriveLife]:
        """Give the drives once this one has been replaced by a new one of its kind."""
        new = replace(
            life, age_hours=0.0, risk=ONE, pending_sectors=0, wear_percent=None, answers=True
        )
        return {**self.lives, life.drive: new}

    def _filling(self, life: DriveLife) -> Span:
        capacity = member_capacity(self.pool, None, life)
        new = self.plan.new_drive or life
        return rebuild_span(self.pool, self.plan.load, capacity_bytes=capacity, new=new)

    def _waits(self) -> Span:
        reach = Span.about(*self.plan.reach_hours)
        return spare_span(self.plan, self.now).plus(reach)

    def waiting(self) -> Choice:
        """Leave it as it is over the horizon."""
        chance = self.before.chance_within(HORIZON_HOURS)
        failing = self.before.first_loss.likely * HORIZON_HOURS
        return Choice(
            kind=ChoiceKind.WAIT,
            title="Leave it in and wait",
            chance=chance,
            irreplaceable=None,
            hours_bare=failing * self.before.bare_hours,
            through=None,
            costs="nothing now; the moment of the failure is not yours to choose",
        )

    def keeping(self, life: DriveLife) -> Choice:
        """Fill the replacement while the old drive stays in."""
        takes = self._waits().plus(Span.about(*self.plan.swap_hours)).plus(self._filling(life))
        after = self._outlook(self._renewed(life))
        first = min(takes.mean, HORIZON_HOURS)
        chance = chance_of_any(
            (self.before.chance_within(first), after.chance_within(HORIZON_HOURS - first))
        )
        expected = self.before.first_loss.likely * first * self.before.bare_hours
        expected += after.first_loss.likely * (HORIZON_HOURS - first) * after.bare_hours
        return Choice(
            kind=ChoiceKind.REPLACE_KEEPING,
            title=f"Replace {self._name(life)} now and leave it in until its replacement is full",
            chance=chance,
            irreplaceable=None,
            hours_bare=expected,
            through=(self.now + lasting(takes.likely)).astimezone(self.plan.zone),
            costs="a free bay and a new drive",
            drive=life.drive,
        )

    def pulling(self, life: DriveLife) -> Choice:
        """Take the old drive out, then fill its replacement: a window of a chosen length."""
        wait = self._waits()
        bare = Span.about(*self.plan.swap_hours).plus(self._filling(life))
        unread = unread_chances(self.pool, self.lives, scrub_age_hours=self.scrub_age)
        opened = loss_over(
            without(self.tree, life.drive), self.lives, bare, unread=unread, clustering=ONE
        ).any_data
        after = self._outlook(self._renewed(life))
        first = min(wait.mean, HORIZON_HOURS)
        rest = max(0.0, HORIZON_HOURS - first - bare.mean)
        waited = self.before.chance_within(first)
        chance = chance_of_any((waited, opened, after.chance_within(rest)))
        takes = wait.plus(bare)
        return Choice(
            kind=ChoiceKind.REPLACE_PULLING,
            title=f"Pull {self._name(life)} and rebuild onto a new drive",
            chance=chance,
            irreplaceable=None,
            hours_bare=bare.mean,
            through=(self.now + lasting(takes.likely)).astimezone(self.plan.zone),
            costs=f"a new drive, and one margin less for about {bare.likely:.0f} h",
            drive=life.drive,
        )
