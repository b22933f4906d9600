"""How likely a drive is to fail: a base rate for its class and age, times what it shows.

AFR is the annualised failure rate: failures per drive-year. ``DAYS_PER_YEAR`` and
``HOURS_PER_YEAR`` are the conventions of the published tables (365 days, 8,760 hours).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

from watcher.exposure.figure import ONE, Figure
from watcher.facts.checks import require_not_negative
from watcher.facts.identity import DriveId

HOURS_PER_YEAR = 8760.0
"""Hours in a year of 365 days: the convention of data sheets and of the published tables."""

DAYS_PER_YEAR = 365.0
"""Days in a year, as in the published tables of drive-days."""


class DriveClass(StrEnum):
    """What kind of drive it is, as far as its rate of failure goes."""

    HARD_DISK = "hard-disk"
    FLASH = "flash"  # behind SATA or SAS
    NVME = "nvme"
    UNKNOWN = "unknown"


class Recording(StrEnum):
    """How a hard disk lays its tracks."""

    UNKNOWN = "unknown"
    CONVENTIONAL = "conventional"
    SHINGLED = "shingled"  # tracks overlap: long random writes are many times slower


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveLife:
    """What bears on the future of one drive. None means not known, never zero."""

    drive: DriveId
    drive_class: DriveClass = DriveClass.UNKNOWN
    age_hours: float | None = None  # power-on hours
    capacity_bytes: int | None = None
    risk: Figure = ONE  # relative risk from its signs; 1 is a drive of its class that shows none
    pending_sectors: int | None = None
    recording: Recording = Recording.UNKNOWN
    wear_percent: float | None = None  # of the rated writes, flash only; may pass 100
    model: str | None = None
    answers: bool = True  # False: it does not respond, so it cannot be copied from

    def __post_init__(self) -> None:
        """Check the numbers."""
        for what in ("age_hours", "capacity_bytes", "pending_sectors", "wear_percent"):
            require_not_negative(getattr(self, what), what)


# --- conversions -------------------------------------------------------------------------------


def afr_from_mtbf(mtbf_hours: float) -> float:
    """Give the AFR as data sheets print it: linear, ``8760 / MTBF`` (0.876% at 1,000,000 h).

    This is a rate per year and may pass 1; the chance of failing within a year is
    :func:`yearly_chance_from_mtbf` (0.872%).
    """
    return HOURS_PER_YEAR / mtbf_hours


def yearly_chance_from_mtbf(mtbf_hours: float) -> float:
    """Give the chance that a drive fails within a year: exponential, ``1 - exp(-8760 / MTBF)``."""
    return -math.expm1(-HOURS_PER_YEAR / mtbf_hours)


def mtbf_from_afr(afr: float) -> float:
    """Give the MTBF in hours that belongs to an AFR (a rate per year, linear convention)."""
    return HOURS_PER_YEAR / afr


def afr_from_counts(failures: int, drive_days: float) -> float:
    """Give the AFR of a fleet, a rate per year: ``365 * failures / drive-days``.

    The convention of the published drive statistics.
    """
    return DAYS_PER_YEAR * failures / drive_days


def hazard_from_afr(afr: float) -> float:
    """Give the hourly hazard of an AFR (a rate per year)."""
    return afr / HOURS_PER_YEAR


# --- base rates --------------------------------------------------------------------------------

HARD_DISK_AFR = Figure(low=0.0051, likely=0.0168, high=0.0259)
"""Per year. Pooled rate, and the 10th and 90th per cent of 82 models weighted by drive-days.

Fitted on data/afr_tables/afr.csv (lifetime failures up to 2024 Q2 and 2025 Q3, 469,559,586
drive-days, 21,582 failures) in 2025-11, rows of the 2013 fleet and of flash left out. Too low:
windows look safer than they are; the interval is there to be read.
"""

FLASH_AFR = Figure(low=0.0022, likely=0.009, high=0.0175)
"""Per year. Low: 0.22%, mean replacement rate of flash in large arrays (Maneas et al., FAST 2020,
second hand). High: 7% of drives with a bad chip in four years (Schroeder et al., FAST 2016, second
hand). Likely: about 0.9% in the published statistics of a large fleet of 2023, from memory."""

UNKNOWN_AFR = Figure(low=0.0022, likely=0.0168, high=0.0259)
"""Per year, when the class is not known: the middle of the worse class, the ends of both."""

AGE_FLAT_UNTIL_YEARS = 3.0
AGE_PEAK_YEARS = 10.25
AGE_PEAK_FACTOR = 3.0
"""Wear-out of hard disks: flat for three years, then rising in a line (our choice) to 3.0 times at
10 years 3 months. Published: peak of 4.25% a year at that age over 317,230 drives (2025 statistics,
second hand) against 1.4% a year between 1.5 and 3 years (2013 statistics, second hand): 3.0."""

EARLY_YEARS = 1.5
EARLY_FACTOR_HIGH = 3.6
"""Early failures, upper end only: 5.1% against 1.4% a year up to 1.5 years (2013 statistics). The
fleets of 2021 and 2025, and Schroeder and Gibson (FAST 2007), show no such bump, so the likely
factor stays 1."""

LATE_FACTOR_HIGH = 8.4
"""Upper end past the flat years: 11.8% against 1.4% a year (2013 statistics)."""

WORN_PERCENT = 90.0
WORN_RISK = Figure(low=1.0, likely=2.0, high=4.0)
"""Relative risk of flash at 90% or more of its rated writes: our choice. Published evidence is
mixed: failure does not rise steadily with wear (Meza et al., SIGMETRICS 2015)."""


def age_factor(drive_class: DriveClass, age_hours: float | None) -> Figure:
    """Give how a drive's age multiplies the rate of its class; 1 for a hard disk of two years.

    Flash is taken as flat: wear is treated apart. An unknown age counts as three years, with the
    ends of every age.
    """
    if drive_class in {DriveClass.FLASH, DriveClass.NVME}:
        return ONE
    if age_hours is None:
        return Figure(low=1.0, likely=1.0, high=EARLY_FACTOR_HIGH)
    years = age_hours / HOURS_PER_YEAR
    if years < EARLY_YEARS:
        return Figure(low=1.0, likely=1.0, high=EARLY_FACTOR_HIGH)
    if years <= AGE_FLAT_UNTIL_YEARS:
        return ONE
    share = min(1.0, (years - AGE_FLAT_UNTIL_YEARS) / (AGE_PEAK_YEARS - AGE_FLAT_UNTIL_YEARS))
    return Figure(
        low=1.0,
        likely=1.0 + (AGE_PEAK_FACTOR - 1.0) * share,
        high=AGE_PEAK_FACTOR + (LATE_FACTOR_HIGH - AGE_PEAK_FACTOR) * share,
    )


def base_afr(drive_class: DriveClass, age_hours: float | None) -> Figure:
    """Give the yearly rate of failure of a drive of this class and age that shows no sign."""
    match drive_class:
        case DriveClass.HARD_DISK:
            base = HARD_DISK_AFR
        case DriveClass.FLASH | DriveClass.NVME:
            base = FLASH_AFR
        case DriveClass.UNKNOWN:
            base = UNKNOWN_AFR
    return base.times(age_factor(drive_class, age_hours))


def is_worn(life: DriveLife) -> bool:
    """Tell whether a flash drive has used nine tenths or more of its rated writes."""
    return life.wear_percent is not None and life.wear_percent >= WORN_PERCENT


def hazard(life: DriveLife) -> Figure:
    """Give the hourly hazard of one drive: base rate for class and age, times its signs.

    Proportional hazards: the relative risk multiplies the rate, so a chance made from it stays
    below 1 however bad the signs (39 times after a first scan error, Pinheiro et al., FAST 2007).
    """
    rate = base_afr(life.drive_class, life.age_hours).times(life.risk)
    if is_worn(life):
        rate = rate.times(WORN_RISK)
    return rate.scaled(1.0 / HOURS_PER_YEAR)


# --- clustering --------------------------------------------------------------------------------


class Kinship(StrEnum):
    """How alike the drives of a pool are, as far as is known."""

    UNLIKE = "unlike"  # no two of one model
    SAME_MODEL = "same-model"
    SAME_BATCH = "same-batch"  # one model and nearly the same age


CLUSTERING = {
    Kinship.UNLIKE: Figure(low=1.0, likely=2.0, high=4.0),
    Kinship.SAME_MODEL: Figure(low=1.0, likely=4.0, high=10.0),
    Kinship.SAME_BATCH: Figure(low=2.0, likely=10.0, high=40.0),
}
"""How many times likelier a second failure is right after a first one, than independence says.

4: a second failure within the hour against the exponential law, and 2 within ten hours (Schroeder
and Gibson, FAST 2007, the second from memory). 10: each further failure ten times as likely (Chen
et al. 1994, tables 4 to 6). 40: our choice, the middle (on a log scale) between 10 and the 186
times of the week after a first replacement in a flash array (Maneas et al., FAST 2020: 9.39%
against 0.0504%). Which kinship gets which figure is our choice."""

CLUSTER_HALVES_HOURS = 168.0
"""The excess halves every week: our choice; the published peak is the first week, and correlation
is told to last up to 30 weeks."""

BATCH_AGE_HOURS = 1000.0
"""Two drives of one model within this many power-on hours count as one batch: our choice."""


def kinship(lives: Iterable[DriveLife]) -> Kinship:
    """Tell how alike drives are. What is not known counts as alike: the careful side.

    Drives of unknown model count as the same model; drives of one model with an unknown age as
    the same model, not as one batch.
    """
    worst = Kinship.UNLIKE
    for one, other in combinations(tuple(lives), 2):
        if one.model is not None and other.model is not None and one.model != other.model:
            continue
        if (
            one.model is not None
            and one.model == other.model
            and one.age_hours is not None
            and other.age_hours is not None
            and abs(one.age_hours - other.age_hours) <= BATCH_AGE_HOURS
        ):
            return Kinship.SAME_BATCH
        worst = Kinship.SAME_MODEL
    return worst


def clustered_hours(hours: float, since_first_hours: float, factor: float) -> float:
    """Give the hours of ordinary life that ``hours`` after a first failure are worth.

    The hazard is ``1 + (factor - 1) * 2**(-t / CLUSTER_HALVES_HOURS)`` times the ordinary one at
    ``t`` hours after the first failure; this is its integral over the window, which begins
    ``since_first_hours`` after that failure. Equal to ``hours`` for a factor of 1.
    """
    decay = math.log(2.0) / CLUSTER_HALVES_HOURS
    excess = math.exp(-decay * since_first_hours) * -math.expm1(-decay * hours) / decay
    return hours + (factor - 1.0) * excess
