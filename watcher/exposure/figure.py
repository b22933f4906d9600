"""A number that is known with an interval: a rate, a risk, a chance."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from watcher.facts.units import say_percent


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A number and the interval it lies in; ``low <= likely <= high``, none below zero.

    The interval is what the named source gives (a 95% interval, or the 10th to the 90th per cent
    of a spread); where several are combined, their low ends go together and their high ends go
    together, so that the result is never narrower than its parts.
    """

    low: float
    likely: float
    high: float

    def __post_init__(self) -> None:
        """Check the order and that every number is finite."""
        if not 0.0 <= self.low <= self.likely <= self.high < math.inf:
            raise ValueError(
                f"want 0 <= low <= likely <= high, got {self.low}, {self.likely}, {self.high}"
            )

    @classmethod
    def exactly(cls, value: float) -> Figure:
        """Make a figure with no doubt in it."""
        return cls(low=value, likely=value, high=value)

    @classmethod
    def chance(cls, low: float, likely: float, high: float) -> Figure:
        """Make a chance: puts rounding errors of the last digit back into 0 to 1 and in order."""
        likely = min(max(likely, 0.0), 1.0)
        return cls(low=min(max(low, 0.0), likely), likely=likely, high=min(max(high, likely), 1.0))

    def times(self, other: Figure) -> Figure:
        """Multiply, end with end."""
        return Figure(
            low=self.low * other.low, likely=self.likely * other.likely, high=self.high * other.high
        )

    def scaled(self, factor: float) -> Figure:
        """Multiply by a plain number that is not negative."""
        return Figure(low=self.low * factor, likely=self.likely * factor, high=self.high * factor)

    @property
    def ends(self) -> tuple[float, float, float]:
        """Give low, likely and high in that order."""
        return (self.low, self.likely, self.high)


ONE = Figure(low=1.0, likely=1.0, high=1.0)
"""The factor that changes nothing."""

NONE = Figure(low=0.0, likely=0.0, high=0.0)
"""A chance or a rate of zero, known to be so."""


def chance_of_any(chances: Iterable[Figure]) -> Figure:
    """Give the chance that at least one of several independent things happens."""
    stays = [0.0, 0.0, 0.0]
    for chance in chances:
        for place, value in enumerate(chance.ends):
            stays[place] += math.log1p(-value) if value < 1.0 else -math.inf
    low, likely, high = (-math.expm1(log) for log in stays)
    return Figure.chance(low, likely, high)


def say_chance(chance: float) -> str:
    """Say a chance as a share and, where it is small, as one in so many.

    A chance above zero is never said as zero.
    """
    if chance <= 0.0:
        return "none"
    if chance >= 0.995:
        return "almost certain"
    if chance >= 0.01:
        return say_percent(chance)
    return _one_in(chance)


def say_alike(*chances: float) -> tuple[str, ...]:
    """Say chances that stand beside each other in one manner, so that they can be compared.

    ``1 in 620,000`` beside ``1 in 83``, not beside ``1.2%``; where one of them is one in five or
    more, that one is easier to read as a share.
    """
    small = any(0.0 < chance < 0.01 for chance in chances)
    if small and max(chances) < 0.2:
        return tuple(_one_in(chance) if chance > 0.0 else "none" for chance in chances)
    return tuple(say_chance(chance) for chance in chances)


def say_likely(likely: float, low: float, high: float) -> str:
    """Say a chance and the interval it lies in: ``1 in 550 (1 in 3,000 to 1 in 90)``."""
    middle, least, most = say_alike(likely, low, high)
    return middle if least == most else f"{middle} ({least} to {most})"


def _one_in(chance: float) -> str:
    """Say a chance above zero as one in so many, in two figures."""
    one_in = 1.0 / chance
    if one_in >= 1e6:
        return "less than 1 in a million"
    digits = max(0, int(math.log10(one_in)) - 1)
    return f"1 in {round(one_in / 10**digits) * 10**digits:,}"
