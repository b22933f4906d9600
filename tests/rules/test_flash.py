"""Time-zero tables of the rules about wear, reserves, heat and power."""

from __future__ import annotations

import pytest

from tests.rules.build import of as findings
from tests.rules.build import past, pool, reading, urgency, view
from watcher.facts.drive import Metric
from watcher.rules.catalogue import judge
from watcher.rules.tuning import UNTUNED

WEAR, SPARE, LIMIT = (
    Metric.WEAR_PERCENT,
    Metric.SPARE_PERCENT,
    Metric.SPARE_THRESHOLD_PERCENT,
)
BITS, CELSIUS = Metric.CRITICAL_WARNING, Metric.TEMPERATURE_CELSIUS
WARM, HOT = Metric.TEMPERATURE_WARNING_CELSIUS, Metric.TEMPERATURE_CRITICAL_CELSIUS


@pytest.mark.parametrize(
    ("wear", "expected"),
    [
        (None, None),
        (89, None),
        (90, "note"),
        (99, "note"),
        (100, "this-week"),
        (150, "this-week"),
        (255, "this-week"),
    ],
)
def test_wear_is_no_verdict(wear: int | None, expected: str | None) -> None:
    """NVMe Base Specification: 100 is the rated endurance, may be passed, and stops at 255."""
    seen = view(reading("a", {} if wear is None else {WEAR: wear}))
    assert urgency("flash-nearly-spent", seen) == expected
    for finding in findings("flash-nearly-spent", seen):
        assert finding.level == {90: 1, 99: 1, 100: 2, 150: 7, 255: 17}[wear or 0]
        assert ("nearly" in finding.sentence) is (expected == "note")
        assert [(e.what, e.value) for e in finding.evidence] == [
            ("rated writes used", f"{wear} percent")
        ]


def test_the_end_of_the_rated_writes_is_projected() -> None:
    """From 40 to 70 per cent in 30 days: the other 30 take 30 days more."""
    before = past("a", {WEAR: [(30, 40), (15, 55)]})
    (finding,) = findings("flash-nearly-spent", view(reading("a", {WEAR: 70}), pasts=(before,)))
    assert finding.urgency.value == "note"
    assert "2026-03-31" in finding.sentence
    assert ("used up at the present pace", "about 2026-03-31") in [
        (e.what, e.value) for e in finding.evidence
    ]


@pytest.mark.parametrize("wear", [100, 101, 255])
def test_of_writes_that_are_used_up_no_date_is_projected(wear: int) -> None:
    before = past("a", {WEAR: [(30, 40), (15, 55)]})
    (finding,) = findings("flash-nearly-spent", view(reading("a", {WEAR: wear}), pasts=(before,)))
    assert finding.sentence == "The drive has used up the writes it is rated for."
    assert len(finding.evidence) == 1


@pytest.mark.parametrize(("days", "expected"), [(13, None), (14, "note")])
def test_a_pace_needs_two_weeks(days: int, expected: str | None) -> None:
    """The figure moves in whole per cents."""
    seen = view(reading("a", {WEAR: 60}), pasts=(past("a", {WEAR: [(days, 40)]}),))
    assert urgency("flash-nearly-spent", seen) == expected


def test_a_figure_that_fell_projects_nothing() -> None:
    """A drive that was replaced by its maker's firmware, or relearned."""
    seen = view(reading("a", {WEAR: 10}), pasts=(past("a", {WEAR: [(60, 40)]}),))
    assert urgency("flash-nearly-spent", seen) is None


@pytest.mark.parametrize(
    ("metrics", "expected"),
    [
        ({}, None),
        ({SPARE: 100, LIMIT: 10}, None),
        ({SPARE: 100, LIMIT: 95}, None),  # full is full, whatever the limit
        ({SPARE: 21, LIMIT: 10}, None),
        ({SPARE: 20, LIMIT: 10}, "this-week"),
        ({SPARE: 10, LIMIT: 10}, "this-week"),  # the specification says below
        ({SPARE: 9, LIMIT: 10}, "today"),
        ({SPARE: 50, LIMIT: 10, BITS: 0b1}, "today"),
        ({SPARE: 5}, None),  # no limit of its own: not known
        ({BITS: 0b10}, None),
    ],
)
def test_the_reserve_is_judged_by_the_drives_own_limit(
    metrics: dict[Metric, int], expected: str | None
) -> None:
    """NVMe Base Specification: bit 0 is set when the spare falls below the threshold."""
    assert urgency("flash-reserve-low", view(reading("a", metrics))) == expected
    for finding in findings("flash-reserve-low", view(reading("a", metrics))):
        below = expected == "today"
        assert ("below its own limit" in finding.sentence) is below
        assert finding.level == (2 if below else 1) + (100 - metrics[SPARE]) // 25


@pytest.mark.parametrize(("bits", "expected"), [(0, None), (0b111, None), (0b1000, "today")])
def test_read_only_flash_is_for_today(bits: int, expected: str | None) -> None:
    """NVMe Base Specification, health log byte 0 bit 3."""
    seen = view(reading("a", {BITS: bits}))
    assert urgency("flash-read-only", seen) == expected
    if expected:
        assert (
            urgency("flash-read-only", view(reading("a", {BITS: bits}), pools=(pool(lost="c"),)))
            == "now"
        )


@pytest.mark.parametrize(
    ("celsius", "before", "expected"),
    [
        (69, 69, None),
        (70, 60, "note"),
        (70, 70, "this-week"),
        (84, 70, "this-week"),
        (85, 40, "today"),
    ],
)
def test_heat_is_judged_by_the_drives_own_limits(
    celsius: int, before: int, expected: str | None
) -> None:
    """Equal counts as reached: at or over (NVMe Base Specification, bit 1)."""
    seen = view(
        reading("a", {CELSIUS: celsius, WARM: 70, HOT: 85}),
        pasts=(past("a", {CELSIUS: [(1, before)]}),),
    )
    assert urgency("too-hot-for-its-rating", seen) == expected
    for finding in findings("too-hot-for-its-rating", seen):
        over = expected == "today"
        assert (finding.level, "than its maker allows" in finding.sentence) == (1 + over, over)
        assert [(e.what, e.value) for e in finding.evidence] == [
            ("temperature", f"{celsius} °C"),
            ("the drive's own limit", f"{85 if over else 70} °C"),
        ]


def test_one_reading_over_the_limit_is_a_note_and_a_drive_may_name_only_the_graver_limit() -> None:
    seen = view(reading("a", {CELSIUS: 70, WARM: 70, HOT: 85}))
    assert urgency("too-hot-for-its-rating", seen) == "note"
    assert urgency("too-hot-for-its-rating", view(reading("a", {CELSIUS: 84, HOT: 85}))) is None
    assert urgency("too-hot-for-its-rating", view(reading("a", {CELSIUS: 85, HOT: 85}))) == "today"
    assert urgency("too-hot-for-its-rating", view(reading("a", {CELSIUS: 0, HOT: 0}))) is None


def test_the_warning_bit_tells_of_heat_where_the_limit_is_not_told() -> None:
    """NVMe Base Specification, critical warning, bit 1; smartctl before 7.4 lists no limits."""
    seen = view(reading("a", {CELSIUS: 85, Metric.CRITICAL_WARNING: 2}))
    (finding,) = findings("too-hot-for-its-rating", seen)
    assert finding.urgency.value == "note"
    assert finding.evidence[-1].value == "not told"


@pytest.mark.parametrize("told", [{CELSIUS: 85}, {}, {WARM: 70}, {CELSIUS: 60, HOT: 85}])
def test_the_warning_bit_for_heat_is_told_whatever_else_is_not(told: dict[Metric, int]) -> None:
    """A sensor that shows 0 K is no sensor, and then the bit is all that there is."""
    seen = view(reading("a", {**told, BITS: 2}))
    rules = [finding.rule for finding in judge(seen, UNTUNED)]
    assert rules == ["too-hot-for-its-rating"]
    (finding,) = findings("too-hot-for-its-rating", seen)
    assert str(told.get(CELSIUS, "not told")) in finding.evidence[0].value


def test_warmth_without_a_limit_says_nothing() -> None:
    """FAST 2007 section 3.4: average temperature is no forecast of failure. 0 is no limit."""
    assert urgency("too-hot-for-its-rating", view(reading("a", {CELSIUS: 64}))) is None
    assert urgency("too-hot-for-its-rating", view(reading("a", {CELSIUS: 64, WARM: 0}))) is None
    assert urgency("too-hot-for-its-rating", view(reading("a", {WARM: 70}))) is None


@pytest.mark.parametrize(("low", "expected"), [(21, "note"), (22, None), (36, None)])
def test_a_swing_of_twenty_degrees_in_a_day_is_noted(low: int, expected: str | None) -> None:
    """Our choice; a rebuild moved two drives by 5 degrees (rebuild_temperature, 2020)."""
    seen = view(reading("a", {CELSIUS: 41}), pasts=(past("a", {CELSIUS: [(9, 41), (0.5, low)]}),))
    assert urgency("heat-swinging", seen) == expected


def test_the_cold_of_last_week_is_no_swing() -> None:
    """Only 24 hours count, with the value that held when they began."""
    seen = view(reading("a", {CELSIUS: 41}), pasts=(past("a", {CELSIUS: [(9, 10), (2, 40)]}),))
    assert urgency("heat-swinging", seen) is None
    assert urgency("heat-swinging", view(reading("a", {CELSIUS: 41}))) is None


@pytest.mark.parametrize(
    ("before", "now", "expected"), [(7, 9, None), (7, 10, "note"), (400, 400, None), (7, 3, None)]
)
def test_three_power_cuts_in_a_month_are_a_habit(
    before: int, now: int, expected: str | None
) -> None:
    """Our choice. An old count says nothing."""
    metric = Metric.UNSAFE_SHUTDOWNS
    seen = view(reading("a", {metric: now}), pasts=(past("a", {metric: [(60, before)]}),))
    assert urgency("power-cut-habit", seen) == expected
    assert urgency("power-cut-habit", view(reading("a", {metric: 4000}))) is None


def test_habits_are_not_made_urgent_by_a_pool() -> None:
    """A swing in temperature is no nearer to losing data when margin is gone."""
    seen = view(
        reading("a", {CELSIUS: 41}),
        pasts=(past("a", {CELSIUS: [(0.5, 15)]}),),
        pools=(pool(lost="c"),),
    )
    assert urgency("heat-swinging", seen) == "note"


def test_a_drive_that_names_no_limit_and_no_reserve_does_not_count_them() -> None:
    """Seen on an emulated drive: reserve 0, limit 0, and no warning bit."""
    empty = {SPARE: 0, LIMIT: 0, BITS: 0}
    assert urgency("flash-reserve-low", view(reading("a", empty))) is None
    warned = empty | {BITS: 1}
    assert urgency("flash-reserve-low", view(reading("a", warned))) == "today"
