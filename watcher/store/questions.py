"""What the desk asks for each survey: the past of its drives and pools, and what happened lately.

These are asked for every survey, so each costs one row for each drive, pool or event, however
long the history is.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from watcher.facts.drive import DriveIdentity, DrivePast, Metric, Trace, TracesAsAsked
from watcher.facts.identity import BoxId, DriveId, PoolId, Subject, SubjectKind
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.pool import Pool, PoolKind, Protection, WorkKind
from watcher.facts.pool_past import PoolPast, WorkSample
from watcher.facts.survey import Survey
from watcher.store.codec import (
    IDENTITY,
    POOL,
    SENT,
    SURVEY,
    making_sense,
    read_day_once,
    read_values,
    read_values_once,
    unsqueeze,
)
from watcher.store.connection import Question, Values
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import DAY, from_micros, from_micros_or_none, to_micros

WORK_SAMPLES = 60
"""Samples of a running work that are handed to the rules, beside its first: ten hours of surveys
every ten minutes, enough to see a standstill or a pace. Our choice."""


PLAIN_SURVEY = '{"survey":"'
"""How a survey begins that we wrote; as a box sent it, it stands within something."""


class QuestionsPart(Part):
    """Ask what history knows."""

    def drive_pasts(
        self, box: BoxId, since: datetime, now: datetime
    ) -> Mapping[DriveId, DrivePast]:
        """Give the past of every drive of a box, retired ones too (``in_use`` says so).

        The trace of a counter holds its changes since ``since``, and before them the value that
        held then, dated at the moment from which it held. The trace of the temperature holds the
        lowest and the highest reading of the last day, and the latest. The traces of the other
        series that move all the time (hours, bytes, load cycles, waits) hold the latest value
        only: ask ``series`` for more.
        """
        begin, end = to_micros(since), to_micros(now)
        rows = self.drive_rows(box)
        with making_sense("a drive"):
            walked = [_walked(read_values_once(row["counters"]), begin) for row in rows]
            self.db.ask_ahead(
                [
                    self._about_changes(row["id"], name, begin)
                    for row, names in zip(rows, walked, strict=True)
                    for name in names
                ]
            )
            return {
                DriveId(row["drive"]): self._past_of(row, names, begin, end)
                for row, names in zip(rows, walked, strict=True)
            }

    def _past_of(self, row: Any, walked: Sequence[str], since: int, now: int) -> DrivePast:  # noqa: ANN401 - a row
        """Make the past of a drive from its row; ``walked`` are the counters that moved twice."""
        read, present = row["last_read"], row["last_present"]
        return DrivePast(
            identity=identity_of(row["identity"]),
            first_seen=_moment(row["first_seen"]),
            last_read=None if read is None else _moment(read),
            last_present=None if present is None else _moment(present),
            bay=row["bay"],
            node=row["node"],
            in_use=bool(row["in_use"]),
            traces=self._traces(row, walked, since, now),
        )

    def _traces(self, row: Any, walked: Sequence[str], since: int, now: int) -> TracesAsAsked:  # noqa: ANN401 - a row
        """Give the traces of a drive, each made when it is asked for.

        All numbers are read and checked here. So are the changes of a counter that moved twice
        since ``since``, for those must be asked of the store while it is open.
        """
        return _Traces(
            counters=read_values_once(row["counters"]),
            walked={name: self._points(row["id"], name, since) for name in walked},
            moving=read_values(row["moving"]),
            day=read_day_once(row["day"]),
            since=since,
            now=now,
        )

    def _about_changes(self, drive: int, name: str, since: int) -> Question:
        """Ask for the changes of a counter after a moment, and for the last one before."""
        values: Values = {"drive": drive, "metric": self.metric_number(name), "since": since}
        return statements("questions")["changes-about"], values

    def _points(self, drive: int, name: str, since: int) -> tuple[tuple[datetime, int], ...]:
        """Give the changes of a counter within the window and the value before them."""
        rows = self.db.rows(*self._about_changes(drive, name, since))
        return tuple((_moment(row["at"]), row["value"]) for row in rows)

    def pool_pasts(self, box: BoxId) -> Mapping[PoolId, PoolPast]:
        """Give the past of every pool of a box, retired ones too."""
        return {PoolId(row["pool"]): self._pool_past(row) for row in self.pool_rows(box)}

    def _pool_past(self, row: Any) -> PoolPast:  # noqa: ANN401 - a row
        """Make the past of a pool from its row."""
        past = pool_past_of(row)
        return replace(past, work=self._work(row)) if row["work_kind"] is not None else past

    def _work(self, row: Any) -> tuple[WorkSample, ...]:  # noqa: ANN401 - a row
        """Give the first and the last samples of the work that ran when the pool was seen."""
        sql = statements("intake")
        values = {"pool": row["id"], "since": row["work_since"], "limit": WORK_SAMPLES}
        last = list(reversed(self.db.rows(sql["last-pool-work"], values)))
        first = self.db.one(sql["first-pool-work"], values)
        if first is not None and last and first["at"] < last[0]["at"]:
            last.insert(0, first)
        return tuple(work_sample(sample) for sample in last)

    def recent_events(self, box: BoxId, since: datetime) -> tuple[KernelEvent, ...]:
        """Give the kernel events of a box that lasted beyond ``since``, oldest first."""
        rows = self.db.rows(
            statements("questions")["events-since"], {"box": box, "since": to_micros(since)}
        )
        return tuple(event_of(row) for row in rows)

    def last_survey(self, box: BoxId) -> Survey | None:
        """Give the last survey of a box as it was handed over, but for the raw answers."""
        row = self.db.one(statements("questions")["last-survey"], {"box": box})
        if row is None:
            return None
        what = f"the last survey of {box}"
        text = unsqueeze(row["survey_body"], what)
        if text.startswith(PLAIN_SURVEY):
            return SURVEY.read(text, what)
        return SENT.read(text, what).survey.of_box(box, row["last_survey"])


_METRICS = {metric.value: metric for metric in Metric}


@lru_cache(maxsize=4096)
def identity_of(text: str) -> DriveIdentity:
    """Read a drive's identity; the same text is read once."""
    return IDENTITY.read(text, "a drive's identity")


@lru_cache(maxsize=256)
def pool_of(text: str) -> Pool:
    """Read a pool as it was seen; the same text is read once."""
    return POOL.read(text, "a pool")


_MOVED_TWICE = 4
"""Numbers that are kept of a counter which changed at least twice; see ``read_values``."""


def _walked(counters: Mapping[str, list[int]], since: int) -> Sequence[str]:
    """Name the counters that moved twice since a moment: their changes are asked of the store."""
    return [
        name
        for name, told in counters.items()
        if len(told) == _MOVED_TWICE and told[3] > since and told[1] > since and name in _METRICS
    ]


class _Traces(TracesAsAsked):
    """The traces of a drive from the numbers in its row, which make sense."""

    __slots__ = ("_counters", "_day", "_moving", "_now", "_since", "_walked")

    def __init__(
        self,
        *,
        counters: Mapping[str, list[int]],
        walked: Mapping[str, tuple[tuple[datetime, int], ...]],
        moving: Mapping[str, list[int]],
        day: Sequence[tuple[int, int, int, int]],
        since: int,
        now: int,
    ) -> None:
        """Keep the numbers."""
        super().__init__()
        self._counters, self._walked, self._moving = counters, walked, moving
        self._day, self._since, self._now = day, since, now

    def metrics(self) -> tuple[Metric, ...]:
        """Name them, a name of both kinds as a counter.

        A name that is not known is of a later version of this program, after a step back.
        """
        names = dict.fromkeys((*self._counters, *self._moving))
        return tuple(_METRICS[name] for name in names if name in _METRICS)

    def make(self, metric: Metric) -> Trace | None:
        """Make one."""
        points = self._walked.get(metric)
        if points is None:
            told = self._counters.get(metric)
            points = self._moving_points(metric) if told is None else self._counted(told)
        return None if points is None else Trace(metric=metric, points=points)

    def span(self, metric: Metric) -> tuple[int, int] | None:
        """Give the lowest and the highest value; of the temperature without making its trace."""
        told = self._moving.get(metric)
        if metric is not Metric.TEMPERATURE_CELSIUS or told is None or metric in self._counters:
            return super().span(metric)
        lowest = highest = told[0]
        since = self._now - DAY
        for when_low, low, when_high, high in self._day:
            if when_low > since:
                lowest, highest = min(low, lowest), max(low, highest)
            if when_high > since:
                lowest, highest = min(high, lowest), max(high, highest)
        return lowest, highest

    def _counted(self, told: list[int]) -> tuple[tuple[datetime, int], ...]:
        """Give the points of a counter that changed at most once since the window began."""
        last = (_moment(told[1]), told[0])
        if told[1] <= self._since or len(told) < _MOVED_TWICE:
            return (last,)
        return ((_moment(told[3]), told[2]), last)

    def _moving_points(self, metric: Metric) -> tuple[tuple[datetime, int], ...] | None:
        """Give the points of a series that moves all the time."""
        told = self._moving.get(metric)
        if told is None:
            return None
        if metric is Metric.TEMPERATURE_CELSIUS:
            return _day_points(self._day, self._now, told[1], told[0])
        return ((_moment(told[1]), told[0]),)


@lru_cache(maxsize=32)
def _moment(micros: int) -> datetime:
    """Give the time of a number of microseconds; the drives of one survey share most of theirs."""
    return from_micros(micros)


def _day_points(
    day: Sequence[tuple[int, int, int, int]], now: int, changed_at: int, value: int
) -> tuple[tuple[datetime, int], ...]:
    """Give the lowest and the highest temperature of the last day, and the latest."""
    since = now - DAY
    latest = lowest = highest = (value, changed_at)
    for when_low, low, when_high, high in day:
        for one in ((low, when_low), (high, when_high)):
            if one[1] > since:
                if one < lowest:
                    lowest = one
                elif one > highest:
                    highest = one
    points = {at: celsius for celsius, at in (lowest, highest, latest)}
    return tuple([(_moment(at), points[at]) for at in sorted(points)])


def work_sample(row: Any) -> WorkSample:  # noqa: ANN401 - a row
    """Make a sample of a work from its row."""
    with making_sense("a sample of a work"):
        return WorkSample(
            at=from_micros(row["at"]),
            kind=WorkKind(row["kind"]),
            done_fraction=row["done_fraction"],
        )


def pool_past_of(row: Any) -> PoolPast:  # noqa: ANN401 - a row
    """Make the past of a pool, without its work, from its row."""
    seen = pool_of(row["body"])
    with making_sense("a pool"):
        return PoolPast(
            pool=PoolId(row["pool"]),
            name=row["name"],
            kind=PoolKind(row["kind"]),
            first_seen=from_micros(row["first_seen"]),
            last_seen=from_micros(row["last_seen"]),
            last_protection=Protection(row["protection"]),
            full_margin=row["full_margin"],
            not_whole_since=from_micros_or_none(row["not_whole_since"]),
            scrubbed_at=from_micros_or_none(row["scrubbed_at"]),
            members=tuple(member.name for member in seen.members),
            drives=tuple(sorted(seen.drives)),
            lost=tuple(DriveId(drive) for drive in json.loads(row["lost"])),
            member_errors=tuple(
                (member.name, member.errors) for member in seen.members if member.errors is not None
            ),
            in_use=bool(row["in_use"]),
        )


def event_of(row: Any) -> KernelEvent:  # noqa: ANN401 - a row
    """Make a kernel event from its row."""
    with making_sense("a kernel event"):
        about = None
        if row["subject_key"]:
            about = Subject(kind=SubjectKind(row["subject_kind"]), key=row["subject_key"])
        return KernelEvent(
            at=from_micros(row["at"]),
            category=Category(row["category"]),
            what=row["what"],
            device=row["device"],
            subject=about,
            line=row["line"],
            count=row["count"],
            last_at=from_micros(row["last_at"]) if row["last_at"] > row["at"] else None,
        )
