"""Our closed forms and simulation against published figures of redundancy.

Sources are named beside each check. "From memory" means that the figure was recalled and
recomputed, and that the page itself was not read.
"""

from __future__ import annotations

import math
import random

import pytest

from watcher.exposure import redundancy
from watcher.exposure.chance import any_of, happens_within
from watcher.exposure.redundancy import Repair
from watcher.exposure.simulate import Group, simulate
from watcher.exposure.unreadable import expected_unreadable, latent_rate, meets_unreadable
from watcher.exposure.weibull import Weibull

YEAR = 8760.0
TEN_YEARS = 10 * YEAR

# Chen, Lee, Gibson, Katz, Patterson, ACM Computing Surveys 26(2), 1994, tables 4 to 6 (read):
# 100 data disks of 200,000 h and 5 GB, groups of 16, repair 1 h, second failure ten times likelier,
# one unreadable bit in 1e14, a crash a month, one hour to repair it.
MTTF, MTTF2, MTTF3 = 200_000.0, 20_000.0, 2_000.0
MTTR = 1.0
CRASH, CRASH_REPAIR = 720.0, 1.0
READ_WHOLE = math.exp(-5e9 * 8 * 1e-14)


def chen(group: int) -> tuple[float, float]:
    drives = redundancy.total_drives(100, group)
    return (
        redundancy.double_failure(MTTF, MTTF2, MTTR, drives, group),
        redundancy.failure_and_bit_error(MTTF, READ_WHOLE, drives, group),
    )


def pq() -> tuple[float, float, float]:
    drives = redundancy.total_drives(100, 16, parity=2)
    return (
        redundancy.triple_failure(MTTF, MTTF2, MTTF3, MTTR, drives, 16),
        redundancy.double_failure_and_bit_error(MTTF, MTTF2, MTTR, READ_WHOLE, drives, 16),
        redundancy.crash_and_failure(CRASH, CRASH_REPAIR, MTTF, drives),
    )


def percent_in_ten_years(mttdl: float) -> float:
    return 100 * redundancy.chance_within(mttdl, TEN_YEARS)


def test_one_parity_figures_of_chen_1994() -> None:
    """Table 5: 285 y 3.4%, 36 y 24.4%, crash 154 y 6.3%, all three 26 y 31.6%."""
    drives = redundancy.total_drives(100, 16)
    double, bit = chen(16)
    crash = redundancy.crash_and_failure(CRASH, CRASH_REPAIR, MTTF, drives)
    every = redundancy.together([double, bit, crash])
    assert drives == pytest.approx(106.67, abs=0.01)
    assert pytest.approx(0.9996, abs=1e-6) == READ_WHOLE
    years = [round(one / YEAR) for one in (double, bit, crash, every)]
    assert years == [285, 36, 154, 26]
    assert [round(percent_in_ten_years(one), 1) for one in (double, bit, crash, every)] == [
        3.4,
        24.4,
        6.3,
        31.6,
    ]


def test_without_the_crash_term_32_years() -> None:
    """Table 4: 32 y, and 26.8% when computed from the rounded 32 years."""
    total = redundancy.together(chen(16))
    assert round(total / YEAR) == 32
    assert percent_in_ten_years(32 * YEAR) == pytest.approx(26.8, abs=0.05)


def test_two_parity_figures_of_chen_1994() -> None:
    """Table 6: 38,052 y, 47,697 y, no crash 21,166 y, all 143 y 6.8% (crash row 144 y).

    The 7.7% printed for the crash row is a misprint: 144 y are 6.7%.
    """
    triple, bit, crash = pq()
    assert triple / YEAR == pytest.approx(38_052, abs=1)
    assert bit / YEAR == pytest.approx(47_697, abs=2)
    assert redundancy.together([triple, bit]) / YEAR == pytest.approx(21_166, abs=1)
    assert round(crash / YEAR) == 144
    every = redundancy.together([triple, bit, crash])
    assert round(every / YEAR) == 143
    assert percent_in_ten_years(every) == pytest.approx(6.8, abs=0.05)


@pytest.mark.parametrize(
    ("group", "double_years", "double_percent", "bit_years", "bit_percent"),
    [(8, 571, 1.74, 71, 13.06), (2, 2283, 0.437, 285, 3.44)],
)
def test_groups_of_eight_and_mirrors(
    group: int, double_years: int, double_percent: float, bit_years: int, bit_percent: float
) -> None:
    """The same formulas at other group sizes, in a public discussion of 2005 (second hand)."""
    double, bit = chen(group)
    assert round(double / YEAR) == double_years
    assert percent_in_ten_years(double) == pytest.approx(double_percent, abs=0.01)
    assert round(bit / YEAR) == bit_years
    assert percent_in_ten_years(bit) == pytest.approx(bit_percent, abs=0.01)


def test_sector_arithmetic_of_chen_1994() -> None:
    """Section 3.4.3: 200 million sectors, one error in 2.4e10: 0.8% of failures."""
    assert 100 * any_of([1 / 2.4e10] * 1000) == pytest.approx(100 * 1000 / 2.4e10, rel=1e-6)
    assert -100 * math.expm1(2e8 * math.log1p(-1 / 2.4e10)) == pytest.approx(0.83, abs=0.005)


@pytest.mark.parametrize(
    ("group", "checks", "hours"),
    [(10, 1, 818_182), (25, 1, 346_154), (1, 1, 4_500_000), (10, 4, 494_505)],
)
def test_small_groups_of_patterson_1988(group: int, checks: int, hours: int) -> None:
    """Patterson, Gibson, Katz, SIGMOD 1988 (from memory): 30,000 h, 100 data disks, repair 1 h."""
    assert redundancy.small_groups(30_000, 1, 100, group, checks) == pytest.approx(hours, abs=1)


def test_no_redundancy_of_patterson_1988() -> None:
    """100 disks of 30,000 h: 300 h, less than two weeks (from memory)."""
    assert redundancy.no_redundancy(30_000, 100) == 300


def test_base_case_of_elerath_and_pecht() -> None:
    """DSN 2007, 7+1 drives of 461,386 h, restore 12 h (from memory): 36,162 y; chain 36,176 y;
    0.28 double failures per 1,000 groups in ten years; one latent defect in 9,259 h.
    """
    approximate = 461_386**2 / (8 * 7 * 12)
    assert approximate / YEAR == pytest.approx(36_162, abs=1)
    assert redundancy.chain(461_386, 12, 8, 1) / YEAR == pytest.approx(36_176, abs=1)
    assert 1000 * TEN_YEARS / approximate == pytest.approx(0.28, abs=0.005)
    assert 1 / latent_rate(8e-14, 1.35e9) == pytest.approx(9_259, abs=1)


ELERATH = {
    "drives": 8,
    "bears": 1,
    "life": Weibull(shape=1.12, scale=461_386),
    "restore": Weibull(shape=2, scale=12, offset=6),
    "defects_per_hour": 1 / 9_259,
}


def test_means_of_elerath_and_pecht() -> None:
    """Scrub mean 156 h, restore mean 16.6 h, life mean 442,626 h (derived from the base case)."""
    assert Weibull(shape=3, scale=168, offset=6).mean == pytest.approx(156, abs=0.1)
    assert Weibull(shape=2, scale=12, offset=6).mean == pytest.approx(16.6, abs=0.05)
    assert Weibull(shape=1.12, scale=461_386).mean == pytest.approx(442_626, rel=1e-5)


@pytest.mark.parametrize(
    ("scrub", "published", "own_error"),
    [(None, 1230.0, 18.0), (Weibull(shape=3, scale=168, offset=6), 135.0, 3.0)],
)
def test_simulation_of_elerath_and_pecht(
    scrub: Weibull | None, published: float, own_error: float
) -> None:
    """Losses per 1,000 groups in ten years, without and with a weekly scrub.

    The paper says over 1,200 without (from memory); 1,230 +- 18 and 135 +- 3 are an independent
    simulation of its inputs. Within three standard errors of both.
    """
    group = Group(**ELERATH, scrub=scrub)  # type: ignore[arg-type]
    tally = simulate(group, groups=6000, hours=TEN_YEARS, chance=random.Random(20))
    error = math.hypot(1000 * math.sqrt(tally.losses) / tally.groups, own_error)
    assert abs(tally.losses_per_thousand() - published) < 3 * error


def test_simulation_agrees_with_a_closed_form_of_its_own_model() -> None:
    """Weekly scrub: 8 (T/eta)^beta (1 - (1 - q)^7) with q = 156/(9259 + 156) gives 137."""
    q = 156 / (9_259 + 156)
    closed = 8_000 * (TEN_YEARS / 461_386) ** 1.12 * (1 - (1 - q) ** 7)
    assert closed == pytest.approx(137, abs=0.5)
    group = Group(**ELERATH, scrub=Weibull(shape=3, scale=168, offset=6))  # type: ignore[arg-type]
    tally = simulate(group, groups=6000, hours=TEN_YEARS, chance=random.Random(21))
    error = 1000 * math.sqrt(tally.losses) / tally.groups
    assert abs(tally.losses_per_thousand() - closed) < 3 * error


def test_real_groups_lose_more_than_the_mean_says() -> None:
    """2 to 1,500 times the MTTDL estimate (abstracts of both papers, read): 135 per 1,000 groups
    against 0.28 lies inside.
    """
    assert 2 < 135 / 0.28 < 1500


@pytest.mark.parametrize(
    ("bears", "repair", "years"),
    [
        (1, Repair.SERIAL, 84_967.5),
        (2, Repair.SERIAL, 5.900e8),
        (2, Repair.PARALLEL, 1.180e9),
        (3, Repair.SERIAL, 4.917e12),
        (3, Repair.PARALLEL, 2.950e13),
    ],
)
def test_chain_of_eight(bears: int, repair: Repair, years: float) -> None:
    """n = 8, 1e-6 per hour, repair 24 h: Greenan, Plank, Wylie, HotStorage 2010 (second hand),
    and a solution of the chain's linear system (own recomputation).
    """
    assert redundancy.chain(1e6, 24, 8, bears, repair) / YEAR == pytest.approx(years, rel=2e-4)


def test_chain_is_the_exact_formula_of_one_parity() -> None:
    """(mu + (2n-1) lambda) / (n (n-1) lambda^2), Greenan et al. 2010; approximately 84,936.9 y."""
    rate, back = 1e-6, 1 / 24
    exact = (back + 15 * rate) / (8 * 7 * rate**2)
    assert redundancy.chain(1e6, 24, 8, 1) == pytest.approx(exact, rel=1e-12)
    approximate = 1e12 / (8 * 7 * 24)
    assert approximate / YEAR == pytest.approx(84_936.9, abs=0.1)


def test_chain_is_the_exact_formula_of_mirrors() -> None:
    """(3l + m)/(2l^2) and, three copies, (11l^2 + 4lm + m^2)/(6l^3) with serial repair (same)."""
    rate, back = 1e-4, 0.02
    two = (3 * rate + back) / (2 * rate**2)
    three = (11 * rate**2 + 4 * rate * back + back**2) / (6 * rate**3)
    assert redundancy.chain(1 / rate, 1 / back, 2, 1) == pytest.approx(two, rel=1e-12)
    serial = redundancy.chain(1 / rate, 1 / back, 3, 2, Repair.SERIAL)
    assert serial == pytest.approx(three, rel=1e-12)


@pytest.mark.parametrize(("bears", "factor"), [(1, 1), (2, 2), (3, 6)])
def test_parallel_repair_is_a_factorial_better(bears: int, factor: int) -> None:
    """Resch and Volvovski, arXiv 1310.4702 (read): the two models differ beyond one parity."""
    serial = redundancy.chain(1e9, 1, 8, bears, Repair.SERIAL)
    parallel = redundancy.chain(1e9, 1, 8, bears, Repair.PARALLEL)
    assert parallel / serial == pytest.approx(factor, rel=1e-6)


def test_mirror_and_series_of_a_textbook() -> None:
    """MTTF 6,000,000 h, repair 120 h: 1.5e11 h; five in series 1.2 million h (second hand)."""
    assert redundancy.mirror(6e6, 120) == pytest.approx(1.5e11)
    assert redundancy.no_redundancy(6e6, 5) == pytest.approx(1.2e6)


@pytest.mark.parametrize(("copies", "share"), [(2, 3 / 2), (3, 11 / 6), (4, 25 / 12)])
def test_copies_that_nobody_repairs(copies: int, share: float) -> None:
    """Mean time to lose all of 2, 3, 4: 3/2, 11/6, 25/12 of one life (same textbook)."""
    assert redundancy.mean_life_of_all(1.0, copies) == pytest.approx(share)
    assert redundancy.chain(1.0, 1e12, copies, copies - 1) == pytest.approx(share, rel=1e-9)


def test_corbett_counts_unordered_pairs_and_a_serial_read() -> None:
    """FAST 2004 (read): 1.2e-9 per hour, ten disks of 240 GB, 500,000 h, 100 MB/s; the ordinary
    formula gives 2.4e-10.
    """
    hours = 240e9 / 100e6 / 3600
    assert redundancy.pair_rate_unordered(10, 5e5, hours) == pytest.approx(1.2e-9, rel=1e-6)
    assert 90 * (1 / 5e5) ** 2 * hours == pytest.approx(2.4e-10, rel=1e-6)


@pytest.mark.parametrize("factor", [2.0, 7.5])
def test_a_mean_time_has_the_dimension_of_a_time(factor: float) -> None:
    """Doubling both times doubles the mean; a public sample that squares the repair time fails."""
    for bears in (1, 2, 3):
        for repair in Repair:
            plain = redundancy.chain(1e5, 20, 8, bears, repair)
            scaled = redundancy.chain(1e5 * factor, 20 * factor, 8, bears, repair)
            assert scaled == pytest.approx(factor * plain, rel=1e-12)
    f = factor
    assert redundancy.small_groups(3e4 * f, f, 100, 10) == pytest.approx(
        f * redundancy.small_groups(3e4, 1, 100, 10)
    )
    assert redundancy.double_failure(3e5 * f, 3e4 * f, f, 100, 8) == pytest.approx(
        f * redundancy.double_failure(3e5, 3e4, 1, 100, 8)
    )
    assert redundancy.triple_failure(3e5 * f, 3e4 * f, 3e3 * f, f, 100, 8) == pytest.approx(
        f * redundancy.triple_failure(3e5, 3e4, 3e3, 1, 100, 8)
    )


@pytest.mark.parametrize(
    ("terabytes", "rate", "percent"),
    [
        (3, 1e-14, 21.34),
        (6, 1e-14, 38.12),
        (12, 1e-14, 61.71),  # from memory "about 62%"
        (12.5, 1e-14, 63.21),  # 1e14 bits (read): 1 - 1/e
        (3, 1e-15, 2.37),
        (6, 1e-15, 4.69),
        (12, 1e-16, 0.955),
        (12, 1e-17, 0.096),
        (20, 1e-14, 79.8),
        (20, 1e-15, 14.8),
        (20, 1e-16, 1.59),
    ],
)
def test_the_table_of_unreadable_sectors(terabytes: float, rate: float, percent: float) -> None:
    """One whole reading at a specified rate: a public question and answer on rebuilds (second
    hand) and the classes of product manuals (read).
    """
    assert 100 * meets_unreadable(terabytes * 1e12, rate) == pytest.approx(percent, rel=5e-3)


def test_one_terabyte_linear_and_exact() -> None:
    """ "8% per TB" is linear; exact 7.69% (S. Hetzler 2012, read)."""
    assert expected_unreadable(1e12, 1e-14) == pytest.approx(0.08)
    assert 100 * meets_unreadable(1e12, 1e-14) == pytest.approx(7.69, abs=0.005)


@pytest.mark.parametrize(("terabytes", "count"), [(24, 1.9), (48, 3.8), (112, 9.0)])
def test_expected_errors_of_a_repairer(terabytes: float, count: float) -> None:
    """Expected errors of a data-recovery page (second hand): 24 TB 1.9, 48 TB 3.8, 112 TB 9.0."""
    assert expected_unreadable(terabytes * 1e12, 1e-14) == pytest.approx(count, abs=0.05)


def test_a_rate_of_1e_17_does_not_vanish() -> None:
    """1 - (1 - b)^n is 0 in double precision; the true chance at 12 TB is 0.096%."""
    bits = 12e12 * 8
    assert 1 - (1 - 1e-17) ** bits == 0.0
    assert meets_unreadable(12e12, 1e-17) == pytest.approx(bits * 1e-17, rel=1e-3)
    assert any_of([1e-17] * 10) == pytest.approx(1e-16, rel=1e-9)
    assert happens_within(1e-17, 1.0) == pytest.approx(1e-17, rel=1e-12)


def test_seven_drives_in_a_year() -> None:
    """AFR 0.9%: 6.13% that at least one of seven fails; 0.876%: 5.97% (S. Hetzler 2012, read)."""
    assert 100 * any_of([0.009] * 7) == pytest.approx(6.13, abs=0.005)
    assert 100 * any_of([0.00876] * 7) == pytest.approx(5.97, abs=0.005)
