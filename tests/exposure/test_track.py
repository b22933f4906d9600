"""The speed curve of a disk."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.track import pass_hours, speed_share, time_share, track_time

RATIOS = st.floats(0.3, 1.0)
SHARES = st.floats(0, 1)


@given(RATIOS)
def test_the_ends_are_those_of_the_ratio(ratio: float) -> None:
    assert speed_share(0.0, ratio) == 1.0
    assert speed_share(1.0, ratio) == pytest.approx(ratio)
    assert track_time(0.0, ratio) == 0.0
    assert track_time(1.0, ratio) == pytest.approx(2 / (1 + ratio))


@given(RATIOS, SHARES)
def test_time_is_the_integral_of_one_over_speed(ratio: float, done: float) -> None:
    steps = 2000
    summed = sum(done / steps / speed_share((n + 0.5) * done / steps, ratio) for n in range(steps))
    assert track_time(done, ratio) == pytest.approx(summed, rel=1e-5, abs=1e-12)


@given(RATIOS, SHARES)
def test_time_lags_behind_data(ratio: float, done: float) -> None:
    assert time_share(done, ratio) <= done + 1e-12


@given(RATIOS, st.floats(0.05, 1.5))
def test_a_limit_is_the_integral_too(ratio: float, cap: float) -> None:
    steps = 2000
    summed = sum(1 / steps / min(cap, speed_share((n + 0.5) / steps, ratio)) for n in range(steps))
    hours = pass_hours(3.6e12, 1e9, ratio, cap * 1e9)
    assert hours == pytest.approx(summed, rel=1e-3)


def test_an_even_drive_takes_capacity_over_speed() -> None:
    assert pass_hours(3.6e12, 1e9, 1.0) == pytest.approx(1.0)
    assert pass_hours(3.6e12, 1e9, 0.5) == pytest.approx(4 / 3)
