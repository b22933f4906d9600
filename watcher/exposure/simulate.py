"""Many invented lives of one group of drives, beside the closed forms.

The model of Elerath and Pecht (DSN 2007): every slot has drives that fail by a Weibull law and are
restored after a Weibull time; on every standing drive latent defects arise at a constant rate and
are cleared by the next scrub, or when the drive is replaced. Data is lost when more drives are down
than the group bears, or when exactly as many are down as it bears and a standing one has a latent
defect that is older than the failure. Chance is an argument: any object with ``random()``.
"""

from __future__ import annotations

import math
from bisect import insort
from dataclasses import dataclass
from typing import Protocol

from watcher.exposure.intervals import poisson_interval
from watcher.exposure.life import HOURS_PER_YEAR
from watcher.exposure.weibull import Weibull


class Chance(Protocol):
    """A source of chance."""

    def random(self) -> float:
        """Give a number from 0 up to but without 1, each as likely as the other."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A group of like drives as it is simulated."""

    drives: int
    bears: int  # how many may be down with no data lost
    life: Weibull  # hours until a drive fails
    restore: Weibull  # hours until a lost drive is back, waits included
    defects_per_hour: float = 0.0  # new latent defects per drive
    scrub: Weibull | None = None  # hours until a defect is found and cleared; None: never
    age_hours: float = 0.0  # of the drives at the start

    def __post_init__(self) -> None:
        """Check the numbers."""
        if not 0 <= self.bears < self.drives:
            raise ValueError(f"{self.drives} drives cannot bear the loss of {self.bears}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What a simulation counted."""

    groups: int
    hours: float  # of each group
    failures: int
    losses: int  # events; one group may lose data more than once
    losses_first_year: int
    losses_by_drives: int  # those with more drives down than the group bears
    groups_hit: int  # groups that lost data at least once

    def losses_per_thousand(self) -> float:
        """Give the losses per thousand groups over the whole time."""
        return 1000.0 * self.losses / self.groups

    def yearly_interval(self) -> tuple[float, float]:
        """Give the exact 95% interval of a group's yearly rate of losses; from 0 if none seen."""
        years = self.groups * self.hours / HOURS_PER_YEAR
        low, high = poisson_interval(self.losses)
        return low / years, high / years


def simulate(group: Group, *, groups: int, hours: float, chance: Chance) -> Tally:
    """Live through ``groups`` groups for ``hours`` each and count what is lost.

    The same source of chance gives the same tally.
    """
    failures = losses = early = by_drives = hit = 0
    for _ in range(groups):
        down = [_slot(group, hours, chance) for _ in range(group.drives)]
        failed = sum(len(times) for times in down)
        failures += failed
        if failed < max(1, group.bears):
            continue
        defects = [_defects(group, hours, times, chance) for times in down]
        lost = _losses(group, down, defects)
        losses += len(lost)
        early += sum(at < HOURS_PER_YEAR for at, _ in lost)
        by_drives += sum(whole for _, whole in lost)
        hit += bool(lost)
    return Tally(
        groups=groups,
        hours=hours,
        failures=failures,
        losses=losses,
        losses_first_year=early,
        losses_by_drives=by_drives,
        groups_hit=hit,
    )


_Times = list[tuple[float, float]]
"""Begin and end of what lasts, in hours, in order."""


def _draw(law: Weibull, chance: Chance) -> float:
    """Draw a time from a law by its inverse."""
    return law.age_at(chance.random())


def _slot(group: Group, hours: float, chance: Chance) -> _Times:
    """Give when one slot is down; the first drive is as old as the group, later ones are new."""
    times: _Times = []
    at = group.life.age_after(group.age_hours, chance.random()) - group.age_hours
    while at < hours:
        back = at + _draw(group.restore, chance)
        times.append((at, back))
        at = back + _draw(group.life, chance)
    return times


def _defects(group: Group, hours: float, down: _Times, chance: Chance) -> _Times:
    """Give when one slot has latent defects: until a scrub clears them or the drive is replaced."""
    times: _Times = []
    if group.defects_per_hour <= 0:
        return times
    at = -math.log1p(-chance.random()) / group.defects_per_hour
    while at < hours:
        end = hours if group.scrub is None else at + _draw(group.scrub, chance)
        fails = next((begins for begins, _ in down if begins >= at), hours)
        times.append((at, min(end, fails)))
        at += -math.log1p(-chance.random()) / group.defects_per_hour
    return times


def _losses(group: Group, down: list[_Times], defects: list[_Times]) -> list[tuple[float, bool]]:
    """Give when data is lost, and whether by drives alone (True) or by a latent defect."""
    lost: list[tuple[float, bool]] = []
    for slot, times in enumerate(down):
        for at, _ in times:
            others = [
                other
                for other in range(group.drives)
                if other != slot and any(begin < at < end for begin, end in down[other])
            ]
            if len(others) + 1 > group.bears:
                insort(lost, (at, True))
            elif len(others) + 1 == group.bears:
                standing = (n for n in range(group.drives) if n != slot and n not in others)
                if any(begin < at < end for n in standing for begin, end in defects[n]):
                    insort(lost, (at, False))
    return lost
