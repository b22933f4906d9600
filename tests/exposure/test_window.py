"""From now until full margin is proven back."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.exposure.pools import NOW, TB, life, parity, pool
from watcher.exposure.figure import Figure
from watcher.exposure.life import DriveClass
from watcher.exposure.rebuild import drive_pass_hours
from watcher.exposure.span import Span
from watcher.exposure.window import (
    Spare,
    Step,
    Window,
    WindowPlan,
    delivery_span,
    spare_span,
    window_of,
    working_day,
)

VIENNA = ZoneInfo("Europe/Vienna")
MONDAY = date(2031, 3, 3)


def window(plan: WindowPlan, now: datetime = NOW, rebuilding: Span | None = None) -> Window:
    return window_of(
        pool(parity(6, 1, (0,))),
        plan,
        now,
        replaced=life(0),
        capacity_bytes=8 * TB,
        rebuilding=rebuilding,
    )


def steps(found: Window) -> list[Step]:
    return [part.step for part in found.parts]


def test_every_part_in_its_order() -> None:
    found = window(WindowPlan(spare=Spare.NONE, burn_in=True))
    assert steps(found) == [
        Step.SPARE,
        Step.REACH,
        Step.BURN_IN,
        Step.SWAP,
        Step.REBUILD,
        Step.VERIFY,
    ]


def test_a_proven_spare_is_neither_waited_for_nor_tested() -> None:
    found = window(WindowPlan(spare=Spare.PROVEN, burn_in=True, verify=False))
    assert steps(found) == [Step.REACH, Step.SWAP, Step.REBUILD]


def test_a_hot_spare_needs_nobody() -> None:
    found = window(WindowPlan(spare=Spare.IN_PLACE))
    assert steps(found) == [Step.REBUILD, Step.VERIFY]


def test_a_running_rebuild_waits_for_nothing() -> None:
    found = window(WindowPlan(spare=Spare.NONE, burn_in=True), rebuilding=Span.exactly(5.0))
    assert steps(found) == [Step.REBUILD, Step.VERIFY]
    assert found.hours_bare == 5.0


def test_clock_times_are_in_order_and_in_the_owners_zone() -> None:
    found = window(WindowPlan(zone=VIENNA, spare=Spare.PROVEN))
    assert NOW < found.earliest < found.likely < found.latest
    assert found.likely.tzinfo is VIENNA
    assert found.likely.second == 0


def test_the_verify_closes_the_window_but_exposes_nothing() -> None:
    checked = window(WindowPlan(spare=Spare.PROVEN))
    unchecked = window(WindowPlan(spare=Spare.PROVEN, verify=False))
    assert checked.bare == unchecked.bare
    assert checked.whole.mean > unchecked.whole.mean == unchecked.bare.mean


def test_a_burn_in_lengthens_by_its_passes() -> None:
    """One write, one read-back, one self-test of 8 TB: three passes of 14.1 h."""
    plan = WindowPlan(spare=Spare.UNPROVEN, burn_in=True)
    longer = window(plan).hours_bare - window(replace(plan, burn_in=False)).hours_bare
    one = drive_pass_hours(DriveClass.HARD_DISK, 8 * TB)
    assert 3 * one * 0.95 <= longer <= 3 * one * 1.3


@pytest.mark.parametrize(
    ("start", "days", "there"),
    [
        (date(2031, 3, 3), 0, date(2031, 3, 3)),
        (date(2031, 3, 3), 1, date(2031, 3, 4)),
        (date(2031, 3, 7), 1, date(2031, 3, 10)),  # Friday to Monday
        (date(2031, 3, 8), 0, date(2031, 3, 10)),  # a Saturday
        (date(2031, 3, 8), 1, date(2031, 3, 10)),
        (date(2031, 3, 3), 5, date(2031, 3, 10)),
    ],
)
def test_working_days_skip_the_weekend(start: date, days: int, there: date) -> None:
    assert working_day(start, days) == there


def test_working_days_skip_holidays() -> None:
    assert working_day(MONDAY, 1, frozenset({date(2031, 3, 4)})) == date(2031, 3, 5)


def test_holidays_count_at_the_start_and_on_the_way() -> None:
    """Closed on Tuesday: Monday and two working days is Thursday, Tuesday and none Wednesday."""
    tuesday = frozenset({date(2031, 3, 4)})
    assert working_day(MONDAY, 2, tuesday) == date(2031, 3, 6)
    assert working_day(date(2031, 3, 4), 0, tuesday) == date(2031, 3, 5)


@given(st.integers(0, 2000), st.integers(1, 30))
def test_one_more_working_day_is_later(offset: int, days: int) -> None:
    start = MONDAY + timedelta(days=offset)
    assert working_day(start, days) < working_day(start, days + 1)
    assert working_day(start, days).weekday() < 5


def test_delivery_over_a_weekend() -> None:
    """Ordered on Friday 17:00 in Vienna, one to two working days: Monday or Tuesday 13:00."""
    friday = datetime(2031, 3, 7, 16, 0, tzinfo=UTC)
    plan = WindowPlan(zone=VIENNA, delivery_working_days=(1, 1, 1))
    assert delivery_span(plan, friday) == Span.exactly(68.0)
    later = WindowPlan(zone=VIENNA, delivery_working_days=(1, 1, 2))
    assert delivery_span(later, friday).latest == pytest.approx(92.0, rel=0.02)


def test_delivery_over_the_change_to_summer_time() -> None:
    """The clock skips an hour on 30 March 2031 in Vienna: an hour less to wait."""
    friday = datetime(2031, 3, 28, 12, 0, tzinfo=UTC)  # 13:00 there
    plan = WindowPlan(zone=VIENNA, delivery_working_days=(1, 1, 1))
    assert delivery_span(plan, friday) == Span.exactly(71.0)


def test_an_ordered_spare_comes_when_it_is_announced_or_later() -> None:
    due = NOW + timedelta(hours=50)
    span = spare_span(WindowPlan(spare=Spare.ORDERED, arrives_at=due), NOW)
    assert span.likely == pytest.approx(50.0, rel=0.02)
    assert span.latest > 96
    overdue = spare_span(WindowPlan(spare=Spare.ORDERED, arrives_at=NOW - timedelta(days=2)), NOW)
    assert overdue.latest > 24


def test_ordered_with_no_date_counts_as_ordered_now() -> None:
    assert spare_span(WindowPlan(spare=Spare.ORDERED), NOW) == delivery_span(WindowPlan(), NOW)


def test_what_is_on_the_shelf_takes_no_time() -> None:
    for spare in (Spare.IN_PLACE, Spare.PROVEN, Spare.UNPROVEN):
        assert spare_span(WindowPlan(spare=spare), NOW).mean == 0.0


def test_a_weak_new_drive_lengthens_and_a_second_spare_or_a_proof_shortens() -> None:
    weak = WindowPlan(spare=Spare.UNPROVEN, weak_new_drive=Figure.exactly(0.2))
    none = replace(weak, weak_new_drive=Figure.exactly(0.0))
    second = replace(weak, second_spare=True)
    proven = replace(weak, spare=Spare.PROVEN)
    hours = [window(plan).hours_bare for plan in (none, proven, second, weak)]
    assert hours == sorted(hours)
    assert hours[0] < hours[1] < hours[3]


@pytest.mark.parametrize(
    "wrong",
    [
        {"reach_hours": (3.0, 2.0, 4.0)},
        {"swap_hours": (-1.0, 2.0, 4.0)},
        {"copy_bytes_per_second": 0.0},
        {"scrub_every_days": 0.0},
        {"without_backup_bytes": -1},
        {"arrives_at": datetime(2031, 3, 3)},  # noqa: DTZ001 - just what is refused
    ],
)
def test_refuses_a_plan_that_cannot_be(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"rising|above zero|negative|zone"):
        WindowPlan(**wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "plan",
    [
        WindowPlan(spare=Spare.NONE, weak_new_drive=Figure.exactly(0.2)),
        WindowPlan(spare=Spare.UNPROVEN, weak_new_drive=Figure.exactly(0.2), second_spare=True),
        WindowPlan(spare=Spare.PROVEN, weak_new_drive=Figure.exactly(0.2)),
        WindowPlan(spare=Spare.IN_PLACE, weak_new_drive=Figure.exactly(0.2), burn_in=True),
    ],
)
def test_the_window_is_what_living_through_it_gives(plan: WindowPlan) -> None:
    """Twenty thousand windows of the same parts, one after another by chance.

    A weak drive, of which a proof finds nine in ten, costs a new one, its swap and the rebuild.
    """
    chance = random.Random(20310303)
    found = window(plan)
    rebuild = next(part.span for part in found.parts if part.step is Step.REBUILD)
    before = [p.span for p in found.parts if p.step not in {Step.REBUILD, Step.VERIFY}]
    check = next(part.span for part in found.parts if part.step is Step.VERIFY)
    again = [Span.about(*plan.reach_hours), Span.about(*plan.swap_hours)]
    if not plan.second_spare:
        again.append(delivery_span(plan, NOW))
    weak = plan.weak_new_drive.likely * (0.1 if plan.spare is Spare.PROVEN else 1.0)

    def draw(*spans: Span) -> float:
        return sum(chance.choice(span.values) for span in spans)

    bare, whole = [], []
    for _ in range(20_000):
        hours = draw(*before, rebuild)
        if chance.random() < weak:
            hours += draw(*again, rebuild)
        bare.append(hours)
        whole.append(hours + draw(check))
    for lived, said in ((bare, found.bare), (whole, found.whole)):
        lived.sort()
        assert said.mean == pytest.approx(sum(lived) / len(lived), rel=0.02)
        for share in (0.1, 0.5, 0.9):
            assert said.quantile(share) == pytest.approx(lived[int(share * 20_000)], rel=0.05)
