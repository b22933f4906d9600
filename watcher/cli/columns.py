"""Text in columns: aligned by what the eye sees, cut to the width of the terminal."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence


def width_of(text: str) -> int:
    """Give how many columns a text takes on a terminal."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def pad(text: str, width: int) -> str:
    """Fill a text with blanks up to a width."""
    return text + " " * max(width - width_of(text), 0)


def clean(text: str) -> str:
    """Make a text harmless on a terminal: control characters become a question mark."""
    return "".join("?" if unicodedata.category(c) in {"Cc", "Cf"} else c for c in text)


def fold(text: str, width: int, indent: str = "") -> list[str]:
    """Break a text into lines of at most ``width`` columns; a longer word stands alone."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        if line and width_of(line) + 1 + width_of(word) > width:
            lines.append(line)
            line = indent + word
        else:
            line = f"{line} {word}" if line else word
    if line or not lines:
        lines.append(line)
    return lines


def hang(line: str, begin: int, width: int) -> list[str]:
    """Break a line whose words begin at a column, with the rest beneath those words."""
    if width_of(line) <= width:
        return [line]
    if line[:1] != " ":
        return fold(line, width)
    folded = fold(line[begin:], max(width - begin, 24))
    return [line[:begin] + folded[0], *(" " * begin + more for more in folded[1:])]


def columns(
    rows: Iterable[Sequence[str]], *, total: int, indent: str = "  ", gap: str = "  "
) -> list[str]:
    """Lay out rows in columns; the last column takes what is left and is folded into it."""
    table = [[clean(cell) for cell in row] for row in rows]
    if not table:
        return []
    count = max(len(row) for row in table)
    widths = [
        max((width_of(row[i]) for row in table if i < len(row)), default=0) for i in range(count)
    ]
    head = width_of(indent) + sum(widths[:-1]) + width_of(gap) * (count - 1)
    rest = max(total - head, 24)
    lines = []
    for row in table:
        cells = [pad(cell, widths[i]) for i, cell in enumerate(row[:-1])]
        if len(row) < count:
            lines.append((indent + gap.join([*cells, row[-1]])).rstrip())
            continue
        folded = fold(row[-1], rest)
        lines.append((indent + gap.join([*cells, folded[0]])).rstrip())
        blank = " " * (width_of(indent) + sum(widths[:-1]) + width_of(gap) * (count - 1))
        lines.extend((blank + more).rstrip() for more in folded[1:])
    return lines
