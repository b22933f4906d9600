"""Closed forms for groups of like drives: the mean time to data loss (MTTDL), in hours.

The published formulas, as published, so that our own figures can be held against them. A mean of
thousands of years says nothing by itself: what counts is the chance within a stated time,
:func:`chance_within`. These formulas assume independent drives of constant rate; real groups lost
data 2 to 1,500 times as often as they say (Elerath and Pecht, DSN 2007 and IEEE TC 2009).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from enum import StrEnum


class Repair(StrEnum):
    """How several lost drives come back."""

    SERIAL = "serial"  # one rebuild after another
    PARALLEL = "parallel"  # all at once


def chance_within(mttdl_hours: float, hours: float) -> float:
    """Give the chance of loss within ``hours``: ``1 - exp(-t/MTTDL)``."""
    return -math.expm1(-hours / mttdl_hours)


def together(mttdls: Iterable[float]) -> float:
    """Give the MTTDL of causes or groups side by side: rates add (harmonic sum)."""
    return 1.0 / sum(1.0 / one for one in mttdls)


def no_redundancy(mttf: float, drives: float) -> float:
    """Give the mean time to the first failure of ``drives``: ``MTTF/N``."""
    return mttf / drives


def small_groups(mttf: float, mttr: float, data: float, group: float, checks: float = 1.0) -> float:
    """Give the MTTDL of ``data`` drives in groups of ``group`` with ``checks`` check drives each.

    ``MTTF**2 / ((D + C*nG) * (G + C - 1) * MTTR)`` with ``nG = D/G`` (Patterson, Gibson, Katz,
    SIGMOD 1988).
    """
    groups = data / group
    return mttf**2 / ((data + checks * groups) * (group + checks - 1.0) * mttr)


def total_drives(data: float, group: int, parity: int = 1) -> float:
    """Give all drives that ``data`` drives' worth need, in groups of ``group`` with its parity.

    ``data * G / (G - parity)``; 100 in groups of 16: 106.67 (Chen et al. 1994, below table 5).
    """
    return data * group / (group - parity)


def double_failure(
    mttf: float, mttf_second: float, mttr: float, drives: float, group: int
) -> float:
    """Give the MTTDL by a second failure during a repair: ``MTTF*MTTF2 / (N*(G - 1)*MTTR)``.

    ``mttf_second`` is smaller than ``mttf`` when failures come together (Chen et al. 1994).
    """
    return mttf * mttf_second / (drives * (group - 1) * mttr)


def triple_failure(
    mttf: float, mttf_second: float, mttf_third: float, mttr: float, drives: float, group: int
) -> float:
    """Give the MTTDL of P+Q by three failures (Chen et al. 1994, table 6)."""
    return mttf * mttf_second * mttf_third / (drives * (group - 1) * (group - 2) * mttr**2)


def failure_and_bit_error(mttf: float, read_whole: float, drives: float, group: int) -> float:
    """Give the MTTDL by an unreadable sector during a rebuild: ``MTTF / (N*(1 - p**(G - 1)))``.

    ``read_whole`` is the chance that one whole drive can be read (Chen et al. 1994).
    """
    return mttf / (drives * -math.expm1((group - 1) * math.log(read_whole)))


def double_failure_and_bit_error(
    mttf: float, mttf_second: float, mttr: float, read_whole: float, drives: float, group: int
) -> float:
    """Give the MTTDL of P+Q by two failures and an unreadable sector (Chen et al., table 6)."""
    unread = -math.expm1((group - 2) * math.log(read_whole))
    return mttf * mttf_second / (drives * (group - 1) * unread * mttr)


def crash_and_failure(mttf_system: float, mttr_system: float, mttf: float, drives: float) -> float:
    """Give the MTTDL by a drive failing while a crash has left parity wrong (Chen et al. 1994)."""
    return mttf_system * mttf / (mttr_system * drives)


def chain(
    mttf: float, mttr: float, drives: int, bears: int, repair: Repair = Repair.PARALLEL
) -> float:
    """Give the exact MTTDL of one group by its Markov chain, in hours.

    States are the number of lost drives; loss is at ``bears + 1``. The mean time from j to j + 1
    lost is ``h_j = 1/l_j + (m_j/l_j) * h_(j-1)`` with ``l_j = (n - j)/MTTF`` and ``m_j = j/MTTR``
    (parallel) or ``1/MTTR`` (serial); all terms are positive, so nothing cancels. For one parity it
    is ``(m + (2n - 1)l) / (n(n - 1)l**2)`` (Greenan, Plank, Wylie, HotStorage 2010); the repair
    rule makes a factor of up to ``bears!`` (Resch and Volvovski, arXiv 1310.4702).
    """
    if not 0 <= bears < drives:
        raise ValueError(f"{drives} drives cannot bear the loss of {bears}")
    total = step = 0.0
    for lost in range(bears + 1):
        rate = (drives - lost) / mttf
        back = (lost if repair is Repair.PARALLEL else min(lost, 1)) / mttr
        step = (1.0 + back * step) / rate
        total += step
    return total


def mirror(mttf: float, mttr: float) -> float:
    """Give the usual approximation for a mirror of two: ``MTTF**2 / (2*MTTR)``."""
    return mttf * mttf / (2.0 * mttr)


def mean_life_of_all(mttf: float, copies: int) -> float:
    """Give the mean time until all copies are lost when none is repaired: ``MTTF * sum(1/i)``."""
    return mttf * sum(1.0 / number for number in range(1, copies + 1))


def pair_rate_unordered(drives: int, mttf: float, pass_hours: float) -> float:
    """Give the hourly rate of two failures in one rebuild, by the convention of Corbett et al.

    ``n(n - 1)/2 * l**2 * (n * pass)`` (Row-Diagonal Parity, FAST 2004): unordered pairs and a
    rebuild that reads the drives one after another. n/2 times the ordinary
    ``n(n - 1) * l**2 * pass``; a figure must say which of the two it is.
    """
    rebuild = drives * pass_hours
    return drives * (drives - 1) / 2.0 / mttf**2 * rebuild
