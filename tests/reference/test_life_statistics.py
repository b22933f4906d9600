"""Our statistics of lives against handbooks, published tables and independent libraries.

"Read" means the source itself was read, "second hand" a text that states it, "from memory" neither.
"""

from __future__ import annotations

import math
from itertools import chain as joined

import pytest

from watcher.exposure.chance import count_chances, more_than
from watcher.exposure.intervals import (
    afr_interval,
    chi_square_quantile,
    drives_to_show,
    fixed_length_plan,
    gamma_share,
    mtbf_bounds,
    mtbf_lower_bound,
    mtbf_test_length,
    poisson_interval,
)
from watcher.exposure.life import (
    CLUSTERING,
    HOURS_PER_YEAR,
    Kinship,
    afr_from_counts,
    afr_from_mtbf,
    clustered_hours,
    mtbf_from_afr,
    yearly_chance_from_mtbf,
)
from watcher.exposure.weibull import (
    Weibull,
    fit_weibull,
    log_likelihood,
    scale_bound,
    still_living,
)

NIST_FAILED = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
NIST_LIVING = [500.0] * 10


def times(*pairs: tuple[float, int]) -> list[float]:
    return list(joined.from_iterable([age] * count for age, count in pairs))


# --- intervals ---------------------------------------------------------------------------------


def test_mtbf_example_of_the_nist_handbook() -> None:
    """800 h, 2 failures: 400 h, 90% interval 127 h to 2,251 h (NIST/SEMATECH 8.4.5.1).

    The printed output of the handbook's own program says 127.0690 and 2251.229 (second hand).
    """
    bounds = mtbf_bounds(800, 2, 0.90)
    assert bounds.estimate == 400
    assert bounds.lower == pytest.approx(127.0690, abs=1e-3)
    assert bounds.upper == pytest.approx(2251.229, abs=1e-3)


@pytest.mark.parametrize(
    ("failures", "confidence", "lower", "upper"),
    [
        (1, 0.60, 0.3340, 4.4814),
        (1, 0.80, 0.2571, 9.4912),
        (1, 0.90, 0.2108, 19.4957),
        (1, 0.95, 0.1795, 39.4979),
        (2, 0.90, 0.3177, 5.6281),
        (10, 0.90, 0.5895, 1.8432),
    ],
)
def test_factors_of_the_nist_handbook(
    failures: int, confidence: float, lower: float, upper: float
) -> None:
    """Bounds over the estimate (NIST/SEMATECH 8.4.5.1, factor table, from memory)."""
    bounds = mtbf_bounds(float(failures), failures, confidence)
    assert bounds.lower == pytest.approx(lower, abs=6e-5)
    assert bounds.upper == pytest.approx(upper, abs=6e-5)


@pytest.mark.parametrize(
    ("confidence", "factor"), [(0.6, 1.0914), (0.8, 0.6213), (0.9, 0.4343), (0.95, 0.3338)]
)
def test_no_failures_give_a_lower_bound_only(confidence: float, factor: float) -> None:
    """T / -ln(alpha) (NIST/SEMATECH 8.4.5.1, read); 8,760 h at 95%: 2,924 h."""
    bounds = mtbf_bounds(1.0, 0, confidence)
    assert bounds.lower == pytest.approx(factor, abs=6e-5)
    assert bounds.estimate is None
    assert bounds.upper is None
    assert mtbf_bounds(8760, 0, 0.95).lower == pytest.approx(2924, abs=0.5)


@pytest.mark.parametrize(
    ("failures", "confidence", "length"),
    [
        (0, 0.50, 0.693),
        (0, 0.60, 0.916),
        (0, 0.75, 1.386),
        (0, 0.80, 1.609),
        (0, 0.90, 2.303),
        (0, 0.95, 2.996),
        (1, 0.90, 3.890),
        (2, 0.90, 5.322),
        (4, 0.90, 7.994),
    ],
)
def test_how_long_a_test_must_run(failures: int, confidence: float, length: float) -> None:
    """NIST/SEMATECH 8.3.1.1: 80 and 90% with none, and r = 1, 2 second hand, others from memory."""
    assert mtbf_test_length(failures, confidence) == pytest.approx(length, abs=6e-4)


def test_rule_of_three() -> None:
    """Nothing seen in n: at most 3/n at 95% (Hanley and Lippman-Hand, JAMA 1983; second hand)."""
    assert mtbf_test_length(0, 0.95) == pytest.approx(2.9957, abs=1e-4)


def test_45_lives_that_ended_by_failure() -> None:
    """RIAC sheet (read): 45 lives, total 4,496.742: mean 99.93, 95% interval 76.13 to 137.00."""
    bounds = mtbf_bounds(4496.742, 45, 0.95, by_failure=True)
    assert bounds.estimate == pytest.approx(99.93, abs=0.005)
    assert bounds.lower == pytest.approx(76.13, abs=0.005)
    assert bounds.upper == pytest.approx(137.00, abs=0.01)


def test_reliability_bound_of_nelson() -> None:
    """Ten of ten failed, mean 6,097.3, 90% one-sided: R(60) >= 0.98612.

    Nelson, Applied Life Data Analysis, 1982, page 255 (second hand).
    """
    lower = mtbf_lower_bound(60_973, 10, 0.90, by_failure=True)
    assert math.exp(-60 / lower) == pytest.approx(0.98612, abs=5e-6)


def test_bounds_of_tests_ended_by_time() -> None:
    """19,520 h, 7 failures, 80% two-sided: 1,658.325; 10,000 km, 6, 80% one-sided: 1,101.8816.

    Examples of the reliability package's planner (second hand).
    """
    assert mtbf_bounds(19_520, 7, 0.80).lower == pytest.approx(1658.325, abs=1e-3)
    assert mtbf_lower_bound(10_000, 6, 0.80) == pytest.approx(1101.8816, abs=1e-4)


@pytest.mark.parametrize(
    ("reliability", "confidence", "failures", "count"),
    [
        (0.95, 0.95, 0, 59),
        (0.95, 0.95, 1, 93),
        (0.90, 0.90, 0, 22),
        (0.99, 0.90, 0, 230),
        (0.999, 0.90, 0, 2302),
        (0.90, 0.90, 2, 52),
        (0.999, 0.95, 0, 2995),
        (0.90, 0.95, 0, 29),
        (0.90, 0.95, 1, 46),
        (0.99, 0.95, 0, 299),
    ],
)
def test_how_many_must_pass(
    reliability: float, confidence: float, failures: int, count: int
) -> None:
    """Textbook sizes in the tests of surpyval and the manual of reliability (second hand)."""
    assert drives_to_show(reliability, confidence, failures) == count


@pytest.mark.parametrize(
    ("good_refused", "bad_accepted", "ratio", "length", "failures"),
    [(0.2, 0.2, 1.5, 21.5, 17), (0.1, 0.1, 3.0, 9.3, 5), (0.2, 0.2, 3.0, 4.3, 2)],
)
def test_fixed_length_plans_of_mil_hdbk_781a(
    good_refused: float, bad_accepted: float, ratio: float, length: float, failures: int
) -> None:
    """Plans XI-D, XV-D, XVII-D (second hand): the handbook rounds the length up to a tenth."""
    plan = fixed_length_plan(good_refused, bad_accepted, ratio)
    assert plan.failures == failures
    assert plan.length == pytest.approx(length, abs=0.07)
    assert plan.good_refused <= good_refused


def test_bounds_with_no_failures_and_a_known_shape() -> None:
    """10 units x 500 h, shape 2, 95%: 913.5209; 5 x 1,000 h, exponential, 60%: 5,456.783.

    Nelson 1985; Abernethy, The New Weibull Handbook, chapter 6 (second hand).
    """
    assert scale_bound([500] * 10, 2.0, 0.95) == pytest.approx(913.5209, abs=1e-4)
    assert scale_bound([1000] * 5, 1.0, 0.60) == pytest.approx(5456.783, abs=1e-3)


# --- Weibull -----------------------------------------------------------------------------------


def test_weibull_fit_of_the_nist_handbook() -> None:
    """20 units, 10 failed, the rest living at 500 h: 1.7208, 606.5280.

    NIST/SEMATECH 8.4.1.3 (read). Log-likelihood -75.135, mean 540.737 h, deviation 323.806 h
    recomputed independently.
    """
    law = fit_weibull(NIST_FAILED, NIST_LIVING)
    assert law.shape == pytest.approx(1.7208, abs=5e-5)
    assert law.scale == pytest.approx(606.5280, abs=5e-3)
    assert log_likelihood(law, NIST_FAILED, NIST_LIVING) == pytest.approx(-75.135, abs=5e-4)
    assert law.mean == pytest.approx(540.737, abs=0.01)
    assert law.deviation == pytest.approx(323.806, abs=0.01)


def test_exponential_mean_of_the_same_units() -> None:
    """7,771 h / 10 = 777.1 h (NIST/SEMATECH 8.4.1, recomputed)."""
    assert mtbf_bounds(sum(NIST_FAILED) + 5000, 10, 0.9).estimate == pytest.approx(777.1)


def test_fit_of_70_fans() -> None:
    """70 units, 12 failed: 1.0584 and 26.2968 thousand hours (SAS/QC manual, second hand)."""
    failed = times((450, 1), (1150, 2), (1600, 1), (2070, 2), (2080, 1), (3100, 1), (3450, 1))
    failed += [4600, 6100, 8750]
    living = times((460, 1), (1560, 1), (1660, 1), (1850, 5), (2030, 3), (2200, 1), (3000, 4))
    living += times((3200, 1), (3750, 2), (4150, 4), (4300, 4), (4850, 4), (5000, 3), (6100, 3))
    living += times((6300, 1), (6450, 2), (6700, 1), (7450, 1), (7800, 2), (8100, 2), (8200, 1))
    living += times((8500, 3), (8750, 2), (9400, 1), (9900, 1), (10100, 3), (11500, 1))
    assert (len(failed), len(living)) == (12, 58)
    law = fit_weibull(failed, living)
    assert law.shape == pytest.approx(1.0584, abs=1e-4)
    assert law.scale / 1000 == pytest.approx(26.2968, abs=2e-4)
    assert sum(failed + living) / 12 / 1000 == pytest.approx(28.7033, abs=1e-4)


CARS_FAILED = [5248, 7454, 16890, 17200, 38700, 45000, 49390, 69040, 72280, 131900]
CARS_LIVING = [
    *(3961, 4007, 4734, 6054, 7298, 10190, 23060, 27160, 28690, 37100, 40060, 45670, 53000),
    *(67000, 69630, 77350, 78470, 91680, 105700, 106300, 150400),
]


def test_31_cars() -> None:
    """Krivtsov and Case, SAE 1999-01-3220 (second hand): shares living and log-likelihood -128.974.

    The printed 134,243 and 1.15586 are 0.3% off the exact maximum 134,651 and 1.15443.
    """
    shares = [share for _, share in still_living(CARS_FAILED, CARS_LIVING)]
    printed = [0.964286, 0.925714, 0.885466, 0.845217, 0.795499]
    printed += [0.742465, 0.685353, 0.616817, 0.539715, 0.269858]
    assert shares == pytest.approx(printed, abs=1e-6)
    law = fit_weibull(CARS_FAILED, CARS_LIVING)
    assert log_likelihood(law, CARS_FAILED, CARS_LIVING) == pytest.approx(-128.974, abs=5e-4)
    assert law.scale == pytest.approx(134_651, abs=1)
    assert law.shape == pytest.approx(1.15443, abs=1e-5)
    other = Weibull(shape=1.15586, scale=134_243)
    assert log_likelihood(other, CARS_FAILED, CARS_LIVING) < -128.97375


def test_weibull_functions_of_the_nist_handbook() -> None:
    """Shape 1.5, scale 5,000 at 1,000 h: share failed 0.0856, density 1.23e-4.

    Section 8.1.6.2 from memory; the share 0.0855593563928 is also in the test data of an
    independent code (second hand).
    """
    law = Weibull(shape=1.5, scale=5000)
    assert law.failed_by(1000) == pytest.approx(0.0855593563928, rel=1e-12)
    assert law.density(1000) == pytest.approx(1.2269e-4, rel=1e-4)
    assert law.hazard(1000) == pytest.approx(1.3416e-4, rel=1e-4)
    assert law.age_at(0.1) == pytest.approx(1115.4, abs=0.05)
    assert law.age_at(0.5) == pytest.approx(3916.1, abs=0.05)
    assert law.mean == pytest.approx(4513.7, abs=0.05)
    assert Weibull(shape=1.5, scale=1).failed_by(0.5) == pytest.approx(0.29781149863, rel=1e-9)
    assert Weibull(shape=1.5, scale=1).age_at(0.1) == pytest.approx(0.223075525637, rel=1e-10)


def test_exponential_example_of_the_nist_handbook() -> None:
    """Rate 0.01 at 100: density 0.0037, share failed 0.6321 (8.1.6.1, from memory)."""
    law = Weibull(shape=1, scale=100)
    assert law.density(100) == pytest.approx(0.0036788, abs=5e-8)
    assert law.failed_by(100) == pytest.approx(0.6321206, abs=5e-8)


# --- independent libraries ---------------------------------------------------------------------


def test_chi_square_against_scipy() -> None:
    """scipy.stats.chi2 as an independent reference, over small and large shares and degrees."""
    stats = pytest.importorskip("scipy.stats")
    for degrees in (1, 2, 3, 4, 10, 37, 244, 3000):
        for share in (1e-6, 0.025, 0.05, 0.5, 0.9, 0.975, 0.999999):
            ours = chi_square_quantile(share, degrees)
            assert ours == pytest.approx(stats.chi2.ppf(share, degrees), rel=1e-8)


def test_incomplete_gamma_against_scipy() -> None:
    """scipy.special.gammainc as an independent reference."""
    special = pytest.importorskip("scipy.special")
    for shape in (0.5, 1.0, 2.5, 20.0, 400.0):
        for value in (0.01, 0.7, 3.0, 21.0, 390.0, 500.0):
            assert gamma_share(shape, value) == pytest.approx(
                special.gammainc(shape, value), rel=1e-9, abs=1e-13
            )


def test_poisson_binomial_against_scipy() -> None:
    """scipy.stats.poisson_binom as an independent reference, for unlike drives."""
    stats = pytest.importorskip("scipy.stats")
    if not hasattr(stats, "poisson_binom"):
        pytest.skip("this scipy has no Poisson-binomial distribution")
    chances = [0.3, 0.01, 0.2, 0.5, 1e-4, 0.07, 0.99, 0.0, 0.12]
    law = stats.poisson_binom(chances)
    for upto in range(len(chances)):
        counts = count_chances(chances, upto)
        assert counts[:-1] == pytest.approx([law.pmf(k) for k in range(upto + 1)], abs=1e-14)
        assert more_than(chances, upto) == pytest.approx(law.sf(upto), abs=1e-13)


def test_weibull_fit_against_scipy() -> None:
    """scipy.stats.CensoredData as an independent reference."""
    stats = pytest.importorskip("scipy.stats")
    data = stats.CensoredData(uncensored=CARS_FAILED, right=CARS_LIVING)
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    law = fit_weibull(CARS_FAILED, CARS_LIVING)
    assert law.shape == pytest.approx(shape, rel=1e-3)
    assert law.scale == pytest.approx(scale, rel=1e-3)


def test_the_share_still_living_against_scipy() -> None:
    """scipy.stats.ecdf of censored data is the Kaplan-Meier estimate."""
    stats = pytest.importorskip("scipy.stats")
    data = stats.CensoredData(uncensored=CARS_FAILED, right=CARS_LIVING)
    curve = stats.ecdf(data).sf
    found = still_living(CARS_FAILED, CARS_LIVING)
    assert [age for age, _ in found] == sorted(set(CARS_FAILED))
    for age, share in found:
        assert share == pytest.approx(float(curve.evaluate(age)), abs=1e-12)


def test_weibull_fit_and_the_share_still_living_against_lifelines() -> None:
    """lifelines' WeibullFitter and KaplanMeierFitter, where that library is installed."""
    lifelines = pytest.importorskip("lifelines")
    law = fit_weibull(CARS_FAILED, CARS_LIVING)
    fitter = lifelines.WeibullFitter()
    ended = [1] * len(CARS_FAILED) + [0] * len(CARS_LIVING)
    fitter.fit([*CARS_FAILED, *CARS_LIVING], ended)
    assert law.shape == pytest.approx(fitter.rho_, rel=1e-4)
    assert law.scale == pytest.approx(fitter.lambda_, rel=1e-4)
    curve = lifelines.KaplanMeierFitter().fit([*CARS_FAILED, *CARS_LIVING], ended)
    for age, share in still_living(CARS_FAILED, CARS_LIVING):
        assert share == pytest.approx(float(curve.predict(age)), abs=1e-12)


# --- failure rates -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mtbf", "linear", "exponential"),
    [
        (1_000_000, 0.8760, 0.8722),
        (1_500_000, 0.584, 0.582),
        (300_000, 2.92, 2.88),
    ],
)
def test_mtbf_to_afr_linear_and_exponential(mtbf: float, linear: float, exponential: float) -> None:
    """1,000,000 h is 0.88% (S. Hetzler 2012; Schroeder and Gibson 2007, abstract; read)."""
    assert 100 * afr_from_mtbf(mtbf) == pytest.approx(linear, abs=6e-4 * linear)
    assert 100 * yearly_chance_from_mtbf(mtbf) == pytest.approx(exponential, abs=2e-3 * linear)
    assert mtbf_from_afr(afr_from_mtbf(mtbf)) == pytest.approx(mtbf)


@pytest.mark.parametrize(
    ("mtbf", "percent"),
    [(1.2e6, 0.73), (2.0e6, 0.44), (1.6e6, 0.55), (0.8e6, 1.1), (2.5e6, 0.35)],
)
def test_afr_of_product_manuals(mtbf: float, percent: float) -> None:
    """MTBF and AFR as four manuals print them together (read); 2.5 million h second hand."""
    assert 100 * afr_from_mtbf(mtbf) == pytest.approx(percent, abs=0.0055)


def test_half_have_failed_at_seven_tenths_of_the_mtbf() -> None:
    """Not at the MTBF: a published mistake makes 1.46% a year of 300,000 h."""
    assert Weibull(shape=1, scale=300_000).age_at(0.5) / 300_000 == pytest.approx(0.693, abs=5e-4)


FIRST_QUARTER_2017 = """
46 3956 0 0.00 0.00 34.04 | 4380 383788 10 0.95 0.46 1.75 | 1025 94973 3 1.15 0.24 3.37
974 83918 4 1.74 0.47 4.45 | 46 3956 0 0.00 0.00 34.04 | 2624 232760 1 0.16 0.00 0.87
8482 644282 6 0.34 0.12 0.74 | 15339 959967 37 1.41 0.99 1.94 | 146 12551 1 2.91 0.07 16.20
34540 2981251 267 3.27 2.89 3.69 | 170 15261 15 35.88 20.08 59.17 | 45 3870 0 0.00 0.00 34.79
1891 162506 3 0.67 0.14 1.97 | 443 38271 3 2.86 0.59 8.36 | 45 3870 0 0.00 0.00 34.79
9861 815494 23 1.03 0.65 1.54 | 2459 37559 2 1.94 0.24 7.02
"""
YEAR_2018 = """
50 23069 1 1.58 0.04 8.82 | 4704 1801804 24 0.49 0.31 0.72 | 14550 5435466 54 0.36 0.27 0.47
23236 9961154 581 2.13 1.96 2.31 | 145 52850 1 0.69 0.02 3.85 | 45 16335 0 0.00 0.00 8.24
1524 632412 17 0.98 0.57 1.57 | 383 152703 9 2.15 0.98 4.08 | 1045 378238 7 0.68 0.27 1.39
9874 3589822 92 0.94 0.75 1.15 | 14383 5224893 126 0.88 0.73 1.05 | 1210 442260 4 0.33 0.09 0.85
1278 71079 1 0.51 0.01 2.86 | 31146 7768206 296 1.39 1.24 1.56 | 1205 108536 9 3.03 1.38 5.75
"""


def rows(table: str) -> list[tuple[float, ...]]:
    lines = table.replace("\n", "|").split("|")
    return [tuple(float(word) for word in line.split()) for line in lines if line.strip()]


@pytest.mark.parametrize("row", rows(FIRST_QUARTER_2017) + rows(YEAR_2018))
def test_32_published_rows_of_failure_rates(row: tuple[float, ...]) -> None:
    """Drives, drive-days, failures, published AFR in per cent; interval recomputed with scipy.

    Drive statistics of the first quarter of 2017 and of 2018 as two press copies print them
    (second hand), one model a row. Intervals are exact Poisson at 95%.
    """
    _, days, failures, published, low, high = row
    figure = afr_interval(round(failures), days)
    assert 100 * afr_from_counts(round(failures), days) == pytest.approx(published, abs=0.0101)
    assert 100 * figure.low == pytest.approx(low, abs=0.0051)
    assert 100 * figure.high == pytest.approx(high, abs=0.0051)


def test_the_two_tables_have_32_rows() -> None:
    """17 and 15; the total of 2018 is 1.25% (printed drive-days are 100 too many)."""
    assert (len(rows(FIRST_QUARTER_2017)), len(rows(YEAR_2018))) == (17, 15)
    days = sum(row[1] for row in rows(YEAR_2018))
    failures = sum(round(row[2]) for row in rows(YEAR_2018))
    assert (days, failures) == (35_658_827, 1_222)
    assert 100 * afr_from_counts(failures, days) == pytest.approx(1.25, abs=0.005)


def test_a_failure_every_two_hours() -> None:
    """4,189 failures in 2023: one each 2 h 5 min (published statistics, second hand)."""
    assert pytest.approx(2 + 5 / 60, abs=0.02) == 8760 / 4189


def test_exact_poisson_interval_against_scipy() -> None:
    """scipy.stats.poisson: at the lower end n or more has 2.5%, at the upper end n or less."""
    stats = pytest.importorskip("scipy.stats")
    for count in (1, 2, 7, 102, 1376):
        low, high = poisson_interval(count)
        assert stats.poisson.sf(count - 1, low) == pytest.approx(0.025, rel=1e-7)
        assert stats.poisson.cdf(count, high) == pytest.approx(0.025, rel=1e-7)


# --- clustering --------------------------------------------------------------------------------


def test_a_second_failure_in_the_week_after_the_first() -> None:
    """9.39% in the week after a first replacement in an array of flash, 0.0504% in any week.

    Maneas et al., FAST 2020 (second hand): 186 times. Our highest factor stays below that, and
    every likely one is above independence.
    """
    published = 9.39 / 0.0504
    assert published == pytest.approx(186, abs=0.5)
    week = 7 * 24.0
    for figure in CLUSTERING.values():
        likely = clustered_hours(week, 0.0, figure.likely) / week
        assert 1.0 < likely < published
        assert clustered_hours(week, 0.0, figure.high) / week < published
    batch = CLUSTERING[Kinship.SAME_BATCH]
    assert clustered_hours(week, 0.0, batch.likely) > clustered_hours(week, 0.0, 4.0)


def test_a_second_failure_within_the_hour() -> None:
    """Four times the exponential (Schroeder and Gibson, FAST 2007, second hand): one model."""
    figure = CLUSTERING[Kinship.SAME_MODEL]
    assert clustered_hours(1.0, 0.0, figure.likely) == pytest.approx(4.0, rel=0.01)


def test_clustering_fades() -> None:
    """Half a year after a failure the rate is back to the ordinary one."""
    later = clustered_hours(24.0, HOURS_PER_YEAR / 2, 40.0)
    assert later == pytest.approx(24.0, rel=1e-3)
    assert clustered_hours(24.0, 0.0, 1.0) == 24.0
