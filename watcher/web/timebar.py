"""The exposure picture: parts of a window as bars in time, choices as bars of chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup, escape

from watcher.exposure.choices import Choice
from watcher.exposure.span import NO_TIME
from watcher.exposure.window import Step, Window

WIDTH, ROW, LABEL = 720, 34, 170


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


def draw_window(parts: Sequence[Stretch]) -> Markup:
    """Draw the parts: a bar to the likely end, a line from the earliest to the latest."""
    if not parts:
        return Markup("")
    longest = max(part.to_hours[2] for part in parts) or 1.0
    room = WIDTH - LABEL - 20

    def x(hours: float) -> float:
        return LABEL + hours / longest * room

    high = ROW * len(parts) + 26
    label = escape(
        f"Time from now in {len(parts)} parts: "
        + "; ".join(f"{p.name} until likely {p.likely:%a %d %b %H:%M}" for p in parts)
    )
    drawn = [f'<svg class="chart" viewBox="0 0 {WIDTH} {high}" role="img" aria-label="{label}">']
    for days in range(1, int(longest / 24) + 1):
        every = max(1, int(longest / 24 / 8))
        if days % every == 0:
            drawn.append(
                f'<path class="grid" d="M{x(days * 24):.0f} 0V{high - 22}"/>'
                f'<text x="{x(days * 24):.0f}" y="{high - 7}" text-anchor="middle">{days} d</text>'
            )
    for place, part in enumerate(parts):
        middle = place * ROW + ROW // 2
        begin, early, likely, late = (
            x(part.from_hours),
            x(part.to_hours[0]),
            x(part.to_hours[1]),
            x(part.to_hours[2]),
        )
        drawn.append(
            f'<text x="6" y="{middle + 4}">{escape(part.name)}</text>'
            f'<rect class="bar" x="{begin:.0f}" y="{middle - 7}" '
            f'width="{max(likely - begin, 2):.0f}" height="14"/>'
            f'<path class="span" d="M{early:.0f} {middle + 12}H{late:.0f}'
            f'M{early:.0f} {middle + 8}V{middle + 16}M{late:.0f} {middle + 8}V{middle + 16}"/>'
        )
    drawn.append(
        f'<text x="{LABEL}" y="{high - 7}" text-anchor="middle">now</text>'
        f'<path class="now" d="M{LABEL} 0V{high - 22}"/></svg>'
    )
    return Markup("".join(drawn))  # noqa: S704 - numbers and escaped words


def draw_choice(choice: Choice, largest: float) -> Markup:
    """Draw the chance of loss of one choice beside the others."""
    share = min(choice.measure / largest, 1.0) if largest > 0 else 0.0
    return Markup(  # noqa: S704 - numbers
        f'<svg class="chart bar-of-chance" viewBox="0 0 300 14" aria-hidden="true">'
        f'<rect class="bar" x="0" y="2" width="{max(share * 300, 1):.0f}" height="10"/></svg>'
    )
