"""One drive on one recorded day: what a row of a daily record says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from watcher.facts.drive import Metric


@dataclass(frozen=True, slots=True)
class RecordedDay:
    """One row of a daily record, decoded. The time is the start of that day in UTC.

    Built by the hundred thousand, so it checks nothing; its reader does. ``metrics`` is never
    changed; a metric that the row lacks, or holds in a form that cannot be decoded, is absent.
    """

    at: datetime
    serial: str
    model: str
    capacity_bytes: int | None
    metrics: Mapping[Metric, int]
