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
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

from watcher.facts.drive import DriveIdentity, Medium, Metric, Trace
from watcher.rules import risk_table

HOURS_PER_YEAR: Final = 8766.0  # 365.25 days
YEAR: Final = timedelta(days=365.25)
FACTOR_BOUND: Final = 3000.0
"""No set of signs multiplies the rate by more; our choice, so that a sum of signs that were
fitted one by one cannot run away."""
CHANCE_BOUND: Final = 0.95
"""No chance within 30 days is given as more; our choice: even drives that were condemned by
themselves often last longer."""
LARGE_BYTES: Final = 4 * 10**12
"""Drives from here on are taken as large: the split of the base rates; our choice, by the models
in the published tables."""
HOURS_BELIEVED: Final = 20 * HOURS_PER_YEAR
"""More power-on hours than this are minutes, or packed, or wrong (smartctl_reports README)."""

WEEK: Final = timedelta(days=7)
MONTH: Final = timedelta(days=30)
"""Spans in which a rise is counted and a failure forecast: those of the fitted table."""

Row = tuple[float, float, float, float]
"""From this value on: a rate or factor, with its 95% interval."""

Rise = Callable[[Metric, timedelta], "int | None"]
"""Tells how far a metric rose within a window; None when not known."""


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
    beyond: Metric | None = None  # only what goes beyond this metric counts
    like: str | None = None  # takes the factors of another sign: no data of its own to fit on


SIGNS: Final = (
    Sign("pending", "sectors in doubt", Metric.PENDING_SECTORS),
    Sign("pending-rise", "new sectors in doubt this week", Metric.PENDING_SECTORS, WEEK),
    Sign("reallocated", "sectors moved to the reserve", Metric.REALLOCATED_SECTORS),
    Sign(
        "reallocated-rise",
        "sectors moved to the reserve this week",
        Metric.REALLOCATED_SECTORS,
        WEEK,
    ),
    Sign("unreadable", "reads that failed for good", Metric.REPORTED_UNCORRECTABLE),
    Sign(
        "unreadable-rise",
        "reads that failed for good this week",
        Metric.REPORTED_UNCORRECTABLE,
        WEEK,
    ),
    Sign("timeouts-rise", "commands timed out this week", Metric.COMMAND_TIMEOUTS, WEEK),
    Sign(
        "offline-unreadable",
        "sectors that an offline scan could not read",
        Metric.OFFLINE_UNCORRECTABLE,
        beyond=Metric.PENDING_SECTORS,
        like="pending",
    ),
    Sign("defects", "defects in the drive's list", Metric.GROWN_DEFECTS, like="reallocated"),
    Sign(
        "defects-rise",
        "new defects this week",
        Metric.GROWN_DEFECTS,
        WEEK,
        like="reallocated-rise",
    ),
    Sign(
        "read-errors",
        "uncorrected read errors",
        Metric.READ_ERRORS_UNCORRECTED,
        like="unreadable",
    ),
    Sign("media-errors", "data that could not be recovered", Metric.MEDIA_ERRORS),
)
"""Signs in the order in which they are told. A sign with a window has an unknown value while no
past is known, and then counts for nothing."""

LOG_MEDIA: Final = "log-media"
SELF_TEST: Final = "self-test"
OWN_VERDICT: Final = "own-verdict"
OTHER_SIGNS: Final[Mapping[str, str]] = {
    LOG_MEDIA: "the kernel log names the medium today",
    SELF_TEST: "a self-test found damage",
    OWN_VERDICT: "the drive condemns itself",
}
"""Signs that are no metric: 1 when present."""

SIGN_METRICS: Final = tuple(dict.fromkeys(sign.metric.value for sign in SIGNS))
SIGN_WORDS: Final[Mapping[str, str]] = {s.name: s.words for s in SIGNS} | dict(OTHER_SIGNS)


def class_of(identity: DriveIdentity) -> str:
    """Name the class that the base rates know a drive by."""
    if identity.medium is Medium.FLASH:
        return "flash"
    size = identity.capacity_bytes
    return "small" if size is not None and size < LARGE_BYTES else "large"


def believable_hours(hours: int | None) -> int | None:
    """Give the power-on hours, or None when they are unknown or cannot be true."""
    return hours if hours is not None and 0 <= hours <= HOURS_BELIEVED else None


@lru_cache(maxsize=1024)
def model_key(model: str) -> str:
    """Give the maker's model number: the last word, in capitals, up to a hyphen.

    ``WDC WD30EFRX-68AX9N0`` gives ``WD30EFRX``; makers' names before it vary with owners.
    """
    words = model.upper().split()
    return words[-1].split("-", 1)[0] if words else ""


@lru_cache(maxsize=1024)
def _rows_of(key: str, kind: str) -> tuple[Row, ...]:
    """Give the signless base rates by age for a model, or for its class where it is unknown."""
    rows = risk_table.MODELS.get(key)
    if rows is None:
        return risk_table.BASE[kind]
    share = risk_table.SIGNLESS_SHARE
    return tuple(
        (start, rate * share, low * share, high * share) for start, rate, low, high in rows
    )


def base_rows(identity: DriveIdentity) -> tuple[Row, ...]:
    """Give failures per drive-year with no sign present, in rows (from years of age, rate, ...).

    From the model where enough of them were counted, otherwise from the class.
    """
    return _rows_of(model_key(identity.model), class_of(identity))


def rate_at(rows: tuple[Row, ...], hours: int | None) -> Row:
    """Give the row that holds at an age; with no believable age, the first."""
    years = (believable_hours(hours) or 0) / HOURS_PER_YEAR
    held = rows[0]
    for row in rows[1:]:
        if row[0] <= years:
            held = row
    return held


def values_of(metrics: Mapping[Metric, int], rise: Rise) -> dict[str, int]:
    """Give the value of each sign that is known; signs that are unknown are absent."""
    values: dict[str, int] = {}
    for sign in SIGNS:
        value = metrics.get(sign.metric)
        if value is None:
            continue
        if not value:
            values[sign.name] = 0
            continue
        if sign.window is not None:
            rose = rise(sign.metric, sign.window)
            if rose is None:
                continue
            value = rose
        elif sign.beyond is not None:
            value = max(value - metrics.get(sign.beyond, 0), 0)
        values[sign.name] = value
    return values


def part_of(name: str, table: str, value: int) -> Part | None:
    """Give the factor of one sign at a value; None below the first row of its table."""
    best: Row | None = None
    for row in risk_table.FACTORS.get(table, ()):
        if row[0] <= value:
            best = row
    if best is None or best[1] == 1.0:
        return None
    return Part(sign=name, factor=best[1], low=best[2], high=best[3])


_TABLES: Final = {sign.name: sign.like or sign.name for sign in SIGNS}


def parts_of(
    metrics: Mapping[Metric, int], rise: Rise, others: Iterable[str] = ()
) -> tuple[Part, ...]:
    """Give the factors of the signs that are present, strongest first.

    ``others`` names the signs of ``OTHER_SIGNS`` that are present.
    """
    values = values_of(metrics, rise)
    found = [part_of(name, _TABLES[name], value) for name, value in values.items() if value]
    found += [part_of(name, name, 1) for name in others]
    parts = [part for part in found if part is not None]
    return tuple(sorted(parts, key=lambda part: (-part.factor, part.sign)))


def together(parts: tuple[Part, ...]) -> tuple[float, float, float]:
    """Multiply factors, bounded: (factor, low, high). Errors add up as if independent.

    Signs that were not fitted together with the counters do not multiply with them: of these and
    the counters' product the strongest counts.
    """
    joint = [part for part in parts if part.sign not in OTHER_SIGNS]
    centre = sum(math.log(part.factor) for part in joint)
    spread = math.sqrt(sum((math.log(part.high / part.low) / 2) ** 2 for part in joint))
    for part in parts:
        if part.sign in OTHER_SIGNS and math.log(part.factor) > centre:
            centre, spread = math.log(part.factor), math.log(part.high / part.low) / 2
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
    *,
    metrics: Mapping[Metric, int],
    traces: Mapping[Metric, Trace],
    now: datetime,
    others: Iterable[str] = (),
) -> tuple[float, float, float]:
    """Give by how much the signs of a drive multiply its failure rate: (factor, low, high).

    ``traces`` run up to and with the present values; a metric with no trace has an unknown rise.
    """
    return together(parts_of(metrics, rise_in(traces, now), others))


def chance_within(rate_per_year: float, span: timedelta) -> float:
    """Give the chance of failing within a span at a constant rate; at most ``CHANCE_BOUND``."""
    return min(-math.expm1(-rate_per_year * (span / YEAR)), CHANCE_BOUND)


def chance_from(
    identity: DriveIdentity, hours: int | None, parts: tuple[Part, ...], span: timedelta = MONTH
) -> Chance:
    """Give the chance of failing within a span from the signs that are present."""
    return _chance_at(rate_at(base_rows(identity), hours), parts, span)


@lru_cache(maxsize=1024)
def _chance_at(row: Row, parts: tuple[Part, ...], span: timedelta) -> Chance:
    """Give the chance of failing within a span at a base rate; most drives share few of them."""
    _, rate, rate_low, rate_high = row
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
    others: Iterable[str] = (),
) -> Chance:
    """Give the chance that a drive fails within 30 days, with interval and parts."""
    parts = parts_of(metrics, rise_in(traces, now), others)
    return chance_from(identity, metrics.get(Metric.POWER_ON_HOURS), parts)
