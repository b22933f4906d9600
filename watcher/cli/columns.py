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
    """Make a line harmless on a terminal: control characters become a question mark."""
    if text.isprintable():
        return text
    return "".join("?" if unicodedata.category(c) in {"Cc", "Cf"} else c for c in text)


def clean_lines(text: str) -> str:
    """Make lines harmless on a terminal, whoever named what they speak of."""
    return "\n".join(clean(line) for line in text.split("\n"))


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
    """Lay out rows in columns; the last column takes what is left and is folded into it.

    Where little is left the last column stands beneath its row, and where the others do not fit
    either, they stand beneath the first.
    """
    laid = columns_by_row(rows, total=total, indent=indent, gap=gap)
    return [line for lines in laid for line in lines]


def columns_by_row(
    rows: Iterable[Sequence[str]], *, total: int, indent: str = "  ", gap: str = "  "
) -> list[list[str]]:
    """Lay out rows in columns, and give the lines of each."""
    table = [[clean(cell) for cell in row] for row in rows]
    widths = _widths(table)
    head = width_of(indent) + sum(widths[:-1]) + width_of(gap) * max(len(widths) - 1, 0)
    if len(widths) > 1 and total - head < min(_LEAST, widths[-1]):
        return [_stacked(row, widths, (total, indent, gap)) for row in table]
    laid = []
    for row in table:
        cells = [pad(cell, widths[i]) for i, cell in enumerate(row[:-1])]
        if len(row) < len(widths):
            laid.append([(indent + gap.join([*cells, row[-1]])).rstrip()])
            continue
        first, *others = fold(row[-1], max(total - head, 1))
        line = (indent + gap.join([*cells, first])).rstrip()
        laid.append([line, *((" " * head + more).rstrip() for more in others)])
    return laid


def _widths(table: Sequence[Sequence[str]]) -> list[int]:
    """Give how wide each column is."""
    count = max((len(row) for row in table), default=0)
    return [max(width_of(row[i]) for row in table if i < len(row)) for i in range(count)]


def _stacked(row: Sequence[str], widths: Sequence[int], room: tuple[int, str, str]) -> list[str]:
    """Lay out a row of a table that is too wide: the last cell, or all but one, beneath."""
    total, indent, gap = room
    beneath = indent + _BENEATH
    cells = [pad(cell, widths[i]) for i, cell in enumerate(row)]
    last = row[-1] if len(row) == len(widths) else ""
    if last:
        cells.pop()
    lines = [indent + gap.join(cells)]
    if width_of(indent) + sum(widths[:-1]) + width_of(gap) * (len(widths) - 2) > total:
        lines = [indent + row[0], beneath + gap.join(cells[1:])]
    lines += [beneath + more for more in fold(last, max(total - len(beneath), 1))]
    return [line.rstrip() for line in lines if line.strip()]


_LEAST = 24  # columns that a sentence needs to be read beside others
_BENEATH = "    "  # how far what stands beneath a row is set in
