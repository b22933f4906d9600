"""Drives into the history: what each answered, its counters as they move, that we looked.

A drive's late answer (older than what is known of it) adds to the history, but never takes the
place of something newer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from watcher.facts.drive import DriveIdentity, DriveReading, DriveUnread, Metric, Unread
from watcher.facts.survey import Survey
from watcher.store.codec import (
    IDENTITY,
    clean,
    read_day_once,
    read_values,
    read_values_once,
    squeeze,
    write_numbers,
)
from watcher.store.connection import Value, Values
from watcher.store.part import Part
from watcher.store.recall import Recall
from watcher.store.round import Round
from watcher.store.statements import statements
from watcher.store.times import DAY, HOUR, MINUTE, floor_to, to_micros

CHATTY: Final = frozenset(
    {
        Metric.TEMPERATURE_CELSIUS,
        Metric.POWER_ON_HOURS,
        Metric.LOAD_CYCLES,
        Metric.BYTES_READ,
        Metric.BYTES_WRITTEN,
        Metric.WAIT_MICROSECONDS,
        Metric.THROUGHPUT_BYTES_PER_SECOND,
    }
)
"""Metrics that move all the time: kept in spans of time. All others are counters: kept at the
moments at which they moved."""

_NAMES: Final = {metric: metric.value for metric in CHATTY}
"""Their names as plain text, which is written five times as fast as a member of an enum."""

SPAN = 10 * MINUTE
ANSWERS_KEPT = 20
"""Raw answers at a change of verdict that are kept for each drive; our choice: a drive that changes
its mind more often than that shows the same again."""

Hour = tuple[int, int, int, int]
"""When a drive was coolest within an hour, how cool, when it was warmest, how warm."""

LARGEST = 2**63 - 1
"""The database's integers end here; a value beyond (nonsense, or a 128-bit counter) stops at it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What the store knew of a drive before this survey."""

    number: int
    verdict: str
    last_read: int  # -1: never
    last_present: int  # -1: never
    in_use: bool
    counters: Mapping[str, list[int]]  # metric: [value, since when, value before, since when]
    counters_text: str
    day: Sequence[Hour]  # temperature of each hour of the last day


@dataclass(slots=True)
class Batch:
    """Rows about several drives that are written together, in this order."""

    span: int  # which one the survey lies in
    unbegun: set[int]  # drives of which it is known that nothing is kept of that span
    polls: list[Values] = field(default_factory=list)
    firsts: list[Values] = field(default_factory=list)
    spans: list[Values] = field(default_factory=list)
    changes: list[Values] = field(default_factory=list)
    reads: list[Values] = field(default_factory=list)

    def spans_of(self, drive: int, span: int) -> list[Values]:
        """Give where values of a drive belong: a span that begins is cheaper than one that may."""
        return self.firsts if span == self.span and drive in self.unbegun else self.spans

    def write(self, db: Recall) -> None:
        """Write what has come together, and begin anew."""
        sql = statements("intake")
        self.unbegun.difference_update({row["drive"] for row in self.firsts})
        for name, rows in (
            ("count-poll", self.polls),
            ("begin-span", self.firsts),
            ("add-to-span", self.spans),
            ("add-change", self.changes),
            ("drive-read", self.reads),
        ):
            db.change_many(sql[name], rows)
            rows.clear()


class DriveIntake(Part):
    """Take in drives."""

    def take_drives(self, here: Round, survey: Survey) -> None:
        """Put what the drives answered into the history, all rows of a kind at once.

        A drive that answers twice in one survey is taken in twice, one after the other.
        """
        rows = {row["drive"]: row for row in self.drive_rows(here.box)}
        span = floor_to(here.taken_at, SPAN)
        begun = self.db.heard(statements("intake")["spans-begun"], {"box": here.box, "at": span})
        unbegun: set[int] = set()
        if begun is not None:
            unbegun = {row["id"] for row in rows.values()} - {row["drive"] for row in begun}
        batch = Batch(span=span, unbegun=unbegun)
        for reading in survey.drives:
            row = rows.pop(reading.identity.drive, None)
            if row is None:
                batch.write(self.db)
            self._take_reading(here, reading, row, batch)
        batch.write(self.db)
        for unread in survey.unread:
            self._take_unread(here, unread, batch)
        batch.write(self.db)

    def _take_reading(
        self,
        here: Round,
        reading: DriveReading,
        row: Any,  # noqa: ANN401 - a row
        batch: Batch,
    ) -> None:
        """Put one drive's answer into the history; ``row`` is what is known of it, if it is."""
        at, who = to_micros(reading.observed_at), reading.identity
        if row is None:
            row = self._row_of(here, who, at, reading.node)
        known = _known(here, row)
        is_newest = at >= known.last_read and here.taken_at >= known.last_present
        batch.polls.append(_poll(known.number, at, read=1))
        counters, moving = self._take_metrics(known, reading, at, batch, is_newest=is_newest)
        if not is_newest:
            self.db.write(
                statements("intake")["drive-read-late"],
                {"id": known.number, "at": at, "counters": counters},
            )
            return
        batch.reads.append(
            {
                "id": known.number,
                "box": here.box,
                "identity": IDENTITY.write(who),
                "model": clean(who.model),
                "serial": clean(who.serial),
                "node": reading.node,
                "device_type": reading.device_type,
                "bay": reading.bay,
                "verdict": reading.verdict.value,
                "at": at,
                "taken_at": here.taken_at,
                "in_use": int(known.in_use or here.missed(known.last_present)),
                "counters": counters,
                "moving": write_numbers(moving),
                "day": _day_with(known.day, moving.get(Metric.TEMPERATURE_CELSIUS), at),
            }
        )
        if reading.raw:
            self._keep_answer(known, reading, at)

    def _take_metrics(
        self, known: _Known, reading: DriveReading, at: int, batch: Batch, *, is_newest: bool
    ) -> tuple[str, dict[str, tuple[int, int]]]:
        """Record what moved; give the counters as they are now, as text, and the other series."""
        span = floor_to(at, SPAN)
        numbers, known_counters = self.metric_numbers(), known.counters
        moved: dict[str, Sequence[int]] = {}
        moving: dict[str, tuple[int, int]] = {}
        spans = batch.spans_of(known.number, span)
        for metric, told in reading.metrics:
            value = told if -LARGEST <= told <= LARGEST else max(-LARGEST, min(told, LARGEST))
            if metric in CHATTY:
                number = numbers.get(metric) or self.metric_number(metric)
                spans.append({"drive": known.number, "metric": number, "at": span, "value": value})
                moving[_NAMES[metric]] = (value, at)
                continue
            before = known_counters.get(metric)
            if is_newest and before is not None and before[0] == value:
                continue  # as most counters do nearly always
            row = self._value_row(known, metric, at, value)
            if is_newest:
                batch.changes.append(row)
                moved[metric.value] = [value, at, *(before or ())[:2]]
            else:
                batch.write(self.db)
                spans = batch.spans
                self._late_change(known, metric, row)
                moved[metric.value] = self._last_changes(known.number, metric.value)
        if not moved:
            return known.counters_text, moving
        return write_numbers({**known.counters, **moved}), moving

    def _value_row(self, known: _Known, metric: Metric, at: int, value: int) -> dict[str, Value]:
        """Give a value of a metric as a row."""
        number = self.metric_number(metric)
        return {"drive": known.number, "metric": number, "at": at, "value": value}

    def _late_change(self, known: _Known, metric: Metric, row: dict[str, Value]) -> None:
        """Put a counter of a late reading between the changes that are known.

        Where nothing is known to have changed after it, the value that was read since then is
        written again at the time of the latest reading, so that the late one does not seem to
        hold on. Where a later change is known, the late value stands until that: which readings
        lay between is not kept. Boxes hand over in order, so this is rare.
        """
        sql = statements("intake")
        held = self.db.one(sql["value-at"], row)
        if held is not None and held["value"] == row["value"]:
            return
        after = self.db.one(sql["change-after"], row)
        self.db.write(sql["add-change"], row)
        now_known = known.counters.get(metric.value)
        if after is None and now_known is not None and now_known[0] != row["value"]:
            again = {**row, "at": known.last_read, "value": now_known[0]}
            self.db.write(sql["add-change"], again)

    def _last_changes(self, drive: int, metric: str) -> list[int]:
        """Give a counter's value and since when, and where there is one the value before."""
        rows = self.db.rows(
            statements("intake")["last-two-changes"],
            {"drive": drive, "metric": self.metric_number(metric)},
        )
        return [number for row in rows for number in (row["value"], row["at"])]

    def recount(self, drive: int) -> None:
        """Say anew what the counters of a drive are, after changes came from elsewhere."""
        sql = statements("intake")
        told = read_values(self.db.one(sql["counters-of-drive"], {"id": drive})["counters"])
        found = {name: self._last_changes(drive, name) for name in self.metric_numbers()}
        counters = {**told, **{name: last for name, last in found.items() if last}}
        self.db.write(sql["set-counters"], {"id": drive, "counters": write_numbers(counters)})

    def _take_unread(self, here: Round, unread: DriveUnread, batch: Batch) -> None:
        """Note that a drive gave no reading; one without an identity leaves no trace here."""
        if unread.drive is None:
            return
        sql = statements("intake")
        at = to_micros(unread.observed_at)
        is_there = unread.why is not Unread.VANISHED
        if not is_there and self.db.one(sql["drive-row"], {"drive": unread.drive}) is None:
            return
        who = DriveIdentity(
            drive=unread.drive,
            model=unread.model or "",
            serial=unread.serial or "",
            capacity_bytes=unread.capacity_bytes,
        )
        known = _known(here, self._row_of(here, who, at, unread.node))
        asleep = unread.why is Unread.ASLEEP
        batch.polls.append(_poll(known.number, at, asleep=int(asleep), failed=int(not asleep)))
        if here.taken_at < known.last_present or at < known.last_read:
            return
        values: dict[str, Value] = {
            "id": known.number,
            "unread": unread.why.value,
            "detail": clean(unread.detail),
        }
        if is_there:
            values |= {
                "box": here.box,
                "node": unread.node,
                "bay": unread.bay,
                "taken_at": here.taken_at,
                "in_use": int(known.in_use or here.missed(known.last_present)),
            }
        self.db.write(sql["drive-there" if is_there else "drive-away"], values)

    def _row_of(self, here: Round, who: DriveIdentity, at: int, node: str) -> Any:  # noqa: ANN401 - a row
        """Give the row of a drive; a new one is entered first."""
        sql = statements("intake")
        row = self.db.one(sql["drive-row"], {"drive": who.drive})
        if row is None:
            self.db.write(
                sql["new-drive"],
                {
                    "drive": who.drive,
                    "box": here.box,
                    "identity": IDENTITY.write(who),
                    "model": clean(who.model),
                    "serial": clean(who.serial),
                    "node": node,
                    "at": at,
                },
            )
            row = self.db.one(sql["drive-row"], {"drive": who.drive})
        return row

    def _keep_answer(self, known: _Known, reading: DriveReading, at: int) -> None:
        """Keep what the drive answered: the latest, and one more at each change of verdict."""
        sql = statements("intake")
        values: dict[str, Value] = {
            "drive": known.number,
            "kind": "latest",
            "at": at,
            "verdict": reading.verdict.value,
            "source": clean(reading.source),
            "body": squeeze(reading.raw),
        }
        row = self.db.one(sql["latest-answer"], {"drive": known.number})
        if row is None:
            self.db.write(sql["add-answer"], values)
        else:
            self.db.write(sql["replace-answer"], values | {"id": row["id"]})
        if known.last_read < 0 or known.verdict != reading.verdict.value:
            self.db.write(sql["add-answer"], values | {"kind": "change"})
            self.db.write(sql["drop-old-answers"], {"drive": known.number, "keep": ANSWERS_KEPT})


def _known(here: Round, row: Any) -> _Known:  # noqa: ANN401 - a row
    """Give what is known of a drive from its row."""
    return _Known(
        number=row["id"],
        verdict=row["verdict"],
        last_read=-1 if row["last_read"] is None else here.known_until(row["last_read"]),
        last_present=-1 if row["last_present"] is None else here.known_until(row["last_present"]),
        in_use=bool(row["in_use"]),
        counters=read_values_once(row["counters"]),
        counters_text=row["counters"],
        day=read_day_once(row["day"]),
    )


def _poll(
    drive: int, at: int, *, read: int = 0, asleep: int = 0, failed: int = 0
) -> dict[str, Value]:
    """Prove that we looked."""
    return {
        "drive": drive,
        "day": floor_to(at, DAY),
        "read": read,
        "asleep": asleep,
        "failed": failed,
    }


def _day_with(day: Sequence[Hour], told: tuple[int, int] | None, at: int) -> str:
    """Add a temperature to the lowest and highest of each hour.

    What is over a day old is dropped, and an hour within whose span of degrees no later one
    reaches is kept: the others can never be the lowest or the highest of a day again.
    """
    kept = [hour for hour in day if max(hour[0], hour[2]) > at - DAY - HOUR]
    if told is not None:
        celsius = told[0]
        if kept and floor_to(kept[-1][0], HOUR) == floor_to(at, HOUR):
            when_low, low, when_high, high = kept.pop()
            if celsius < low:
                when_low, low = at, celsius
            if celsius > high:
                when_high, high = at, celsius
            latest = (when_low, low, when_high, high)
        else:
            latest = (at, celsius, at, celsius)
        kept = [h for h in kept if h[1] < latest[1] or h[3] > latest[3]]
        kept.append(latest)
    return write_numbers(kept)
