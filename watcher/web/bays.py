"""Where drives sit, laid out as the owner described it.

The owner writes what stands on the box: ``3``, ``top left``, ``rear 2``, ``tray B4``. Bays whose
words begin alike make a group; within it words like *top* and *left* make rows and columns, and
numbers and letters an order. A layout never hides a bay: what does not fit is put at the end.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from watcher.facts.identity import DriveId

T = TypeVar("T")

_ROWS: Final = {
    "top": 0,
    "upper": 0,
    "middle": 1,
    "centre": 1,
    "center": 1,
    "bottom": 2,
    "lower": 2,
}
_COLUMNS: Final = {"left": 0, "middle": 1, "centre": 1, "center": 1, "right": 2}
_PARTS = re.compile(r"\d+|\D+")
_NUMBERED = re.compile(r"[A-Za-z]?\d+[A-Za-z]?|[A-Za-z]")
_STUCK = re.compile(r"(\D{2,}?)\d+[A-Za-z]?")  # "slot3"


@dataclass(frozen=True, slots=True, kw_only=True)
class Group(Generic[T]):
    """Bays that belong together."""

    name: str  # "rear", "tray"; "" for bays without a word
    rows: tuple[tuple[tuple[str, T], ...], ...]  # bay and what is in it


def lay_out(bays: Iterable[tuple[str, T]]) -> tuple[Group[T], ...]:
    """Lay bays out; a bay that is named twice comes twice."""
    groups: dict[str, list[tuple[str, T]]] = {}
    for bay, inside in bays:
        groups.setdefault(_group_of(bay), []).append((bay, inside))
    return tuple(
        Group(name=name, rows=_rows(found))
        for name, found in sorted(groups.items(), key=lambda g: in_order(g[0]))
    )


def in_order(bay: str) -> tuple[tuple[int, int, str], ...]:
    """Give a key that sorts ``2`` before ``10`` and ``A9`` before ``A10``."""
    return tuple(
        (0, int(part), "") if part.isdecimal() and part.isascii() else (1, 0, part.casefold())
        for part in _PARTS.findall(bay.strip())
    )


def in_bay_order(labelled: Iterable[tuple[str, DriveId]]) -> list[tuple[str, DriveId]]:
    """Sort drives by their labels as a person counts: bay 2 before bay 10."""
    return sorted(labelled, key=lambda one: (in_order(one[0]), one[1]))


def _group_of(bay: str) -> str:
    words = bay.strip().casefold().split()
    if not words or all(word in _ROWS or word in _COLUMNS for word in words):
        return ""
    *heads, last = bay.split()
    stuck = _STUCK.fullmatch(last)
    if _NUMBERED.fullmatch(last):
        head = " ".join(heads)
    elif stuck is not None:
        head = " ".join([*heads, stuck.group(1).rstrip("-_")])
    else:
        head = " ".join([*heads, last])
    return "" if head.casefold() in {"", "bay"} else head


def _place(bay: str) -> tuple[int, int] | None:
    words = bay.strip().casefold().split()
    if not words or not all(word in _ROWS or word in _COLUMNS for word in words):
        return None
    rows = [_ROWS[w] for w in words if w in _ROWS and w not in _COLUMNS]
    columns = [_COLUMNS[w] for w in words if w in _COLUMNS and w not in _ROWS]
    return (rows[0] if rows else 1, columns[0] if columns else 1)


def _rows(found: Sequence[tuple[str, T]]) -> tuple[tuple[tuple[str, T], ...], ...]:
    placed = [(place, bay) for bay in found if (place := _place(bay[0])) is not None]
    others = sorted(
        (bay for bay in found if _place(bay[0]) is None), key=lambda bay: in_order(bay[0])
    )
    placed.sort(key=lambda item: item[0])
    lines = sorted({place[0] for place, _ in placed})
    rows = [tuple(bay for place, bay in placed if place[0] == line) for line in lines]
    if others:
        rows.append(tuple(others))
    return tuple(rows)
