"""The arithmetic of chances: from a rate to a chance, and from many chances to one.

Everything is added up from small terms and nothing is computed as one minus something close to
one, so that a chance of 1e-17 stays 1e-17.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence


def happens_within(rate_per_hour: float, hours: float) -> float:
    """Give the chance that a thing with a constant rate happens within ``hours``.

    ``1 - exp(-rate * hours)``, exact for small products too.
    """
    return -math.expm1(-rate_per_hour * hours)


def any_of(chances: Iterable[float]) -> float:
    """Give the chance that at least one of several independent things happens.

    ``1 - product(1 - p)``, by logarithms so that small chances survive. For ``n`` drives with the
    same yearly chance this is the usual ``1 - (1 - AFR)**n``.
    """
    log_none = 0.0
    for chance in chances:
        if chance >= 1.0:
            return 1.0
        log_none += math.log1p(-chance)
    return -math.expm1(log_none)


def count_chances(chances: Sequence[float], upto: int) -> list[float]:
    """Give the chance of exactly 0, 1, … ``upto`` things, and last of more than ``upto``.

    The distribution of a sum of unlike independent yes-or-no trials (Poisson-binomial), by the
    convolution of one trial after another; the last entry collects all that is beyond.
    """
    counts = [1.0] + [0.0] * (upto + 1)
    beyond = upto + 1
    for chance in chances:
        stays = 1.0 - chance
        counts[beyond] += counts[upto] * chance
        for count in range(upto, 0, -1):
            counts[count] = counts[count] * stays + counts[count - 1] * chance
        counts[0] *= stays
    return counts


def more_than(chances: Sequence[float], count: int) -> float:
    """Give the chance that more than ``count`` of several unlike independent things happen.

    ``count`` below zero: that is certain already.
    """
    if count < 0:
        return 1.0
    return count_chances(chances, count)[-1]
