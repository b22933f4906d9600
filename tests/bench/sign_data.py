"""Drive-days of the open field data with the value of every sign, for the two sign benches.

The values are those of ``watcher.rules.risk``, by the very functions that the service uses; drives
that never show a counter above zero are folded into sums, which keeps half a million days small.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import numpy as np
from pyarrow import parquet

from watcher.facts.drive import DriveIdentity, DrivePast, DriveReading, Metric, Trace
from watcher.facts.identity import BoxId, DriveId
from watcher.facts.recorded_day import RecordedDay
from watcher.readers.recorded_days import read_days
from watcher.rules.look import Look
from watcher.rules.risk import SIGN_METRICS, values_of
from watcher.rules.tuning import UNTUNED, Target

HERE = Path(__file__).resolve()
DATA = HERE.parents[2].parent / "shared" / "data"
HORIZON = 30  # days
COUNTERS = frozenset(metric for metric in Metric if metric.value in SIGN_METRICS)

FLEET = "backblaze_fleet_2013/open/data.parquet"
ST12000 = "backblaze_st12000_2020/open/data.parquet"
TOSHIBA = "backblaze_lastday_2019/open/toshiba_last_10_days.parquet"
FAILED = "backblaze_failed_2019q1/open/data.parquet"


def failures(path: Path) -> dict[str, str]:
    """Give the failure date of each drive that failed, by serial number."""
    table = parquet.read_table(path, columns=["serial", "date", "failure"]).to_pydict()
    rows = zip(table["serial"], table["date"], table["failure"], strict=True)
    return {serial: date[:10] for serial, date, failed in rows if failed}


def fold_of(serial: str, folds: int = 10) -> int:
    """Give the fold of a drive, the same on every machine."""
    return int(hashlib.sha256(f"fold {serial}".encode()).hexdigest()[:8], 16) % folds


@dataclass
class Days:
    """Drive-days as columns. ``days`` is the exposure: days until failure, or of follow-up."""

    group: list[int] = field(default_factory=list)
    serial: list[str] = field(default_factory=list)
    model: list[str] = field(default_factory=list)
    age_years: list[float] = field(default_factory=list)
    days: list[float] = field(default_factory=list)
    failed: list[bool] = field(default_factory=list)
    weight: list[float] = field(default_factory=list)
    values: list[dict[str, int]] = field(default_factory=list)

    def matrix(self, rows: dict[str, tuple[int, ...]]) -> tuple[np.ndarray, list[tuple[str, int]]]:
        """Give one column for each sign and value from which on it counts (1 or 0)."""
        names = [(sign, cut) for sign, cuts in rows.items() for cut in cuts]
        out = np.zeros((len(self.values), len(names)))
        for row, values in enumerate(self.values):
            for column, (sign, cut) in enumerate(names):
                if values.get(sign, 0) >= cut:
                    out[row, column] = 1.0
        return out, names


def look_at(day: RecordedDay, before: dict[Metric, list], last: RecordedDay | None) -> Look:
    """Make what the rules would look at on one day."""
    identity = DriveIdentity(drive=DriveId(day.serial), model=day.model, serial=day.serial)
    past = None
    if last is not None:
        past = DrivePast(
            identity=identity,
            first_seen=last.at,
            last_read=last.at,
            last_present=last.at,
            traces=tuple(Trace(metric=m, points=tuple(p)) for m, p in before.items()),
        )
    reading = DriveReading(
        identity=identity,
        observed_at=day.at,
        node="recorded",
        device_type="",
        metrics=tuple((m, v) for m, v in day.metrics.items() if m in COUNTERS),
    )
    return Look(
        reading=reading,
        past=past,
        now=day.at,
        tuning=UNTUNED,
        target=Target(box=BoxId("bench")),
    )


def days_of(name: str, group: int, *, follow_days: int | None, weight: float, into: Days) -> int:
    """Add one data set; gives the number of its drives.

    ``follow_days`` is how long every healthy row is known to have lived on; None takes it from the
    last day seen.
    """
    path = DATA / name
    died = failures(path)
    drives: dict[str, list[RecordedDay]] = defaultdict(list)
    for day in read_days(path):
        drives[day.serial].append(day)
    for serial, days in drives.items():
        end = days[-1].at
        dead = serial in died
        clean = all(not v for d in days for m, v in d.metrics.items() if m in COUNTERS)
        before: dict[Metric, list] = {}
        last: RecordedDay | None = None
        for day in days:
            values: dict[str, int] = {}
            if not clean:
                look = look_at(day, before, last)
                values = {k: v for k, v in values_of(look.metrics, look.rise).items() if v}
                for metric, value in look.metrics.items():
                    points = before.setdefault(metric, [])
                    if not points or points[-1][1] != value:
                        points.append((day.at, value))
            last = day
            left = (end - day.at) / timedelta(days=1)
            if dead and left <= 0:
                continue  # the failure day itself is too late
            span = left if dead or follow_days is None else float(follow_days)
            if span <= 0:
                continue
            into.group.append(group)
            into.serial.append(serial)
            into.model.append(day.model)
            into.age_years.append(day.metrics.get(Metric.POWER_ON_HOURS, 0) / 8766)
            into.days.append(min(span, HORIZON))
            into.failed.append(dead and span <= HORIZON)
            into.weight.append(1.0 if dead else weight)
            into.values.append(values)
    return len(drives)
