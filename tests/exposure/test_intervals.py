"""Exact intervals and bounds: properties, and scipy at the ends (examples: tests/reference)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from watcher.exposure.intervals import (
    afr_interval,
    chi_square_quantile,
    fixed_length_plan,
    gamma_share,
    mtbf_bounds,
    mtbf_lower_bound,
    poisson_interval,
)

SHARES = st.floats(1e-6, 1 - 1e-6)


@given(SHARES, st.floats(0.5, 500))
def test_the_quantile_undoes_the_share(share: float, degrees: float) -> None:
    value = chi_square_quantile(share, degrees)
    assert gamma_share(degrees / 2, value / 2) == pytest.approx(share, rel=1e-6, abs=1e-9)


@given(st.floats(0.1, 100), st.floats(0, 200), st.floats(0, 50))
def test_the_share_only_rises(shape: float, value: float, more: float) -> None:
    assert 0.0 <= gamma_share(shape, value) <= gamma_share(shape, value + more) + 1e-12 <= 1 + 1e-9


@given(st.integers(0, 500), st.floats(0.5, 0.99), st.floats(0.001, 0.009))
def test_a_surer_interval_is_wider(count: int, confidence: float, more: float) -> None:
    low, high = poisson_interval(count, confidence)
    wide_low, wide_high = poisson_interval(count, confidence + more)
    assert wide_low <= low <= count <= high <= wide_high


@given(st.floats(1, 1e6), st.integers(1, 50))
def test_bounds_of_an_mtbf_scale_with_the_hours(hours: float, failures: int) -> None:
    one, two = mtbf_bounds(hours, failures, 0.9), mtbf_bounds(2 * hours, failures, 0.9)
    assert two.lower == pytest.approx(2 * one.lower)
    assert one.lower < hours / failures < (one.upper or 0.0)
    assert mtbf_lower_bound(hours, failures, 0.95) == pytest.approx(one.lower)


def test_no_failures_start_at_zero() -> None:
    figure = afr_interval(0, 3650)
    assert (figure.low, figure.likely) == (0.0, 0.0)
    assert figure.high == pytest.approx(0.36889, rel=1e-4)


@pytest.mark.parametrize(("share", "degrees"), [(1.0, 2), (-0.1, 2), (0.5, 0)])
def test_refuses_what_has_no_quantile(share: float, degrees: float) -> None:
    with pytest.raises(ValueError, match="no chi-square quantile"):
        chi_square_quantile(share, degrees)


def test_closer_mtbfs_need_longer_tests() -> None:
    near, far = fixed_length_plan(0.1, 0.1, 2.0), fixed_length_plan(0.1, 0.1, 5.0)
    assert near.length > far.length
    assert near.failures > far.failures


@pytest.mark.parametrize("shape", [0.5, 1.0, 10.0, 1e3, 1e4, 1e6])
@pytest.mark.parametrize("factor", [1e-6, 0.5, 0.99, 1.0, 1.01, 2.0, 100.0])
def test_the_share_is_that_of_the_reference_library_at_its_ends(
    shape: float, factor: float
) -> None:
    found = gamma_share(shape, shape * factor)
    assert found == pytest.approx(special.gammainc(shape, shape * factor), abs=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2, 50, 5_000, 1_000_000])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
def test_the_interval_of_a_count_is_that_of_the_reference_library(
    count: int, confidence: float
) -> None:
    """From none that failed to a million; scipy's chi-square beside Garwood's limits."""
    tail = (1.0 - confidence) / 2.0
    low = stats.chi2.ppf(tail, 2 * count) / 2.0 if count else 0.0
    high = stats.chi2.isf(tail, 2 * count + 2) / 2.0
    assert poisson_interval(count, confidence) == pytest.approx((low, high), rel=1e-9)
