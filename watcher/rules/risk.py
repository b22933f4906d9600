"""How likely a drive is to fail: a base rate for its class and age, times the risk of its signs.

The hazard is a failure rate per year. Each sign multiplies it by a factor that was fitted on real
failures (``risk_table.py``: numbers, data sets, date and script); factors are bounded, singly and
together. The chance over a span follows from the hazard as 1 - exp(-rate x span).

What this cannot do: three or four in ten drives that fail give no sign at all in these counters
(Pinheiro et al., FAST 2007 section 3.5.6: over 36%; the open parts of the field data behind the
table: 31 to 42%). A low chance is therefore never "healthy"; it is "no sign".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from watcher.facts.drive import DriveIdentity, Medium, Metric, Trace
from watcher.rules import risk_table

HOURS_PER_YEAR: Final = 8766.0  # 365.25 days
DAYS_PER_YEAR: Final = 365.25
FACTOR_BOUND: Final = 3000.0
"""No set of signs multiplies the rate by more; our choice, so that a sum of signs that were
fitted one by one cannot run away."""
CHANCE_BOUND: Final = 0.95
"""No chance within 30 days is given as more; our choice: even drives that were condemned by
themselves often last longer."""
HOURS_BELIEVED: Final = 20 * HOURS_PER_YEAR
"""More power-on hours than this are minutes, or packed, or wrong (smartctl_reports README)."""

WEEK: Final = timedelta(days=7)
MONTH: Final = timedelta(days=30)

Rise = Callable[[Metric, timedelta], "int | None"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """How much one sign multiplies the rate, with a 95% interval."""

    sign: str  # key in the table; SIGN_WORDS has it in plain words
    factor: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """The chance of failing within a span, with a 95% interval and what made it so."""

    p: float
    low: float
    high: float
    parts: tuple[Part, ...]  # the signs that are present, strongest first
    base: float  # failures per drive-year with no sign, for this class and age


@dataclass(frozen=True, slots=True)
class Sign:
    """One number of a drive that the table has factors for."""

    name: str
    words: str
    metric: Metric
    window: timedelta | None = None  # None: the value itself; else its rise within the window


SIGNS: Final = (
    Sign("pending", "sectors in doubt", Metric.PENDING_SECTORS),
    Sign("pending-rise-week", "new sectors in doubt this week", Metric.PENDING_SECTORS, WEEK),
    Sign("reallocated", "sectors moved to reserves", Metric.REALLOCATED_SECTORS),
    Sign(
        "reallocated-rise-week",
        "sectors moved to reserves this week",
        Metric.REALLOCATED_SECTORS,
        WEEK,
    ),
    Sign("reported-uncorrectable", "reads that failed for good", Metric.REPORTED_UNCORRECTABLE),
)
SIGN_METRICS: Final = tuple(dict.fromkeys(sign.metric.value for sign in SIGNS))
SIGN_WORDS: Final[Mapping[str, str]] = {sign.name: sign.words for sign in SIGNS}


def class_of(identity: DriveIdentity) -> str:
    """Name the class that the base rates know a drive by."""
    if identity.medium is Medium.UNKNOWN:
        return "unknown"
    return "flash" if identity.medium is Medium.FLASH else "rotating"


def believable_hours(hours: int | None) -> int | None:
    """Give the power-on hours, or None when they are unknown or cannot be true."""
    return hours if hours is not None and 0 <= hours <= HOURS_BELIEVED else None


def base_rate(identity: DriveIdentity, hours: int | None) -> tuple[float, float, float]:
    """Give failures per drive-year for class and age, with no regard to signs: (rate, low, high).

    With no age the first row of the class is taken.
    """
    rows = risk_table.BASE[class_of(identity)]
    years = (believable_hours(hours) or 0) / HOURS_PER_YEAR
    _, rate, low, high = next(row for row in reversed(rows) if row[0] <= years or row is rows[0])
    return rate, low, high


def part_of(sign: Sign, value: int | None) -> Part | None:
    """Give the factor of one sign at a value; None when it is unknown or below the first row."""
    if value is None:
        return None
    best: tuple[float, float, float, float] | None = None
    for row in risk_table.FACTORS.get(sign.name, ()):
        if row[0] <= value:
            best = row
    if best is None:
        return None
    return Part(sign=sign.name, factor=best[1], low=best[2], high=best[3])


def parts_of(metrics: Mapping[Metric, int], rise: Rise) -> tuple[Part, ...]:
    """Give the factors of the signs that are present, strongest first."""
    found = []
    for sign in SIGNS:
        value = metrics.get(sign.metric)
        if value is not None and sign.window is not None:
            value = rise(sign.metric, sign.window) if value else 0
        part = part_of(sign, value)
        if part is not None:
            found.append(part)
    return tuple(sorted(found, key=lambda part: (-part.factor, part.sign)))


def together(parts: tuple[Part, ...]) -> tuple[float, float, float]:
    """Multiply factors, bounded: (factor, low, high). Errors add up as if independent."""
    centre = sum(math.log(part.factor) for part in parts)
    spread = math.sqrt(sum((math.log(part.high / part.low) / 2) ** 2 for part in parts))
    bound = math.log(FACTOR_BOUND)
    return (
        math.exp(min(centre, bound)),
        math.exp(min(centre - spread, bound)),
        math.exp(min(centre + spread, bound)),
    )


def rise_in(traces: Mapping[Metric, Trace], now: datetime) -> Rise:
    """Make the function that tells how far a metric rose within a window before ``now``."""

    def rise(metric: Metric, window: timedelta) -> int | None:
        trace = traces.get(metric)
        return trace.rise_since(now - window) if trace is not None else None

    return rise


def relative_risk(
    *, metrics: Mapping[Metric, int], traces: Mapping[Metric, Trace], now: datetime
) -> tuple[float, float, float]:
    """Give by how much the signs of a drive multiply its failure rate: (factor, low, high).

    ``traces`` run up to and with the present values; a metric with no trace has an unknown rise.
    """
    return together(parts_of(metrics, rise_in(traces, now)))


def chance_within(rate_per_year: float, span: timedelta) -> float:
    """Give the chance of failing within a span at a constant rate; at most ``CHANCE_BOUND``."""
    years = span.total_seconds() / 86400 / DAYS_PER_YEAR
    return min(-math.expm1(-rate_per_year * years), CHANCE_BOUND)


def chance_from(
    identity: DriveIdentity, hours: int | None, parts: tuple[Part, ...], span: timedelta = MONTH
) -> Chance:
    """Give the chance of failing within a span from the signs that are present."""
    rate, rate_low, rate_high = base_rate(identity, hours)
    factor, low, high = together(parts)
    spread = math.hypot(math.log(high / low) / 2, math.log(rate_high / rate_low) / 2)
    centre = rate * factor
    return Chance(
        p=chance_within(centre, span),
        low=chance_within(centre * math.exp(-spread), span),
        high=chance_within(centre * math.exp(spread), span),
        parts=parts,
        base=rate,
    )


def chance_30_days(
    *,
    identity: DriveIdentity,
    metrics: Mapping[Metric, int],
    traces: Mapping[Metric, Trace],
    now: datetime,
) -> Chance:
    """Give the chance that a drive fails within 30 days, with interval and parts."""
    parts = parts_of(metrics, rise_in(traces, now))
    return chance_from(identity, metrics.get(Metric.POWER_ON_HOURS), parts)
