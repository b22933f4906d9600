"""Charts: what was measured is in the picture, what was not is a gap."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.web.charts import (
    COLUMNS,
    FLOOR,
    HEIGHT,
    LEFT,
    MOST_ROWS,
    RIGHT,
    TOP,
    WIDTH,
    Chart,
    Column,
    Mark,
    draw_chart,
    rows,
    say_number,
    say_range,
    thin,
    ticks,
    time_ticks,
)

NOW = datetime(2026, 3, 8, tzinfo=UTC)
MONTH = timedelta(days=30)
Values = list[tuple[datetime, timedelta, float, float, float]]


def hourly(*values: float, begin: datetime = NOW - MONTH) -> Values:
    hour = timedelta(hours=1)
    return [(begin + hour * n, hour, v, v, v) for n, v in enumerate(values)]


def chart(values: Values, *, steps: bool = False, **words: object) -> Chart:
    since = NOW - MONTH
    columns = thin(values, since, NOW)
    return Chart(title="t", since=since, until=NOW, columns=columns, steps=steps, **words)  # type: ignore[arg-type] # words of a test


def lines(one: Chart) -> str:
    found = re.search(r'class="line" d="([^"]*)"', draw_chart(one, UTC))
    return found.group(1) if found else ""


@given(
    values=st.lists(st.integers(-50, 200), min_size=1, max_size=900),
    columns=st.integers(1, 60),
)
def test_thinning_loses_no_peak_and_keeps_the_last_value(values: list[int], columns: int) -> None:
    found = thin(hourly(*values), NOW - MONTH, NOW, columns=columns)
    shown = values[: int(MONTH / timedelta(hours=1))]
    assert min(c.low for c in found) == min(shown if len(values) <= 720 else values)
    assert max(c.high for c in found) == max(shown if len(values) <= 720 else values)
    assert found[-1].last == values[-1]
    assert len(found) <= columns + 2 + max(0, len(values) - 720)


def test_a_gap_in_what_moves_breaks_the_line() -> None:
    values = hourly(30, 31, 32) + hourly(30, 31, begin=NOW - timedelta(days=10))
    assert lines(chart(values)).count("M") == 2
    assert lines(chart(values, steps=True)).count("M") == 1


def test_a_counter_is_drawn_as_steps_that_hold_until_now() -> None:
    begin = NOW - MONTH
    changes = [(begin, timedelta(0), 0, 0, 0), (begin + MONTH / 2, timedelta(0), 8, 8, 8)]
    drawn = lines(chart(changes, steps=True))
    middle = LEFT + (WIDTH - LEFT - RIGHT) / 2
    assert f"H{middle:.0f}V" in drawn
    assert drawn.endswith(f"H{WIDTH - RIGHT}")
    assert "L" not in drawn


def test_the_highest_value_lies_at_the_top_and_the_lowest_at_the_floor() -> None:
    hour = timedelta(hours=1)
    drawn = lines(chart([(NOW - hour * 9, hour, 0, 0, 0), (NOW - hour * 5, hour, 100, 100, 100)]))
    heights = [int(y) for y in re.findall(r"[ML]\d+ (\d+)", drawn)]
    assert heights == [FLOOR, TOP]


def test_what_nobody_looked_at_is_framed_and_what_happened_is_marked_and_escaped() -> None:
    away = (NOW - timedelta(days=5), NOW - timedelta(days=3))
    mark = Mark(at=NOW - timedelta(days=1), text="<b>link & reset</b>")
    text = str(draw_chart(chart(hourly(1, 2), unseen=(away,), marks=(mark,)), UTC))
    assert text.count('class="blank"') == 1
    assert "&lt;b&gt;link &amp; reset" in text
    assert "<b>" not in text


def test_nothing_measured_is_said_and_drawn_as_nothing() -> None:
    empty = chart([])
    assert say_range(empty) == "nothing was measured"
    assert lines(empty) == ""
    assert f'viewBox="0 0 {WIDTH} {HEIGHT}"' in draw_chart(empty, UTC)


@given(low=st.floats(-1e6, 1e6), span=st.floats(0, 1e6), whole=st.booleans())
def test_ticks_are_few_and_cover_the_range(low: float, span: float, *, whole: bool) -> None:
    found = ticks(low, low + span, whole=whole)
    assert 2 <= len(found) <= 8
    assert found[0] <= low + 1e-6 * (span + abs(low))
    assert found[-1] >= low + span - 1e-6 * (span + abs(low))


@pytest.mark.parametrize(
    "span",
    [
        timedelta(hours=1),
        timedelta(hours=20),
        timedelta(days=30),
        timedelta(days=365),
        timedelta(days=1826),
    ],
)
def test_moments_below_a_chart_are_few_and_in_order(span: timedelta) -> None:
    found = [at for at, _ in time_ticks(NOW - span, NOW, UTC)]
    assert 3 <= len(found) <= 13
    assert found == sorted(found)
    assert all(at < NOW for at in found)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "0"),
        (1500, "1500"),
        (12000, "12k"),
        (3_400_000, "3.4M"),
        (0.0512, "0.051"),
        (8e12, "8T"),
    ],
)
def test_numbers_are_short(value: float, said: str) -> None:
    assert say_number(value) == said


def test_the_table_beside_has_the_same_peaks_and_is_short() -> None:
    values = hourly(*range(700), 999)
    one = chart(values)
    found = rows(one)
    assert len(found) <= MOST_ROWS + 1
    assert max(high for _, _, high, _ in found) == 999
    assert min(low for _, low, _, _ in found) == 0
    assert found[-1][3] == 999


def test_a_picture_stays_small_however_much_was_measured() -> None:
    values: Values = [
        (NOW - MONTH + timedelta(minutes=10) * n, timedelta(minutes=10), 20.0, 55.0, 30.0 + n % 9)
        for n in range(4320)
    ]
    assert len(str(draw_chart(chart(values), UTC))) < 16_000
    assert len(thin(values, NOW - MONTH, NOW)) <= COLUMNS + 1


@pytest.mark.parametrize("value", [34, 7500, 1_310_720, 0.085])
def test_what_never_moved_is_said_once_and_its_axis_has_no_number_twice(value: float) -> None:
    one = chart(hourly(value, value, value), whole_numbers=value >= 1)
    assert say_range(one) == f"{say_number(value)} all the time"
    numbers = re.findall(r'<text x="[\d.]+" y="[\d.]+">([^<]*)</text>', draw_chart(one, UTC))
    assert len(set(numbers)) == len(numbers) >= 2


@given(low=st.floats(0, 1e12), span=st.floats(0, 1e3), whole=st.booleans())
def test_no_two_numbers_of_an_axis_read_the_same(low: float, span: float, *, whole: bool) -> None:
    said = [say_number(value) for value in ticks(low, low + span, whole=whole)]
    assert len(set(said)) == len(said)


def test_an_axis_that_is_to_reach_further_begins_at_zero_and_does() -> None:
    """Else a rebuild at 15% would lie at the top, as if it were through."""
    drawn = draw_chart(chart(hourly(10.0, 15.0), reach=100.0), UTC)
    numbers = [float(n) for n in re.findall(r'<text x="\d+" y="\d+">([\d.]+)</text>', drawn)]
    assert min(numbers) == 0
    assert max(numbers) == 100


def test_the_newest_value_is_a_point_so_that_a_single_one_can_be_seen() -> None:
    (point,) = re.findall(
        r'<circle class="newest-value" cx="(\d+)"',
        draw_chart(chart([(NOW - timedelta(minutes=1), timedelta(0), 3, 3, 3)]), UTC),
    )
    assert abs(int(point) - (WIDTH - RIGHT)) <= 1
    assert "newest-value" not in draw_chart(chart([]), UTC)


def test_a_column_is_what_it_says() -> None:
    assert thin([(NOW, timedelta(0), 1, 3, 2)], NOW - MONTH, NOW) == (
        Column(NOW.timestamp(), NOW.timestamp(), 1, 3, 2),
    )


def test_the_numbers_of_a_chart_stand_beside_its_newest_end() -> None:
    """A phone shows that end first, and a line without numbers says nothing."""
    drawn = str(draw_chart(chart(hourly(1, 5, 3)), UTC))
    found = re.findall(r'<text x="([\d.]+)" y="[\d.]+">\d+</text>', drawn)
    places = [float(x) for x in found]
    assert places
    assert min(places) > WIDTH - RIGHT
