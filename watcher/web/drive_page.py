"""A drive: what it is, what it says, how that changed, and how likely it is to fail."""

from __future__ import annotations

import csv
import io
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from typing import Any

from markupsafe import Markup

from watcher.facts.drive import Metric, Trace
from watcher.facts.identity import DriveId, about_drive
from watcher.rules.risk import chance_30_days
from watcher.store.history import KnownDrive, Point, PollDay
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Reply, not_found
from watcher.web.charts import (
    COLUMNS,
    Chart,
    Column,
    Mark,
    columns_of,
    draw_chart,
    rows,
    say_number,
    say_range,
    thin,
)
from watcher.web.overview import open_cases
from watcher.web.site import Site, draw
from watcher.web.words import address, say_metric

RANGES: Mapping[str, tuple[timedelta, str]] = {
    "day": (timedelta(days=1), "a day"),
    "month": (timedelta(days=30), "a month"),
    "year": (timedelta(days=365), "a year"),
    "all": (timedelta(days=5 * 365 + 1), "five years"),
}
MOVING = (
    Metric.TEMPERATURE_CELSIUS,
    Metric.WAIT_MICROSECONDS,
    Metric.THROUGHPUT_BYTES_PER_SECOND,
)
DULL = frozenset(
    {
        Metric.POWER_ON_HOURS,
        Metric.BYTES_READ,
        Metric.BYTES_WRITTEN,
        Metric.LOAD_CYCLES,
        Metric.TEMPERATURE_WARNING_CELSIUS,
        Metric.TEMPERATURE_CRITICAL_CELSIUS,
        Metric.TEMPERATURE_HIGHEST_CELSIUS,
        Metric.SPARE_THRESHOLD_PERCENT,
    }
)
"""Metrics that have no chart of their own; the table has their value, the download their past."""

CHANCES = 40
"""At how many moments the chance of failing is computed for its chart; our choice."""

MOST_EVENTS = 40
MOST_CHARTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A chart with what stands beside it."""

    title: str
    picture: Markup
    says: str
    table: list[tuple[datetime, float, float, float]]
    download: str


def drive_asked(tx: Transaction, ask: Ask) -> KnownDrive:
    """Give the drive that an address names, when its box may be seen."""
    found = tx.drive(DriveId(ask.query.get("drive", "")))
    if found is None or not ask.who.may_see(found.box):
        raise not_found("drive of that name")
    return found


def drive(site: Site, ask: Ask) -> Reply:
    """Show a drive."""
    clock = site.clockwork(ask)
    name = ask.query.get("range", "month")
    if name not in RANGES:
        name = "month"
    since = ask.now - RANGES[name][0]
    with site.store.snapshot() as tx:
        known = drive_asked(tx, ask)
        who = known.identity.drive
        metrics = [Metric(n) for n, _, _ in known.latest if n in _METRICS]
        moving = {
            m: columns_of(tx.stretches(who, m, since, ask.now, most=COLUMNS))
            for m in metrics
            if m in MOVING
        }
        series = {
            m: tx.series(who, m, since, ask.now)
            for m in metrics
            if m not in DULL and m not in MOVING
        }
        hours = tx.series(who, Metric.POWER_ON_HOURS, since, ask.now)
        polls = tx.poll_days(who, since, ask.now)
        events = tx.events_of([about_drive(who)], since, box=known.box, limit=MOST_EVENTS)
        cases = [
            case
            for case in open_cases(tx, known.box)
            if any(f.subject == about_drive(who) for f in case.standing)
        ]
        survey = tx.last_survey(known.box)
        unheard = site.unheard_elsewhere(tx, known.box, ask.now)
    marks = tuple(Mark(at=e.at, text=f"{e.what.replace('-', ' ')}: {e.line}") for e in events)
    around = _Around(
        who=who,
        range_name=name,
        since=since,
        until=ask.now,
        zone=clock.zone,
        marks=marks,
        unseen=unseen_days(polls, known, since, ask.now),
    )
    charts = _charts(moving, series, around)
    chance = chance_chart(known, series, hours, since, ask.now)
    reading = survey.reading(who) if survey is not None else None
    words: dict[str, Any] = {
        "known": known,
        "unheard": unheard,
        "reading": reading,
        "gone": known.in_use and survey is not None and who not in survey.present,
        "pools": [pool for pool in (survey.pools if survey else ()) if who in pool.drives],
        "charts": charts,
        "chance": _chance_drawn(chance, clock.zone) if chance is not None else None,
        "flat": [say_metric(m) for m, found in _in_order(series) if found and _flat(found)],
        "ranges": [(key, text) for key, (_, text) in RANGES.items()],
        "range": name,
        "events": events,
        "cases": cases,
        "latest": [(Metric(n), value, at) for n, value, at in known.latest if n in _METRICS],
        "own": site.box,
        "number": say_number,
    }
    return draw(site, ask, "drive.html", words)


def _charts(
    moving: Mapping[Metric, tuple[Column, ...]],
    series: Mapping[Metric, Sequence[Point]],
    around: _Around,
) -> list[Drawn]:
    """Draw what moves all the time, then the counters that moved; at most ``MOST_CHARTS``."""
    moved = [(m, found) for m, found in _in_order(series) if found and not _flat(found)]
    drawn = (*moving.items(), *((metric, _steps(found, around)) for metric, found in moved))
    return [_drawn(m, columns, around) for m, columns in drawn if columns][:MOST_CHARTS]


_METRICS = {metric.value for metric in Metric}
_PLACE = {metric: place for place, metric in enumerate(Metric)}


def _in_order(series: Mapping[Metric, Sequence[Point]]) -> list[tuple[Metric, Sequence[Point]]]:
    return sorted(series.items(), key=lambda item: _PLACE[item[0]])


def _flat(points: Sequence[Point]) -> bool:
    """Tell whether a counter stood still all the time."""
    return len({point.last for point in points}) == 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Around:
    """What all charts of a page share."""

    who: DriveId
    range_name: str
    since: datetime
    until: datetime
    zone: tzinfo
    marks: tuple[Mark, ...]
    unseen: tuple[tuple[datetime, datetime], ...]


def _steps(points: Sequence[Point], around: _Around) -> tuple[Column, ...]:
    """Thin the changes of a counter."""
    values = [(p.at, p.lasts, p.lowest, p.highest, p.last) for p in points]
    return thin(values, around.since, around.until)


def _drawn(metric: Metric, columns: tuple[Column, ...], around: _Around) -> Drawn:
    """Draw the chart of one metric."""
    chart = Chart(
        title=say_metric(metric),
        since=around.since,
        until=around.until,
        columns=columns,
        steps=metric not in MOVING,
        marks=around.marks,
        unseen=around.unseen,
    )
    return Drawn(
        title=chart.title,
        picture=draw_chart(chart, around.zone),
        says=say_range(chart),
        table=rows(chart),
        download=address(
            "/drive.csv", drive=around.who, metric=metric.value, range=around.range_name
        ),
    )


def unseen_days(
    polls: Sequence[PollDay], known: KnownDrive, since: datetime, until: datetime
) -> tuple[tuple[datetime, datetime], ...]:
    """Give the stretches of whole days on which a drive was not read, since it was first seen."""
    day = timedelta(days=1)
    read = {poll.day for poll in polls if poll.read}
    first = max(since, known.first_seen)
    at = first.replace(hour=0, minute=0, second=0, microsecond=0)
    found: list[tuple[datetime, datetime]] = []
    while at + day <= until:
        if at not in read:
            if found and found[-1][1] == at:
                found[-1] = (found[-1][0], at + day)
            else:
                found.append((at, at + day))
        at += day
    return tuple((max(a, since), min(b, until)) for a, b in found)


def chance_chart(
    known: KnownDrive,
    series: Mapping[Metric, Sequence[Point]],
    hours: Sequence[Point],
    since: datetime,
    until: datetime,
) -> Chart | None:
    """Compute the chance of failing within 30 days through time, with its interval.

    Computed anew from what was recorded, by the rules of today; None when nothing was.
    """
    counters = {
        metric: [(p.at, p.last) for p in points] for metric, points in series.items() if points
    }
    if not counters and not hours:
        return None
    begin = max(since, known.first_seen)
    if begin >= until:
        return None
    step = (until - begin) / CHANCES
    values = []
    for place in range(CHANCES + 1):
        at = begin + step * place
        metrics, traces = _as_of(counters, hours, at)
        chance = chance_30_days(identity=known.identity, metrics=metrics, traces=traces, now=at)
        values.append((at, step, 100 * chance.low, 100 * chance.high, 100 * chance.p))
    return Chart(
        title="chance of failing within 30 days, %",
        since=since,
        until=until,
        columns=thin(values, since, until),
        whole_numbers=False,
    )


RISKS_LOOK_BACK = timedelta(days=32)
"""Signs are rises within a week and a month (``rules.risk``): older changes need not be handed
over, but for the last before."""


def _as_of(
    counters: Mapping[Metric, list[tuple[datetime, int]]], hours: Sequence[Point], at: datetime
) -> tuple[dict[Metric, int], dict[Metric, Trace]]:
    """Give what was known at a moment."""
    metrics: dict[Metric, int] = {}
    traces: dict[Metric, Trace] = {}
    for metric, points in counters.items():
        upto = bisect_right(points, at, key=_when)
        if upto:
            begin = bisect_right(points, at - RISKS_LOOK_BACK, hi=upto, key=_when)
            metrics[metric] = points[upto - 1][1]
            traces[metric] = Trace(metric=metric, points=tuple(points[max(begin - 1, 0) : upto]))
    upto = bisect_right(hours, at, key=lambda point: point.at)
    if upto:
        metrics[Metric.POWER_ON_HOURS] = hours[upto - 1].last
    return metrics, traces


def _when(point: tuple[datetime, int]) -> datetime:
    return point[0]


def _chance_drawn(chart: Chart, zone: tzinfo) -> Drawn:
    line = replace(chart, columns=tuple(replace(c, low=c.last, high=c.last) for c in chart.columns))
    now = chart.columns[-1]
    doubt = f"{say_number(now.low)} to {say_number(now.high)}"
    says = f"{say_range(line)}; the band is the doubt, now {doubt}"
    return Drawn(
        title=chart.title,
        picture=draw_chart(chart, zone),
        says=says,
        table=rows(chart),
        download="",
    )


def drive_csv(site: Site, ask: Ask) -> Reply:
    """Give the history of one metric as a table for other programs (RFC 4180)."""
    metric = ask.query.get("metric", "")
    if metric not in _METRICS:
        raise not_found("metric of that name")
    span = RANGES.get(ask.query.get("range", ""), RANGES["all"])[0]
    with site.store.snapshot() as tx:
        known = drive_asked(tx, ask)
        points = tx.series(known.identity.drive, Metric(metric), ask.now - span, ask.now)
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(("at", "seconds", "lowest", "highest", "last", "readings"))
    for p in points:
        seconds = int(p.lasts.total_seconds())
        table.writerow((p.at.isoformat(), seconds, p.lowest, p.highest, p.last, p.readings))
    name = f"{metric}.csv"
    return Reply(
        body=out.getvalue(),
        kind="text/csv; charset=utf-8",
        headers=(("content-disposition", f'attachment; filename="{name}"'),),
    )
