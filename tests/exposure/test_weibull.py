"""Lives that wear out or fail early: properties (worked examples are in tests/reference)."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.weibull import (
    Weibull,
    fit_weibull,
    log_likelihood,
    scale_bound,
    still_living,
)

LAWS = st.builds(
    Weibull, shape=st.floats(0.5, 5), scale=st.floats(10, 1e6), offset=st.floats(0, 100)
)


@given(LAWS, st.floats(0.001, 0.999))
def test_the_age_undoes_the_share(law: Weibull, share: float) -> None:
    assert law.failed_by(law.age_at(share)) == pytest.approx(share, rel=1e-6)


@given(LAWS, st.floats(0, 1e5), st.floats(0.001, 0.9))
def test_the_age_after_another_undoes_the_share_of_the_living(
    law: Weibull, age: float, share: float
) -> None:
    later = law.age_after(age, share)
    if later > age * (1 + 1e-6):
        assert law.fails_within(age, later - age) == pytest.approx(share, rel=1e-3)


def test_wear_out_and_early_failures() -> None:
    worn, early = Weibull(shape=3, scale=100), Weibull(shape=0.5, scale=100)
    assert worn.hazard(200) > worn.hazard(100) > worn.hazard(0) == 0.0
    assert early.hazard(100) > early.hazard(200)
    assert early.hazard(0) == float("inf")
    assert Weibull(shape=1, scale=100).hazard(0) == 0.01
    assert Weibull(shape=2, scale=10, offset=6).failed_by(6) == 0.0


@pytest.mark.parametrize("shape", [0.7, 1.0, 2.5])
def test_a_fit_finds_the_law_of_a_large_sample(shape: float) -> None:
    """5,000 seeded lives, seen until three quarters of the scale."""
    law = Weibull(shape=shape, scale=1000)
    chance = random.Random(11)
    ages = [law.age_at(chance.random()) for _ in range(5000)]
    failed = [age for age in ages if age < 750]
    fit = fit_weibull(failed, [750.0] * (5000 - len(failed)))
    assert fit.shape == pytest.approx(shape, rel=0.05)
    assert fit.scale == pytest.approx(1000, rel=0.05)
    best = log_likelihood(fit, failed, [750.0] * (5000 - len(failed)))
    for other in (
        Weibull(shape=fit.shape * 1.02, scale=fit.scale),
        Weibull(shape=fit.shape, scale=fit.scale * 1.02),
    ):
        assert log_likelihood(other, failed, [750.0] * (5000 - len(failed))) < best


@pytest.mark.parametrize("failed", [[], [5.0], [0.0, 3.0], [4.0, 4.0]])
def test_refuses_a_fit_to_too_little(failed: list[float]) -> None:
    with pytest.raises(ValueError, match="a fit needs"):
        fit_weibull(failed)


@pytest.mark.parametrize(
    "law",
    [{"shape": 0, "scale": 1}, {"shape": 1, "scale": 0}, {"shape": 1, "scale": 1, "offset": -1}],
)
def test_refuses_what_is_no_law(law: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="no Weibull law"):
        Weibull(**law)


@given(st.lists(st.floats(1, 1000), min_size=1, max_size=20), st.lists(st.floats(1, 1000)))
def test_the_share_living_only_falls(failed: list[float], living: list[float]) -> None:
    shares = [share for _, share in still_living(failed, living)]
    assert shares == sorted(shares, reverse=True)
    assert len(shares) == len(set(failed))


def test_longer_tests_show_longer_lives() -> None:
    assert scale_bound([2000] * 5, 1.5, 0.9) == pytest.approx(2 * scale_bound([1000] * 5, 1.5, 0.9))


def test_refuses_lives_that_all_end_at_once() -> None:
    with pytest.raises(ValueError, match="too much alike"):
        fit_weibull([100.0, 100.0 + 1e-12, 100.0 + 2e-12])
