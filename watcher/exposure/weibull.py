"""Lives that wear out or fail early: the Weibull law, fitted to drives of which most still live.

``shape`` below 1 means early failures, 1 the constant rate, above 1 wear-out. ``scale`` is the age
at which 63.2% have failed, in the unit of the ages.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby


@dataclass(frozen=True, slots=True, kw_only=True)
class Weibull:
    """A law of lives; ages and results in one unit, usually hours. ``offset`` is a least age."""

    shape: float
    scale: float
    offset: float = 0.0

    def __post_init__(self) -> None:
        """Check the parameters."""
        if not (self.shape > 0 and self.scale > 0 and self.offset >= 0):
            raise ValueError(f"no Weibull law with {self.shape}, {self.scale}, {self.offset}")

    def failed_by(self, age: float) -> float:
        """Give the share that has failed by an age: ``1 - exp(-(t/scale)**shape)``."""
        return -math.expm1(-self.total_hazard(age))

    def total_hazard(self, age: float) -> float:
        """Give the hazard summed up to an age: ``(t/scale)**shape``."""
        return math.pow(max(0.0, age - self.offset) / self.scale, self.shape)

    def hazard(self, age: float) -> float:
        """Give the hazard at an age, per unit of it."""
        if age <= self.offset:
            return 0.0 if self.shape > 1 else math.inf if self.shape < 1 else 1.0 / self.scale
        part = (age - self.offset) / self.scale
        return self.shape / self.scale * math.pow(part, self.shape - 1.0)

    def density(self, age: float) -> float:
        """Give the density of failures at an age, per unit of it."""
        return self.hazard(age) * math.exp(-self.total_hazard(age))

    def fails_within(self, age: float, more: float) -> float:
        """Give the chance that one that lives at ``age`` fails within ``more``."""
        return -math.expm1(self.total_hazard(age) - self.total_hazard(age + more))

    def age_at(self, share: float) -> float:
        """Give the age by which a share (0 to 1) has failed."""
        return self.offset + self.scale * math.pow(-math.log1p(-share), 1.0 / self.shape)

    def age_after(self, age: float, share: float) -> float:
        """Give the age by which a share of those that live at ``age`` has failed."""
        total = self.total_hazard(age) - math.log1p(-share)
        return self.offset + self.scale * math.pow(total, 1.0 / self.shape)

    @property
    def mean(self) -> float:
        """The mean life."""
        return self.offset + self.scale * math.gamma(1.0 + 1.0 / self.shape)

    @property
    def deviation(self) -> float:
        """The standard deviation of the lives."""
        first = math.gamma(1.0 + 1.0 / self.shape)
        return self.scale * math.sqrt(math.gamma(1.0 + 2.0 / self.shape) - first * first)


def log_likelihood(law: Weibull, failed: Sequence[float], living: Sequence[float]) -> float:
    """Give the log-likelihood of ages at failure and of ages at which others still lived."""
    total = sum(math.log(law.density(age)) for age in failed)
    return total - sum(law.total_hazard(age) for age in living)


def fit_weibull(failed: Sequence[float], living: Sequence[float] = ()) -> Weibull:
    """Give the law of greatest likelihood for ages at failure and ages of those still living.

    The shape solves ``sum(t**b ln t)/sum(t**b) - 1/b = mean ln t of the failed`` over all ages
    (right-censored likelihood, NIST/SEMATECH e-Handbook 8.4.1.3); the left side rises with the
    shape, so bisection finds it. Needs two failures at unlike ages, else ValueError.
    """
    if len(failed) < 2 or min(failed) <= 0 or len({*failed, *living}) < 2:
        raise ValueError("a fit needs two failures, at ages above zero that are not all the same")
    top = max(*failed, *living) if living else max(failed)
    logs = [math.log(age / top) for age in (*failed, *living) if age > 0]
    mean_failed = sum(math.log(age / top) for age in failed) / len(failed)

    def off(shape: float) -> float:
        powers = [math.exp(shape * log) for log in logs]
        weighted = sum(p * log for p, log in zip(powers, logs, strict=True))
        return weighted / sum(powers) - 1.0 / shape - mean_failed

    shape = _root(off, 1e-3, 1e3)
    powers = sum(math.exp(shape * log) for log in logs)
    return Weibull(shape=shape, scale=top * math.pow(powers / len(failed), 1.0 / shape))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Give where a rising function passes zero."""
    if function(high) < 0:
        raise ValueError("the ages at failure are too much alike for a fit")
    for _ in range(200):
        middle = math.sqrt(low * high)
        if function(middle) < 0:
            low = middle
        else:
            high = middle
    return math.sqrt(low * high)


def scale_bound(ages: Sequence[float], shape: float, confidence: float) -> float:
    """Give the lower bound of the scale when the shape is known and none has failed.

    ``(sum(t**b) / m)**(1/b)`` with ``m = -ln(1 - confidence)`` for no failures (Nelson 1985;
    Abernethy, The New Weibull Handbook, chapter 6). A shape of 1 bounds the MTBF.
    """
    total = sum(math.pow(age, shape) for age in ages)
    return math.pow(total / -math.log(1.0 - confidence), 1.0 / shape)


def still_living(failed: Sequence[float], living: Sequence[float]) -> list[tuple[float, float]]:
    """Give the share still living after each age at which one failed (Kaplan and Meier).

    Pairs of age and share, in order; assumes no law. One seen living at the same age as a failure
    counts as at risk there.
    """
    ends = sorted([(age, 0) for age in failed] + [(age, 1) for age in living])
    at_risk, share = len(ends), 1.0
    steps = []
    for age, group in groupby(ends, key=lambda end: end[0]):
        kinds = [kind for _, kind in group]
        died = kinds.count(0)
        if died:
            share *= 1.0 - died / at_risk
            steps.append((age, share))
        at_risk -= len(kinds)
    return steps
