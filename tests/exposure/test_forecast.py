"""When running work will be through."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import norm

from tests.exposure.runs import START, simulated_rebuild
from watcher.exposure.forecast import RATIOS, Forecast, Pace, Progress, forecast
from watcher.exposure.life import DriveClass
from watcher.exposure.track import time_share, track_time


def look(minutes: float, done: float) -> Progress:
    return Progress(at=START + timedelta(minutes=minutes), done=done)


def even(minutes: int, per_minute: float, first: int = 0) -> list[Progress]:
    return [look(n, (n - first) * per_minute) for n in range(first, minutes + 1, 5)]


def certain(run: list[Progress], now: datetime | None = None, **how: object) -> Forecast:
    found = forecast(run, now or run[-1].at, **how)  # type: ignore[arg-type]
    assert found is not None
    return found


def test_too_little_to_tell() -> None:
    assert forecast([], START) is None
    assert forecast([look(0, 0.1)], START) is None
    assert forecast([look(0, 0.1), look(0.5, 0.2)], START) is None
    assert forecast([look(0, 0.1), look(60, 0.1005)], START) is None


def test_flash_is_even_and_the_plain_rule_holds() -> None:
    found = certain(even(120, 0.25 / 120), drive_class=DriveClass.NVME)
    assert found.naive_hours == pytest.approx(6.0)
    assert found.left.likely == pytest.approx(6.0, rel=0.03)


def test_a_disk_at_half_is_not_at_half_of_its_time() -> None:
    """An ideal disk, ratio 0.5: at half of the data the plain rule says 72% of the rest."""
    run = []
    for step in range(61):
        share = time_share(0.5, 0.5) * step / 60
        low, high = 0.0, 1.0
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if time_share(middle, 0.5) < share else (low, middle)
        run.append(look(1000 * share, low))
    found = certain(run)
    truth = 1000 * (1 - time_share(0.5, 0.5)) / 60
    assert found.left.likely == pytest.approx(truth, rel=0.02)
    assert found.naive_hours / truth == pytest.approx(0.72, abs=0.005)
    assert found.ratio == pytest.approx(0.5, abs=0.03)
    assert found.pace is Pace.STEADY


def test_a_stall_is_seen_and_does_not_shorten_the_rest() -> None:
    run = even(100, 0.002)
    moving = certain(run)
    stalled = certain([*run, *(look(100 + n, 0.2) for n in range(5, 60, 5))])
    assert moving.pace is Pace.STEADY
    assert stalled.pace is Pace.STALLED
    assert stalled.left.likely >= moving.left.likely
    assert "does not move" in stalled.sentence


def test_no_news_is_no_stall_but_time_passes() -> None:
    """Looks that stopped coming say nothing about the work; what passed is taken off."""
    run = even(100, 0.002)
    later = certain(run, now=run[-1].at + timedelta(hours=2))
    assert later.pace is Pace.STEADY
    assert later.left.likely == pytest.approx(certain(run).left.likely - 2, abs=0.01)


def test_a_slow_down_is_seen_and_moves_the_forecast() -> None:
    run = even(400, 0.001)
    slow = [*run, *(look(400 + n, 0.4 + n * 0.0002) for n in range(5, 125, 5))]
    before, after = certain(run), certain(slow)
    assert after.pace is Pace.SLOWED
    assert "slowed down" in after.sentence
    assert after.left.likely > before.left.likely
    width = after.left.latest / after.left.earliest
    assert width > before.left.latest / before.left.earliest


def test_work_that_began_anew_forgets_the_past() -> None:
    """A second spare added to md during a rebuild starts it again near nothing."""
    run = even(100, 0.004)
    again = [look(105 + n, n * 0.002) for n in range(0, 105, 5)]
    both, alone = certain([*run, *again]), certain(again)
    assert both.began_again
    assert not alone.began_again
    assert both.left == alone.left


def test_a_fall_to_nothing_at_the_end_is_no_new_beginning() -> None:
    run = [*even(490, 0.002), look(495, 0.0)]
    found = certain(run)
    assert not found.began_again
    assert found.done == pytest.approx(0.98)


def test_a_clock_that_steps_back_is_left_out() -> None:
    run = even(100, 0.002)
    odd = [*run, look(50, 0.21), look(105, 0.21)]
    assert certain(odd).left == certain([*run, look(105, 0.21)]).left


@pytest.mark.parametrize("key", [None, lambda point: point.at])
def test_a_clock_that_was_set_back_for_good_does_not_hold_the_forecast_up(
    key: Callable[[Progress], datetime] | None,
) -> None:
    """A day back in the middle: told from the looks since, in the order they came or by date."""
    before, since = even(100, 0.002), [look(n - 1440, n * 0.002) for n in range(105, 260, 5)]
    past = [*before, *since[:-1]]
    if key is not None:
        past.sort(key=key)
    found = certain([*past, since[-1]])
    assert (found.done, found.left) == (since[-1].done, certain(since).left)


@pytest.mark.parametrize("hours", [1, 10, 48])
def test_a_box_that_was_off_or_a_clock_set_forward_does_not_slow_the_work(hours: int) -> None:
    """The rest is as long as without the gap, told by what was done while somebody looked."""
    before, since = even(150, 0.002), range(155, 305, 5)
    off = [*before, *(look(60 * hours + n, n * 0.002) for n in since)]
    found, through = certain(off), certain([*before, *(look(n, n * 0.002) for n in since)])
    assert found.pace is Pace.STEADY
    assert found.left.likely == pytest.approx(through.left.likely, rel=0.03)
    assert found.naive_hours == pytest.approx(through.naive_hours, rel=0.03)


def test_a_gap_in_the_looks_in_which_the_work_went_on_is_part_of_it() -> None:
    whole = even(300, 0.002)
    gap = [point for point in whole if not START + timedelta(minutes=100) < point.at < whole[-3].at]
    assert certain(gap).naive_hours == pytest.approx(certain(whole).naive_hours)


def test_work_that_was_not_seen_to_move_since_a_gap_is_a_stall() -> None:
    run = even(150, 0.002)
    assert certain([*run, look(750, 0.3)]).pace is Pace.STALLED
    assert certain([*run, look(750, 0.3), look(755, 0.3), look(760, 0.3)]).pace is Pace.STALLED


@pytest.mark.parametrize("last", [0.6, 0.999])
def test_what_should_be_through_by_now_is_not_said_to_take_no_time(last: float) -> None:
    run = even(300, last / 300)
    said = certain(run, now=run[-1].at + timedelta(days=2)).sentence
    assert said.endswith("done when last seen; at its pace it would be through by now")


def test_unknown_order_widens_the_interval() -> None:
    run = even(100, 0.001)
    sure, unsure = certain(run), certain(run, in_disk_order=False)
    assert unsure.left.latest / unsure.left.earliest > sure.left.latest / sure.left.earliest


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.02, 0.98))
def test_the_three_times_are_in_order_and_ahead(seed: int, share: float) -> None:
    run = simulated_rebuild(random.Random(seed))
    cut = max(2, int(len(run) * share))
    found = forecast(run[:cut], run[cut - 1].at)
    if found is not None:
        assert run[cut - 1].at <= found.earliest <= found.likely <= found.latest


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 10_000), st.floats(0, 1)), min_size=0, max_size=30))
def test_any_looks_give_a_forecast_or_none(looks: list[tuple[float, float]]) -> None:
    run = [look(minutes, done) for minutes, done in looks]
    found = forecast(run, START + timedelta(days=30))
    assert found is None or 0.0 <= found.left.earliest <= found.left.latest


def test_refuses_a_look_that_cannot_be() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        Progress(at=START, done=1.2)
    with pytest.raises(ValueError, match="UTC"):
        Progress(at=datetime(2031, 3, 3), done=0.2)  # noqa: DTZ001 - just what is refused
    assert START.tzinfo is UTC


@pytest.mark.parametrize("pace", Pace)
def test_what_is_nearly_done_is_not_said_to_be_done(pace: Pace) -> None:
    found = certain(even(120, 0.25 / 120), drive_class=DriveClass.NVME)
    assert replace(found, done=0.996, pace=pace).sentence.startswith("99% done")


def second_way(run: list[Progress], prior: float, doubt: float) -> tuple[float, float, float]:
    """Give the 10, 50 and 90% points in hours from the prose of the module, by scipy's normal law.

    One stretch for each look. Constants are written out: 3% of misfit, 5% before anything is seen,
    eight looks at most, the latest 15% for half of the level, the later side a tenth wider.
    """
    seconds = np.array([(b.at - a.at).total_seconds() for a, b in pairwise(run)])
    elapsed, count, done = seconds.sum(), len(seconds), run[-1].done
    logs, lefts, spreads = [], [], []
    for r in RATIOS:
        places = np.array([track_time(p.done, r) for p in run])
        levels = np.diff(places) / seconds
        looks = min(8, count)
        fit = -looks / 2 * np.log(np.var(np.log(levels)) + 0.03**2)
        logs.append(fit + norm.logpdf(r, prior, doubt))
        latest = next(k for k in range(1, count + 1) if seconds[-k:].sum() >= 0.15 * elapsed)
        whole = np.average(levels, weights=seconds)
        recent = np.average(levels[-latest:], weights=seconds[-latest:])
        left = (track_time(1.0, r) - places[-1]) / np.sqrt(whole * recent)
        off = levels / levels.mean() - 1
        alike = np.clip(np.mean(off[1:] * off[:-1]) / np.mean(off**2), 0, 0.95)
        independent = max(1, count * (1 - alike) / (1 + alike))
        ahead = max(1, independent * left / elapsed)
        variance = min(np.mean(off**2), 1) * (1 / independent + 1 / ahead)
        thin = 0.05**2 / max(1, count / 4)
        misfit = (0.03 * left / (left + elapsed)) ** 2
        change = np.log(recent / whole) / 2
        lefts.append(left)
        spreads.append(np.sqrt(variance + thin + misfit + change**2))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    assert 0 < done < 1

    def share(hours: float) -> float:
        z = np.log(hours * 3600 / np.array(lefts)) / np.array(spreads)
        return float(np.sum(weights * norm.cdf(np.where(z > 0, z / 1.1, z))))

    early, likely, late = (
        brentq(lambda hours, p=p: share(hours) - p, 1e-3, 1e5) for p in (0.1, 0.5, 0.9)
    )
    return early, likely, late


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("count", [5, 12, 40])
@pytest.mark.parametrize("noise", [0.02, 0.3])
@pytest.mark.parametrize(
    ("drive_class", "prior", "doubt"),
    [
        (DriveClass.NVME, 1.0, 0.03),
        (DriveClass.HARD_DISK, 0.5, 0.08),
        (DriveClass.UNKNOWN, 0.6, 0.2),
    ],
)
def test_the_three_times_come_out_a_second_way(
    seed: int, count: int, noise: float, drive_class: DriveClass, prior: float, doubt: float
) -> None:
    """Uneven work, of which each stretch is like the one before."""
    chance = random.Random(seed)
    run, pace = [look(0, 0.05)], 1.0
    for step in range(1, count + 1):
        pace = 0.7 * pace + 0.3 * chance.lognormvariate(0, noise)
        run.append(look(5 * step, run[-1].done + 0.4 / count * pace / 1.5))
    left = certain(run, drive_class=drive_class).left
    found = (left.earliest, left.likely, left.latest)
    assert found == pytest.approx(second_way(run, prior, doubt), rel=0.015)
