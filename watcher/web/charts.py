"""Charts as SVG, drawn here on the server: lines with their band, counters as steps.

Each is thinned to as many columns as can be seen; a column keeps its lowest, highest and last
value, so no peak is lost. What was not looked at is a gap, never a line through it. The table
beside a chart is made from the same columns.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from markupsafe import Markup, escape

from watcher.store.charts import Stretch

WIDTH, HEIGHT = 720, 200
LEFT, RIGHT, TOP = 10, 60, 12
"""The numbers stand at the right: beside the newest, which a phone shows first."""
FLOOR = HEIGHT - 28
COLUMNS = 220
"""How many columns a chart has; our choice: three pixels each, and a page stays small."""

MOST_MARKS = 40
MOST_ROWS = 24


@dataclass(frozen=True, slots=True)
class Column:
    """A stretch of time and what was measured in it."""

    begin: float  # seconds since 1970
    end: float
    low: float
    high: float
    last: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that happened."""

    at: datetime
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart, ready to be drawn."""

    title: str
    since: datetime
    until: datetime
    columns: tuple[Column, ...]
    steps: bool = False  # a value holds until the next one
    band: bool = True  # draw lowest to highest
    marks: tuple[Mark, ...] = ()
    unseen: tuple[tuple[datetime, datetime], ...] = ()  # when nothing was looked at
    whole_numbers: bool = True
    reach: float | None = None  # the axis goes from zero to this at least


def columns_of(stretches: Sequence[Stretch]) -> tuple[Column, ...]:
    """Make columns of what the store has thinned already."""
    return tuple(
        Column(s.begins.timestamp(), s.ends.timestamp(), s.low, s.high, s.last) for s in stretches
    )


def thin(
    values: Sequence[tuple[datetime, timedelta, float, float, float]],
    since: datetime,
    until: datetime,
    *,
    columns: int = COLUMNS,
) -> tuple[Column, ...]:
    """Make columns of (begin, length, lowest, highest, last), oldest first."""
    begin, end = since.timestamp(), until.timestamp()
    width = max((end - begin) / columns, 1.0)
    found: list[Column] = []
    place = -1
    for at, lasts, low, high, last in values:
        start = max(at.timestamp(), begin)
        stop = max(min(at.timestamp() + lasts.total_seconds(), end), start)
        here = int((start - begin) / width)
        if here == place and found:
            old = found[-1]
            found[-1] = Column(old.begin, stop, min(old.low, low), max(old.high, high), last)
        else:
            found.append(Column(start, stop, low, high, last))
            place = here
    return tuple(found)


def ticks(low: float, high: float, *, whole: bool, most: int = 5) -> tuple[float, ...]:
    """Give round numbers that cover a range."""
    span = max(high - low, 1.0 if whole else 1e-9)
    rough = span / most
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * k for k in (1, 2, 5, 10) if size * k >= rough)
    if whole:
        step = max(step, 1.0)
    step = max(step, _finest(max(abs(low), abs(high))))
    first = math.floor(low / step)
    last = math.ceil(high / step)
    if first == last:
        last += 1
    return tuple(step * k for k in range(first, last + 1))


def _finest(size: float) -> float:
    """Give the smallest step between numbers of a size that ``say_number`` still tells apart."""
    return 10.0 ** (math.floor(math.log10(size)) - (2 if size >= 1 else 1)) if size > 0 else 0.0


def time_ticks(since: datetime, until: datetime, zone: tzinfo) -> Iterator[tuple[datetime, str]]:
    """Give moments to write below a chart, with their words."""
    span = until - since
    local = since.astimezone(zone)
    if span <= timedelta(days=2):
        sizes = (5, 15, 30, 60, 180, 360)
        minutes = next((m for m in sizes if span <= timedelta(minutes=8 * m)), 360)
        at = local.replace(hour=0, minute=0, second=0, microsecond=0)
        while at < until:
            if at > since:
                yield at, f"{at:%H:%M}"
            at += timedelta(minutes=minutes)
        return
    if span <= timedelta(days=120):
        days = max(1, span.days // 5)
        at = local.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        while at < until:
            yield at, f"{at.day} {at:%b}"
            at += timedelta(days=days)
        return
    months = max(1, round(span.days / 30.4 / 6))
    index = local.year * 12 + local.month
    while True:
        at = datetime(index // 12, index % 12 + 1, 1, tzinfo=zone)
        if at >= until:
            return
        yield at, f"{at:%b} {at.year}"
        index += months


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """Where moments and values lie in the picture."""

    begin: float
    end: float
    low: float
    high: float

    def x(self, moment: float) -> float:
        """Give how far to the right a moment lies."""
        share = (moment - self.begin) / max(self.end - self.begin, 1.0)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Give how far down a value lies."""
        return TOP + (self.high - value) / (self.high - self.low) * (FLOOR - TOP)


def draw_chart(chart: Chart, zone: tzinfo) -> Markup:
    """Draw a chart."""
    low = min((c.low for c in chart.columns), default=0.0)
    high = max((c.high for c in chart.columns), default=1.0)
    if low == high and chart.columns and chart.whole_numbers and low > 0:
        room = max(1.0, 10 * _finest(low))
        low, high = low - room, high + room
    if chart.reach is not None:
        low, high = min(low, 0.0), max(high, chart.reach)
    values = ticks(low, high, whole=chart.whole_numbers)
    frame = _Frame(
        begin=chart.since.timestamp(), end=chart.until.timestamp(), low=values[0], high=values[-1]
    )
    label = escape(f"{chart.title}: {say_range(chart)}")
    parts = [f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">']
    parts += _across(values, frame)
    parts += _below(chart, frame, zone)
    parts += _unseen(chart, frame)
    parts.append(_curve(chart, frame))
    parts += _marks(chart, frame)
    parts.append(f'<path class="axis" d="M{LEFT} {FLOOR}H{WIDTH - RIGHT}V{TOP}"/></svg>')
    return Markup("".join(parts))  # noqa: S704 - numbers and escaped words


def _across(values: Sequence[float], frame: _Frame) -> Iterator[str]:
    """Draw the lines of round values with their numbers."""
    for value in values:
        at = frame.y(value)
        yield f'<path class="grid" d="M{LEFT} {at:.0f}H{WIDTH - RIGHT}"/>'
        yield f'<text x="{WIDTH - RIGHT + 6}" y="{at + 5:.0f}">{say_number(value)}</text>'


def _below(chart: Chart, frame: _Frame, zone: tzinfo) -> Iterator[str]:
    """Write the moments below."""
    for moment, words in time_ticks(chart.since, chart.until, zone):
        at = frame.x(moment.timestamp())
        if LEFT + 28 < at < WIDTH - RIGHT - 28:
            said = escape(words)
            yield f'<text x="{at:.0f}" y="{HEIGHT - 7}" text-anchor="middle">{said}</text>'


def _unseen(chart: Chart, frame: _Frame) -> Iterator[str]:
    """Frame what was not looked at."""
    for away, back in chart.unseen:
        begin, end = frame.x(away.timestamp()), frame.x(back.timestamp())
        yield (
            f'<rect class="blank" x="{begin:.0f}" y="{TOP}" width="{max(end - begin, 1):.0f}" '
            f'height="{FLOOR - TOP}"/>'
        )


def _marks(chart: Chart, frame: _Frame) -> Iterator[str]:
    """Mark what happened."""
    for mark in chart.marks[:MOST_MARKS]:
        at = frame.x(mark.at.timestamp())
        if LEFT <= at <= WIDTH - RIGHT:
            said = escape(mark.text)
            yield f'<path class="event" d="M{at:.0f} {TOP}V{FLOOR}"><title>{said}</title></path>'


def _curve(chart: Chart, frame: _Frame) -> str:
    """Draw the line, broken where there is a gap, and its band."""
    lines, bands = [], []
    for run in _runs(chart):
        points: list[str] = []
        for place, column in enumerate(run):
            at, value = f"{frame.x(column.begin):.0f}", f"{frame.y(column.last):.0f}"
            if place == 0:
                points.append(f"M{at} {value}")
            else:
                points.append(f"H{at}V{value}" if chart.steps else f"L{at} {value}")
        last = run[-1]
        stop = chart.until.timestamp() if chart.steps else max(last.end, last.begin)
        points.append(f"H{max(frame.x(stop), frame.x(last.begin) + 1):.0f}")
        lines.append("".join(points))
        if chart.band and any(c.low != c.high for c in run):
            edge = [(frame.x(c.begin), frame.y(c.high)) for c in run]
            edge += [(frame.x(c.begin), frame.y(c.low)) for c in reversed(run)]
            bands.append("M" + "L".join(f"{a:.0f} {b:.0f}" for a, b in edge) + "Z")
    if not lines:
        return ""
    band = f'<path class="band" d="{"".join(bands)}"/>' if bands else ""
    newest = chart.columns[-1]
    tip = frame.x(chart.until.timestamp() if chart.steps else max(newest.end, newest.begin))
    return (
        f'{band}<path class="line" d="{"".join(lines)}"/>'
        f'<circle class="newest-value" cx="{tip:.0f}" cy="{frame.y(newest.last):.0f}" r="4"/>'
    )


def _runs(chart: Chart) -> Iterator[list[Column]]:
    """Part the columns where nothing was measured for long; a counter holds its value."""
    run: list[Column] = []
    wide = (chart.until - chart.since).total_seconds() / COLUMNS
    for column in chart.columns:
        if run and not chart.steps:
            longest = max(3 * wide, 3 * (run[-1].end - run[-1].begin), 1800.0)
            if column.begin - run[-1].end > longest:
                yield run
                run = []
        run.append(column)
    if run:
        yield run


def say_number(value: float) -> str:
    """Say a number shortly: 1500, 12k, 3.4M."""
    if value != int(value) and abs(value) < 100:
        return f"{value:.2g}" if abs(value) < 1 else f"{value:.3g}"
    for size, word in ((10**12, "T"), (10**9, "G"), (10**6, "M"), (10**4, "k")):
        if abs(value) >= size:
            unit = 10**3 if word == "k" else size
            return f"{value / unit:.3g}{word}"
    return f"{value:.0f}"


def say_range(chart: Chart) -> str:
    """Say a chart in a sentence."""
    if not chart.columns:
        return "nothing was measured"
    first, last = chart.columns[0], chart.columns[-1]
    low = min(c.low for c in chart.columns)
    high = max(c.high for c in chart.columns)
    if low == high:
        return f"{say_number(low)} all the time"
    told = f"from {say_number(first.last)} to {say_number(last.last)}"
    if {low, high} == {first.last, last.last}:
        return told
    return f"{told}, lowest {say_number(low)}, highest {say_number(high)}"


def rows(chart: Chart) -> list[tuple[datetime, float, float, float]]:
    """Give the table beside a chart: moment, lowest, highest, last; thinned like the chart."""
    if len(chart.columns) <= MOST_ROWS:
        kept = list(chart.columns)
    else:
        size = math.ceil(len(chart.columns) / MOST_ROWS)
        kept = []
        for place in range(0, len(chart.columns), size):
            part = chart.columns[place : place + size]
            kept.append(
                Column(
                    part[0].begin,
                    part[-1].end,
                    min(c.low for c in part),
                    max(c.high for c in part),
                    part[-1].last,
                )
            )
    zone = chart.since.tzinfo
    return [(datetime.fromtimestamp(c.begin, zone), c.low, c.high, c.last) for c in kept]
