"""What charts are drawn from: a long series as a few stretches, thinned while it is read.

``history.series`` gives every point for whoever wants them all; a picture has room for a few
hundred, and making thousands of facts for it would take longer than drawing it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from heapq import merge
from typing import Any

from watcher.facts.drive import Metric
from watcher.facts.identity import DriveId
from watcher.store.history import STEPS
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import floor_to, from_micros, to_micros

_SOURCES = (
    ("fresh-between", 0),
    ("spans-between", 0),
    ("spans-between", 1),
    ("spans-between", 2),
)


_Spans = Iterator[tuple[int, int, int, int, int]]
"""Begin, width, lowest, highest and last value of spans, in their order."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time of a series that moves, and what was measured in it."""

    begins: datetime
    ends: datetime
    low: int
    high: int
    last: int


class ChartsPart(Part):
    """Look series up for pictures."""

    def stretches(
        self, drive: DriveId, metric: Metric, since: datetime, until: datetime, *, most: int
    ) -> tuple[Stretch, ...]:
        """Give a moving series as about ``most`` stretches of equal width, oldest first.

        A stretch keeps its lowest, highest and last value. Where nothing was measured there is
        none; empty for an unknown drive.
        """
        row = self.db.one(statements("questions")["one-drive"], {"drive": drive})
        number = self.metric_numbers().get(metric.value)
        if row is None or number is None:
            return ()
        begin, end = to_micros(since), to_micros(until)
        width = max((end - begin) // most, 1)
        found: list[list[int]] = []
        place = -1
        for at, wide, low, high, last in merge(*self._spans_raw(row["id"], number, begin, end)):
            here = (max(at, begin) - begin) // width
            if here == place:
                old = found[-1]
                old[1], old[4] = at + wide, last
                old[2], old[3] = min(old[2], low), max(old[3], high)
            else:
                found.append([at, at + wide, low, high, last])
                place = here
        return tuple(
            Stretch(
                begins=from_micros(max(at, begin)),
                ends=from_micros(min(ends, end)),
                low=low,
                high=high,
                last=last,
            )
            for at, ends, low, high, last in found
        )

    def _spans_raw(self, drive: int, metric: int, since: int, until: int) -> Iterator[_Spans]:
        """Give the spans of each resolution, to be walked in their order."""
        sql = statements("questions")
        for name, step in _SOURCES:
            wide = STEPS[step]
            values = {
                "drive": drive,
                "metric": metric,
                "step": step,
                "since": floor_to(since, wide),
                "until": until,
            }
            yield _walked(self.db.walk(sql[name], values), wide)


def _walked(rows: Iterator[Any], wide: int) -> _Spans:
    for row in rows:
        last: int = row["last"]
        yield row["at"], wide, last - row["below"], last + row["above"], last
