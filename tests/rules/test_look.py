"""One drive under the rules, and what margin makes of a sign."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.rules.build import DAY, HOUR, T0, drive, member, of, past, pool, pool_past, reading, view
from watcher.facts.drive import DrivePast, DriveReading, Metric
from watcher.facts.finding import Urgency
from watcher.facts.pool import MemberState, Protection
from watcher.rules.look import lift, looks, say_margin, steps
from watcher.rules.tuning import UNTUNED

PENDING = Metric.PENDING_SECTORS
WHOLE, THINNED = pool("abcd", bears=2), pool("abcd", bears=2, lost="d")
BARE, BROKEN, STRIPE = pool(lost="c"), pool(lost="bc"), pool("ab", bears=0)


@pytest.mark.parametrize(
    ("state", "lifted"),
    [
        (WHOLE, "note this-week today now"),
        (THINNED, "this-week today today now"),
        (BARE, "today now now now"),
        (STRIPE, "note this-week today now"),  # it never had margin: as a drive alone
        (BROKEN, "note this-week today now"),
    ],
)
def test_margin_lifts_a_sign(state: object, lifted: str) -> None:
    """The same sign on a member of a bare pool is worse than in a whole one."""
    order = (Urgency.NOTE, Urgency.THIS_WEEK, Urgency.TODAY, Urgency.NOW)
    assert " ".join(lift(u, (state,)).value for u in order) == lifted  # type: ignore[arg-type]


@given(st.sampled_from(Urgency), st.lists(st.sampled_from([WHOLE, THINNED, BARE, STRIPE, BROKEN])))
def test_no_pool_ever_lowers_an_urgency(urgency: Urgency, pools: list[object]) -> None:
    """Lifting only lifts."""
    assert lift(urgency, pools) >= urgency  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("amount", "first", "level"),
    [
        (None, 1, 0),
        (0, 1, 0),
        (1, 1, 1),
        (2, 1, 2),
        (3, 1, 2),
        (4, 1, 3),
        (5, 3, 1),
        (6, 3, 2),
        (2, 3, 0),
    ],
)
def test_levels_count_doublings(amount: float | None, first: float, level: int) -> None:
    """So that one more sector is no worsening, and twice as many is."""
    assert steps(amount, first) == level


def test_a_sign_says_what_its_pool_can_still_lose_and_what_comes_first() -> None:
    """In a bare pool the margin comes before the sign."""
    drive_sign = reading("a", {PENDING: 1})
    (calm,) = of("sectors-in-doubt", view(drive_sign, pools=(WHOLE,)))
    assert calm.sentence.endswith("which can lose 2 more drives.")
    (grave,) = of("sectors-in-doubt", view(drive_sign, pools=(BARE,)))
    assert grave.sentence.endswith("which cannot lose any drive.")
    assert grave.next_step.startswith("Its pool cannot lose it now")
    assert (grave.pool, grave.urgency) == (BARE.pool, Urgency.TODAY)
    (alone,) = of("sectors-in-doubt", view(drive_sign))
    assert alone.pool is None


def test_a_drive_that_its_pool_goes_on_without_is_not_to_be_left_in() -> None:
    """Put out and still in its bay: its signs endanger nothing more; the pool comes first."""
    out = (member("a"), member("b"), member("c", MemberState.FAILED))
    seen = reading("c", {PENDING: 1})
    (sign,) = of("sectors-in-doubt", view(seen, pools=(pool(members=out),)))
    assert (sign.urgency, sign.pool) == (Urgency.NOTE, BARE.pool), "the pool's own finding wakes"
    assert sign.sentence.endswith("It is out of the pool tank.")
    assert sign.next_step.startswith("It is out of its pool already")
    assert "leave it in" not in sign.next_step
    replaced = pool(members=(member("a"), member("b"), member("d", MemberState.REBUILDING)))
    before = pool_past(drives=tuple(map(drive, "abc")))
    (sign,) = of("sectors-in-doubt", view(seen, pools=(replaced,), pool_pasts=(before,)))
    assert sign.next_step.startswith("It is out of its pool already")
    gone = (member("a"), member("b", MemberState.FAILED), member("c", MemberState.FAILED))
    (sign,) = of("sectors-in-doubt", view(seen, pools=(pool(members=gone),)))
    assert sign.sentence.endswith("which is broken."), "a broken pool may need it yet"


def test_margin_is_said_for_every_protection() -> None:
    """Not known is said as not known."""
    assert "broken" in say_margin(BROKEN)
    strange = pool(members=(member("a"), member("b", MemberState.UNKNOWN)))
    assert "cannot be seen" in say_margin(strange)
    assert "2 more drives" in say_margin(WHOLE)
    assert "cannot lose any" in say_margin(BARE)
    assert BARE.protection is Protection.BARE


@pytest.mark.parametrize(
    ("hours_ago", "rise"),
    [(1, 70), (7 * 24, 70), (14 * 24, 35), (70 * 24, 7), (700 * 24, 0)],
)
def test_a_rise_over_a_gap_without_readings_is_spread_evenly(hours_ago: int, rise: int) -> None:
    """70 more since the last reading: how many of them within 7 days is estimated, not assumed."""
    before = past("a", {PENDING: [(800, 30)]}, last_read=T0 - hours_ago * HOUR)
    (look,) = looks(view(reading("a", {PENDING: 100}), pasts=(before,)), UNTUNED)
    assert look.rise(PENDING, 7 * DAY) == rise


def test_a_rise_is_not_known_without_a_past() -> None:
    """Not zero."""
    (look,) = looks(view(reading("a", {PENDING: 100})), UNTUNED)
    assert look.rise(PENDING, 7 * DAY) is None
    (blank,) = looks(view(reading("a"), pasts=(past("a", {PENDING: [(9, 1)]}),)), UNTUNED)
    assert blank.rise(PENDING, 7 * DAY) is None


@given(st.lists(st.integers(0, 50), min_size=1, max_size=8), st.integers(0, 50))
def test_no_history_of_a_counter_makes_a_negative_rise(values: list[int], now: int) -> None:
    """Resets and falls included."""
    points = [(float(10 - i), v) for i, v in enumerate(values)]
    (look,) = looks(
        view(reading("a", {PENDING: now}), pasts=(past("a", {PENDING: points}),)), UNTUNED
    )
    for days in (0, 1, 5, 8, 30):
        rise = look.rise(PENDING, days * DAY)
        assert rise is not None
        assert 0 <= rise <= now


POINTS = st.lists(
    st.tuples(st.integers(0, 40 * 24), st.integers(0, 5)),
    min_size=0,
    max_size=4,
    unique_by=lambda p: p[0],
)


@given(
    POINTS,
    st.integers(0, 6) | st.none(),
    st.integers(-3, 30),
    st.sampled_from([None, 0, 1, 24, 24 * 8, 24 * 40]),
    st.sampled_from([1, 7, 30]),
)
def test_a_rise_is_that_of_the_whole_trace_however_it_is_worked_out(
    points: list[tuple[int, int]], value: int | None, late: int, gap: int | None, days: int
) -> None:
    """Most counters stand still, and are answered from their last change alone."""
    traced = sorted(points, reverse=True)
    before = past(
        traces={PENDING: [(hours / 24, count) for hours, count in traced]},
        last_read=None if gap is None else T0 - gap * HOUR,
    )
    seen = reading(metrics={} if value is None else {PENDING: value}, at=T0 - late * HOUR)
    (look,) = looks(view(seen, pasts=(before,)), UNTUNED)
    window = days * DAY
    assert look.rise(PENDING, window) == _plainly(seen, before, window)


def _plainly(seen: DriveReading, before: DrivePast, window: timedelta) -> int | None:
    """Work a rise out from the whole trace, point by point."""
    trace, value = before.trace(PENDING), seen.metric(PENDING)
    if value is None or trace is None or not trace.points:
        return None
    if not value:
        return 0
    gap = seen.observed_at - (before.last_read or seen.observed_at)
    if gap > window:
        return int(max(value - trace.points[-1][1], 0) * (window / gap))
    points = trace.points
    if points[-1][0] < seen.observed_at:
        points = (*points, (seen.observed_at, value))
    held = [count for at, count in points if at <= T0 - window][-1:] or [points[0][1]]
    return points[-1][1] - min([*held, *(count for at, count in points if at > T0 - window)])
