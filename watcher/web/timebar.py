"""The exposure picture: parts of a window as bars in time, choices as bars of chance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup, escape

from watcher.exposure.choices import Choice
from watcher.exposure.span import NO_TIME
from watcher.exposure.window import Step, Window
from watcher.web.charts import time_ticks
from watcher.web.words import Clockwork

WIDTH, ROW, EDGE = 480, 54, 8
JUST_NOW = timedelta(minutes=5)
"""A window that began no longer ago begins now, to the eye; our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One part of a window, as it is drawn and said."""

    name: str
    begins: datetime  # likely
    earliest: datetime  # its end
    likely: datetime
    latest: datetime
    from_hours: float
    to_hours: tuple[float, float, float]


def stretches(window: Window) -> tuple[Stretch, ...]:
    """Put the parts one after the other; each end is that of all before it together.

    The rebuild ends when the whole time bare does, and the last part when the window does: both
    count in that a new drive may be weak and must be replaced once more.
    """
    found = []
    so_far = NO_TIME
    for part in window.parts:
        begin = so_far.likely
        so_far = so_far.plus(part.span)
        if part is window.parts[-1]:
            so_far = window.whole
        elif part.step is Step.REBUILD:
            so_far = window.bare
        ends = (so_far.earliest, so_far.likely, so_far.latest)
        found.append(
            Stretch(
                name=part.step.value,
                begins=window.at(begin),
                earliest=window.at(ends[0]),
                likely=window.at(ends[1]),
                latest=window.at(ends[2]),
                from_hours=begin,
                to_hours=ends,
            )
        )
    return tuple(found)


def draw_window(parts: Sequence[Stretch], clock: Clockwork) -> Markup:
    """Draw the parts: a bar to the likely end, a line from the earliest to the latest.

    Narrow, and with each name over its bar, so that a phone shows all of it at once.
    """
    if not parts:
        return Markup("")
    begin = parts[0].begins
    longest = max(part.to_hours[2] for part in parts) or 1.0

    def x(hours: float) -> float:
        return EDGE + hours / longest * (WIDTH - 2 * EDGE)

    floor = ROW * len(parts) + 8
    first = "now" if clock.now - begin < JUST_NOW else clock.when(begin)
    label = escape(
        f"Time from {first} in {len(parts)} parts: "
        + "; ".join(f"{p.name} until likely {clock.when(p.likely)}" for p in parts)
    )
    box = f"0 0 {WIDTH} {floor + 22}"
    drawn = [f'<svg class="chart window" viewBox="{box}" role="img" aria-label="{label}">']
    for moment, words in time_ticks(begin, begin + timedelta(hours=longest), clock.zone):
        at = x((moment - begin) / timedelta(hours=1))
        if EDGE + 10 * len(first) + 15 < at < WIDTH - 25:
            drawn.append(
                f'<path class="grid" d="M{at:.0f} 0V{floor}"/>'
                f'<text x="{at:.0f}" y="{floor + 16}" text-anchor="middle">{escape(words)}</text>'
            )
    drawn += [_row(part, place * ROW, x) for place, part in enumerate(parts)]
    drawn.append(
        f'<text x="{EDGE}" y="{floor + 16}">{escape(first)}</text>'
        f'<path class="now" d="M{EDGE} 0V{floor}"/></svg>'
    )
    return Markup("".join(drawn))  # noqa: S704 - numbers and escaped words


def _row(part: Stretch, top: int, x: Callable[[float], float]) -> str:
    """Draw one part: its name, the bar, and below it the line of its doubt."""
    begin, early, likely, late = (x(h) for h in (part.from_hours, *part.to_hours))
    return (
        f'<text x="{EDGE + 6}" y="{top + 18}">{escape(part.name)}</text>'
        f'<rect class="bar" x="{begin:.0f}" y="{top + 25}" '
        f'width="{max(likely - begin, 2):.0f}" height="11"/>'
        f'<path class="span" d="M{early:.0f} {top + 43}H{late:.0f}'
        f'M{early:.0f} {top + 39}V{top + 47}M{late:.0f} {top + 39}V{top + 47}"/>'
    )


def draw_choice(choice: Choice, largest: float) -> Markup:
    """Draw the chance of loss of one choice beside the others."""
    share = min(choice.measure / largest, 1.0) if largest > 0 else 0.0
    return Markup(  # noqa: S704 - numbers
        f'<svg class="chart bar-of-chance" viewBox="0 0 300 14" aria-hidden="true">'
        f'<rect class="bar" x="0" y="2" width="{max(share * 300, 1):.0f}" height="10"/></svg>'
    )
