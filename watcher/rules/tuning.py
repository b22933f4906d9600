"""What an owner changed about the rules: other thresholds, rules switched off, rules of their own.

Pure data. The settings file is checked by ``service/settings.py`` against the catalogue before a
``Tuning`` is built; a name that the catalogue does not have is an error there.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, DriveId, PoolId


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Who a rule looks at, so far as scopes are concerned."""

    box: BoxId
    drive: DriveId | None = None
    serial: str | None = None
    model: str | None = None
    pool: PoolId | None = None
    pool_name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """For whom a change holds. A part that is None holds for all; all None is everywhere."""

    box: BoxId | None = None
    drive: str | None = None  # its serial number, as printed on it, or its id
    model: str | None = None  # as the drive names itself, capitals do not matter
    pool: str | None = None  # its name or its id

    def covers(self, target: Target) -> bool:
        """Tell whether every named part is the target's."""
        return (
            (self.box is None or self.box == target.box)
            and (self.drive is None or self.drive in {target.drive, target.serial})
            and (self.pool is None or self.pool in {target.pool, target.pool_name})
            and (
                self.model is None
                or (target.model is not None and self.model.lower() == target.model.lower())
            )
        )

    @property
    def named(self) -> int:
        """Give how many parts are named: of two changes that both hold, the closer one wins."""
        return sum(part is not None for part in (self.box, self.drive, self.model, self.pool))


EVERYWHERE = Scope()


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """Another value for one threshold of one rule."""

    rule: str
    threshold: str
    value: float
    where: Scope = EVERYWHERE


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedOff:
    """A rule that is not to speak."""

    rule: str
    where: Scope = EVERYWHERE


class Compare(StrEnum):
    """How a rule of the owner's looks at its metric."""

    OVER = "over"  # strictly above the value
    UNDER = "under"  # strictly below the value
    RISES_BY = "rises-by"  # grew by the value or more, within a span


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnRule:
    """A rule that an owner wrote: one metric, one comparison, one sentence."""

    name: str  # kebab-case, not one of the catalogue's
    metric: Metric
    compare: Compare
    value: int
    within: timedelta | None = None  # needed by rises-by, refused by the others
    urgency: Urgency
    sentence: str
    next_step: str = "Do what you had in mind when you wrote this rule."
    where: Scope = EVERYWHERE

    def __post_init__(self) -> None:
        """Refuse a comparison that cannot be made."""
        if (self.compare is Compare.RISES_BY) != (self.within is not None):
            raise ValueError("rises-by needs 'within', and only rises-by has it")
        if self.within is not None and self.within <= timedelta(0):
            raise ValueError("'within' must be longer than nothing")
        if self.compare is Compare.RISES_BY and self.value < 1:
            raise ValueError("rises-by needs a value of at least 1")
        if not (self.name and self.sentence and self.next_step):
            raise ValueError("a rule needs a name, a sentence and a next step")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """All that an owner changed."""

    overrides: tuple[Override, ...] = ()
    off: tuple[SwitchedOff, ...] = ()
    own: tuple[OwnRule, ...] = ()

    def value(self, rule: str, threshold: str, default: float, target: Target) -> float:
        """Give the value of a threshold for a target: the closest override, or the default."""
        best, closest = default, -1
        for change in self.overrides:
            if (
                change.rule == rule
                and change.threshold == threshold
                and change.where.named >= closest
                and change.where.covers(target)
            ):
                best, closest = change.value, change.where.named
        return best

    def is_off(self, rule: str, target: Target) -> bool:
        """Tell whether a rule is switched off for a target."""
        return any(off.rule == rule and off.where.covers(target) for off in self.off)


UNTUNED = Tuning()


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One number that a rule compares with; settings may change it."""

    name: str  # kebab-case, with the unit where the name would not tell it
    value: float
    unit: str  # "sectors", "percent", "hours"; "share" for 0 to 1
    source: str  # published work, a standard, fitted on named data, or common practice

    def of(self, tuning: Tuning, rule: str, target: Target) -> float:
        """Give the value that holds for a target."""
        if not tuning.overrides:
            return self.value
        return tuning.value(rule, self.name, self.value, target)
