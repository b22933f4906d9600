"""Exact intervals and bounds for rates, from few or no failures, with no library at run time.

The chi-square distribution with an even number of degrees of freedom is a Poisson sum, and all
that is needed here has even degrees: the quantile is found by bisection on the regularised
incomplete gamma function.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from watcher.exposure.figure import Figure
from watcher.exposure.life import afr_from_counts

_SMALL = 1e-16  # about the precision of a float: a smaller term changes nothing
_MOST_TERMS = 10_000  # an end should a series not settle


def gamma_share(shape: float, value: float) -> float:
    """Give the regularised lower incomplete gamma function P(shape, value), 0 to 1.

    By its series below ``shape + 1`` and by the continued fraction above (Abramowitz and Stegun
    6.5.29 and 6.5.31); good to about 1e-12 for shapes to a thousand, 1e-9 at a million.
    """
    if value <= 0.0:
        return 0.0
    scale = math.exp(shape * math.log(value) - value - math.lgamma(shape))
    if value < shape + 1.0:
        term = total = 1.0 / shape
        for step in range(1, _MOST_TERMS):
            term *= value / (shape + step)
            total += term
            if term < total * _SMALL:
                break
        return min(1.0, scale * total)
    below = value + 1.0 - shape
    upper, lower = 1e300, 1.0 / below
    fraction = lower
    for step in range(1, _MOST_TERMS):
        part = step * (shape - step)
        below += 2.0
        lower = 1.0 / (part * lower + below)
        upper = below + part / upper
        change = upper * lower
        fraction *= change
        if abs(change - 1.0) < _SMALL * 10:
            break
    return max(0.0, 1.0 - scale * fraction)


def chi_square_quantile(share: float, degrees: float) -> float:
    """Give the value that a chi-square variable stays below with chance ``share``.

    ``degrees`` above zero, ``share`` from 0 up to but without 1. Bisection to full precision.
    """
    if not 0.0 <= share < 1.0 or degrees <= 0:
        raise ValueError(f"no chi-square quantile for {share} with {degrees} degrees")
    low, high = 0.0, degrees + 10.0
    while gamma_share(degrees / 2.0, high / 2.0) < share:
        high *= 2.0
    for _ in range(200):
        middle = (low + high) / 2.0
        if gamma_share(degrees / 2.0, middle / 2.0) < share:
            low = middle
        else:
            high = middle
        if high - low <= high * 1e-15:
            break
    return (low + high) / 2.0


def poisson_interval(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Give the exact interval of a Poisson mean of which ``count`` were seen.

    ``chi2(a/2; 2n)/2`` to ``chi2(1 - a/2; 2n + 2)/2`` (Garwood 1936, from memory; the same as
    NIST/SEMATECH e-Handbook 8.4.5.1). Nothing seen: from 0, and the upper end keeps a/2.
    """
    tail = (1.0 - confidence) / 2.0
    low = chi_square_quantile(tail, 2 * count) / 2.0 if count else 0.0
    return low, chi_square_quantile(1.0 - tail, 2 * count + 2) / 2.0


def afr_interval(failures: int, drive_days: float, confidence: float = 0.95) -> Figure:
    """Give the AFR of a fleet (a rate per year) with its exact Poisson interval."""
    likely = afr_from_counts(failures, drive_days)
    low, high = (end * 365.0 / drive_days for end in poisson_interval(failures, confidence))
    return Figure(low=low, likely=likely, high=high)


@dataclass(frozen=True, slots=True)
class MtbfBounds:
    """Bounds of a mean time between failures, in hours; ``upper`` is None when unbounded."""

    lower: float
    estimate: float | None  # None with no failures
    upper: float | None


def mtbf_bounds(
    hours: float, failures: int, confidence: float, *, by_failure: bool = False
) -> MtbfBounds:
    """Give the two-sided bounds of an MTBF from total running hours and failures.

    NIST/SEMATECH e-Handbook 8.4.5.1: ``2T/chi2(1 - a/2; 2r + 2)`` and ``2T/chi2(a/2; 2r)``. For a
    test that ended with a failure (``by_failure``) the lower bound has 2r degrees too. With no
    failures only a lower bound exists: ``T / -ln(a)``, one-sided.
    """
    tail = (1.0 - confidence) / 2.0
    if failures == 0:
        return MtbfBounds(hours / -math.log(1.0 - confidence), None, None)
    degrees = 2 * failures if by_failure else 2 * failures + 2
    return MtbfBounds(
        2.0 * hours / chi_square_quantile(1.0 - tail, degrees),
        hours / failures,
        2.0 * hours / chi_square_quantile(tail, 2 * failures),
    )


def mtbf_lower_bound(
    hours: float, failures: int, confidence: float, *, by_failure: bool = False
) -> float:
    """Give the one-sided lower bound of an MTBF in hours (``mtbf_bounds``, all doubt below)."""
    degrees = 2 * failures if by_failure else 2 * failures + 2
    return 2.0 * hours / chi_square_quantile(confidence, degrees)


def mtbf_test_length(failures: int, confidence: float) -> float:
    """Give how long a test must run, in MTBFs to be shown, when it may see so many failures.

    ``chi2(confidence; 2r + 2)/2`` (NIST/SEMATECH e-Handbook 8.3.1.1).
    """
    return chi_square_quantile(confidence, 2 * failures + 2) / 2.0


def drives_to_show(reliability: float, confidence: float, failures: int = 0) -> int:
    """Give how many drives must pass a test to show a reliability, when so many may fail.

    The smallest n at which so few failures are unlikelier than ``1 - confidence``, were the
    reliability no better (binomial); with no failures ``ln(1 - C)/ln(R)`` rounded up.
    """
    bad = 1.0 - reliability
    count = failures + 1
    while _at_most(failures, count, bad) > 1.0 - confidence + 1e-12:
        count += 1
    return count


def _at_most(failures: int, count: int, bad: float) -> float:
    """Give the binomial chance of at most ``failures`` in ``count``."""
    return sum(
        math.comb(count, k) * bad**k * (1.0 - bad) ** (count - k) for k in range(failures + 1)
    )


@dataclass(frozen=True, slots=True)
class TestPlan:
    """A fixed-length test of an MTBF."""

    __test__ = False  # not one of pytest's

    length: float  # in units of the MTBF that must be refused
    failures: int  # accepted at most
    good_refused: float  # chance that a good one fails the test


def fixed_length_plan(good_refused: float, bad_accepted: float, ratio: float) -> TestPlan:
    """Give the shortest fixed-length test between two MTBFs that are ``ratio`` apart.

    The risks are upper limits: of refusing the better and of accepting the worse (the plans of
    MIL-HDBK-781A).
    """
    failures = 0
    while True:
        length = mtbf_test_length(failures, 1.0 - bad_accepted)
        risk = gamma_share(failures + 1.0, length / ratio)
        if risk <= good_refused:
            return TestPlan(length, failures, risk)
        failures += 1
