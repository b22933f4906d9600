"""A length of time that is not known exactly: forty equally likely lengths, in hours.

Lengths are added by adding every value of the one to every value of the other and thinning the
result back to forty by taking means of neighbours. That is exact for the mean, needs no chance
and no formula for the shape, and gives the same answer every time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from statistics import NormalDist, fmean

VALUES = 40
"""How many equally likely lengths stand for a distribution; our choice: one per cent exact."""

LONGEST_HOURS = 100 * 8766.0
"""A hundred years: what takes longer is said to take so long, for a calendar ends. Sizes and speeds
that were misread make such lengths."""

_EARLIEST, _LIKELY, _LATEST = 0.1, 0.5, 0.9
_Z90 = NormalDist().inv_cdf(0.9)
_STEPS = tuple(NormalDist().inv_cdf((i + 0.5) / VALUES) for i in range(VALUES))


@dataclass(frozen=True, slots=True)
class Span:
    """A length of time in hours, as equally likely values in rising order."""

    values: tuple[float, ...]

    def __post_init__(self) -> None:
        """Check that there is something in it, in order, and nothing below zero."""
        if not self.values or self.values[0] < 0 or not math.isfinite(self.values[-1]):
            raise ValueError("a span needs finite lengths that are not negative")
        if any(a > b for a, b in zip(self.values, self.values[1:], strict=False)):
            raise ValueError("the lengths of a span must rise")

    @classmethod
    def exactly(cls, hours: float) -> Span:
        """Make a span with no doubt in it."""
        return cls((hours,))

    @classmethod
    def about(cls, earliest: float, likely: float, latest: float) -> Span:
        """Make a span from its 10%, 50% and 90% points, in hours.

        Log-normal on either side of the middle, each side with its own width; normal and cut at
        zero on the lower side when ``earliest`` is zero, and normal beyond the 90% point, so that
        a wide guess does not grow an endless tail.
        """
        if not 0 <= earliest <= likely <= latest:
            raise ValueError(f"want 0 <= {earliest} <= {likely} <= {latest}")
        if earliest == latest:
            return cls.exactly(likely)
        return cls(_points(earliest, likely, latest))

    def plus(self, other: Span) -> Span:
        """Add two independent lengths, one after the other."""
        if len(other.values) == 1:
            add = other.values[0]
            return Span(tuple(value + add for value in self.values))
        if len(self.values) == 1:
            return other.plus(self)
        return Span(_sum(self.values, other.values))

    def times(self, factor: float) -> Span:
        """Stretch or shrink by a factor that is not negative."""
        return Span(tuple(value * factor for value in self.values))

    def or_else(self, other: Span, share: float) -> Span:
        """Give the length when, with chance ``share``, it is ``other`` instead of this."""
        if share <= 0:
            return self
        fine = VALUES * 5
        taken = min(fine, max(1, round(fine * share)))
        kept = fine - taken
        mixed = [self.quantile((i + 0.5) / kept) for i in range(kept)]
        mixed += [other.quantile((i + 0.5) / taken) for i in range(taken)]
        return Span(_thin(sorted(mixed)))

    def quantile(self, share: float) -> float:
        """Give the length that is not passed with chance ``share`` (0 to 1), in hours."""
        count = len(self.values)
        place = share * count - 0.5
        if place <= 0:
            return self.values[0]
        if place >= count - 1:
            return self.values[-1]
        below = int(place)
        part = place - below
        return self.values[below] + (self.values[below + 1] - self.values[below]) * part

    def nodes(self, count: int) -> tuple[float, ...]:
        """Give ``count`` equally likely lengths with the same mean, for averaging over it."""
        size = len(self.values)
        if size <= count:
            return self.values
        if size % count:
            return tuple(self.quantile((i + 0.5) / count) for i in range(count))
        step = size // count
        return tuple(fmean(self.values[i : i + step]) for i in range(0, size, step))

    @property
    def earliest(self) -> float:
        """The length that is undercut one time in ten, in hours."""
        return self.quantile(_EARLIEST)

    @property
    def likely(self) -> float:
        """The middle length: as often shorter as longer, in hours."""
        return self.quantile(_LIKELY)

    @property
    def latest(self) -> float:
        """The length that is passed one time in ten, in hours."""
        return self.quantile(_LATEST)

    @property
    def mean(self) -> float:
        """The mean length, in hours."""
        return fmean(self.values)


def lasting(hours: float) -> timedelta:
    """Give hours as a length for a calendar, at most ``LONGEST_HOURS`` either way."""
    return timedelta(hours=max(-LONGEST_HOURS, min(hours, LONGEST_HOURS)))


NO_TIME = Span((0.0,))
"""Something that takes no time."""


# The plans that are compared share most of their parts, so the same sums come up again and again.
@lru_cache(maxsize=256)
def _sum(one: tuple[float, ...], other: tuple[float, ...]) -> tuple[float, ...]:
    """Add every value to every value, thinned."""
    return _thin(sorted([a + b for a in one for b in other]))


@lru_cache(maxsize=256)
def _points(earliest: float, likely: float, latest: float) -> tuple[float, ...]:
    """Give the equally likely values of a guess."""
    return tuple(sorted(_about(z, earliest, likely, latest) for z in _STEPS))


def _about(z: float, earliest: float, likely: float, latest: float) -> float:
    """Give the value at ``z`` standard deviations of the middle; see :meth:`Span.about`."""
    if z < 0:
        if earliest > 0:
            return math.exp(math.log(likely) + z / _Z90 * (math.log(likely) - math.log(earliest)))
        return max(0.0, likely + z / _Z90 * (likely - earliest))
    if z > _Z90 or likely <= 0:
        return likely + z / _Z90 * (latest - likely)
    return math.exp(math.log(likely) + z / _Z90 * (math.log(latest) - math.log(likely)))


def _thin(ordered: list[float]) -> tuple[float, ...]:
    """Thin rising values to at most ``VALUES`` by means of equal groups; the mean stays."""
    count = len(ordered)
    if count <= VALUES:
        return tuple(ordered)
    thinned = [0.0] * VALUES
    for place in range(VALUES):
        start, end = place * count / VALUES, (place + 1) * count / VALUES
        first, last = int(start), int(end)
        whole = sum(ordered[first:last]) - ordered[first] * (start - first)
        if last < count:
            whole += ordered[last] * (end - last)
        thinned[place] = whole / (end - start)
    for place in range(1, VALUES):  # rounding must not break the order
        thinned[place] = max(thinned[place], thinned[place - 1])
    return tuple(thinned)
