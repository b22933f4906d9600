"""The margin as a picture: as many whole blocks as drives can still be lost.

What is left is a solid block, what was lost an empty one with a stroke through it. Nothing hinges
on colour: in grey, on paper and to a screen reader it says the same.
"""

from __future__ import annotations

from markupsafe import Markup

from watcher.facts.pool import Protection
from watcher.web.words import HasMargin, say_margin

SIDE, GAP = 26, 7
MOST_DRAWN = 6
"""A pool that can lose more drives than that has its margin as a number only; our choice."""


def draw_margin(pool: HasMargin, *, size: float = 1.0) -> Markup:
    """Draw the margin of a pool."""
    full, left = pool.full_margin, pool.margin
    broken = pool.protection is Protection.BROKEN
    if full is not None and full > MOST_DRAWN:
        shapes = [_number("?" if left is None else str(left))]
        width = SIDE * 2
    elif not full:
        shapes = [_flat() if full == 0 else _unknown(0)]
        width = SIDE
    else:
        shapes = []
        for place in range(full):
            at = place * (SIDE + GAP)
            if broken:
                shapes.append(_crossed(at))
            elif left is None:
                shapes.append(_unknown(at))
            elif place < left:
                shapes.append(
                    f'<rect class="left" x="{at + 1}" y="1" width="{SIDE}" height="{SIDE}"/>'
                )
            else:
                shapes.append(_lost(at))
        width = full * (SIDE + GAP) - GAP
    wide, high = width + 2, SIDE + 2
    label = Markup.escape(f"Margin: {say_margin(pool)}")
    return Markup(  # noqa: S704 - numbers and an escaped label
        f'<svg class="blocks" role="img" aria-label="{label}" width="{wide * size:.0f}" '
        f'height="{high * size:.0f}" viewBox="0 0 {wide} {high}">{"".join(shapes)}</svg>'
    )


def _box(at: int, kind: str) -> str:
    return f'<rect class="{kind}" x="{at + 2}" y="2" width="{SIDE - 2}" height="{SIDE - 2}"/>'


def _lost(at: int) -> str:
    low, high = 2, SIDE
    return _box(at, "lost") + f'<path class="stroke" d="M{at + low} {high}L{at + high} {low}"/>'


def _crossed(at: int) -> str:
    low, high = 2, SIDE
    return _lost(at) + f'<path class="stroke" d="M{at + low} {low}L{at + high} {high}"/>'


def _unknown(at: int) -> str:
    middle = at + SIDE / 2 + 1
    return _box(at, "unseen") + f'<text x="{middle:g}" y="{SIDE - 6}" text-anchor="middle">?</text>'


def _flat() -> str:
    return f'<path class="stroke" d="M2 {SIDE}H{SIDE}"/>'


def _number(text: str) -> str:
    return f'<text class="count" x="1" y="{SIDE - 3}">{text}</text>'
