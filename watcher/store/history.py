"""What people ask of the history: inventory, charts, events, raw answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from watcher.facts.drive import DriveIdentity, Metric, Unread, Verdict
from watcher.facts.identity import BoxId, DriveId, PoolId, Subject
from watcher.facts.kernel_event import KernelEvent
from watcher.facts.pool import Protection, WorkKind, WorkState
from watcher.facts.pool_past import WorkSample
from watcher.store.codec import making_sense, read_values, unsqueeze
from watcher.store.connection import Values
from watcher.store.drive_intake import CHATTY
from watcher.store.part import Part
from watcher.store.questions import event_of, identity_of, work_sample
from watcher.store.statements import statements
from watcher.store.times import (
    DAY,
    HOUR,
    MINUTE,
    floor_to,
    from_micros,
    from_micros_or_none,
    to_micros,
)

STEPS = (10 * MINUTE, HOUR, DAY)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownDrive:
    """A drive in the inventory."""

    identity: DriveIdentity
    box: BoxId  # where it was seen last
    node: str | None
    device_type: str
    bay: str | None
    verdict: Verdict  # of its last reading
    unread: Unread | None  # why it gave no reading the last time; None: it did
    unread_detail: str
    first_seen: datetime
    last_read: datetime | None
    last_present: datetime | None
    in_use: bool
    latest: tuple[tuple[str, int, datetime], ...]  # metric, value, since when


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A value of a series, or what a span of time comes to."""

    at: datetime  # the beginning of the span; of a counter, the moment of the change
    lasts: timedelta  # zero for a counter
    last: int
    lowest: int
    highest: int
    readings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PollDay:
    """How often a drive was looked at on a day (UTC)."""

    day: datetime
    read: int
    asleep: int
    failed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolChange:
    """A pool's state from a moment on."""

    at: datetime
    protection: Protection
    margin: int | None
    full_margin: int | None
    work_kind: WorkKind | None
    work_state: WorkState | None
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a drive answered once, as it came."""

    at: datetime
    is_latest: bool  # otherwise: kept because the verdict changed
    verdict: Verdict
    source: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBox:
    """A box that was heard of."""

    box: BoxId
    first_seen: datetime
    last_survey_at: datetime
    last_survey: str


class HistoryPart(Part):
    """Look things up."""

    def boxes(self) -> tuple[KnownBox, ...]:
        """Give every box that was heard of."""
        return tuple(
            KnownBox(
                box=BoxId(row["box"]),
                first_seen=from_micros(row["first_seen"]),
                last_survey_at=from_micros(row["last_survey_at"]),
                last_survey=row["last_survey"],
            )
            for row in self.db.rows(statements("questions")["boxes"])
        )

    def watched_since(self, box: BoxId) -> datetime | None:
        """Give when a box was heard of first, or None; at the cost of one row."""
        row = self.box_row(box)
        return None if row is None else from_micros(row["first_seen"])

    def drives(self, box: BoxId | None = None) -> tuple[KnownDrive, ...]:
        """Give the drives of a box, or all, retired ones too."""
        sql = statements("questions")
        if box is None:
            return tuple(known_drive(row) for row in self.db.rows(sql["every-drive"]))
        return tuple(known_drive(row) for row in self.db.rows(sql["drives-of-box"], {"box": box}))

    def drive(self, drive: DriveId) -> KnownDrive | None:
        """Give a drive of the inventory, or None."""
        row = self.db.one(statements("questions")["one-drive"], {"drive": drive})
        return None if row is None else known_drive(row)

    def find_drive(self, text: str, box: BoxId | None = None) -> tuple[KnownDrive, ...]:
        """Find drives by what a person types: id, serial number, bay, or node.

        The first of these that fits anything decides, without regard to case: the whole id, the
        whole serial, the bay ("3" and "bay 3" are the same), the node of a drive in use ("sda",
        "/dev/sda"), the beginning or the end of a serial or id (at least 4 characters). More
        than one answer means that the text is not enough.
        """
        wanted = text.strip().casefold()
        if not wanted:
            return ()
        known = self.drives(box)
        bay = wanted.removeprefix("bay").strip()
        node = wanted.removeprefix("/dev/")

        def has_part(drive: KnownDrive) -> bool:
            names = (drive.identity.serial.casefold(), str(drive.identity.drive).casefold())
            return len(wanted) >= SHORTEST_PART and any(
                name.startswith(wanted) or name.endswith(wanted) for name in names
            )

        tests = (
            lambda d: str(d.identity.drive).casefold() == wanted,
            lambda d: d.identity.serial.casefold() == wanted,
            lambda d: bool(d.bay) and d.bay.casefold().removeprefix("bay").strip() == bay,
            lambda d: d.in_use and (d.node or "").casefold().removeprefix("/dev/") == node,
            has_part,
        )
        for fits in tests:
            found = tuple(drive for drive in known if fits(drive))
            if found:
                return found
        return ()

    def retire_drive(self, drive: DriveId, *, in_use: bool = False) -> bool:
        """Expect a drive no more, or (``in_use``) again; False when it is not known."""
        self.told_or_said()
        values: Values = {"drive": drive, "in_use": int(in_use)}
        return self.db.change(statements("questions")["set-drive-use"], values) > 0

    def retire_pool(self, box: BoxId, pool: PoolId, *, in_use: bool = False) -> bool:
        """Expect a pool no more, or (``in_use``) again; False when it is not known."""
        self.told_or_said()
        values: Values = {"box": box, "pool": pool, "in_use": int(in_use)}
        return self.db.change(statements("questions")["set-pool-use"], values) > 0

    def series(
        self, drive: DriveId, metric: Metric, since: datetime, until: datetime
    ) -> tuple[Point, ...]:
        """Give a metric for a chart, oldest first.

        A counter gives its changes, the first of them what held at ``since``, dated then when it
        began earlier. A series that moves all the time gives spans of 10 minutes, an hour or a
        day, whatever is kept of each time.
        """
        row = self.db.one(statements("questions")["one-drive"], {"drive": drive})
        number = self.metric_numbers().get(metric.value)
        if row is None or number is None:
            return ()
        values = {
            "drive": row["id"],
            "metric": number,
            "since": to_micros(since),
            "until": to_micros(until),
        }
        if metric in CHATTY:
            return self._spans(values)
        return self._changes(values)

    def _spans(self, values: dict[str, int]) -> tuple[Point, ...]:
        """Merge the resolutions; each time is kept in one of them only."""
        sql = statements("questions")
        points: list[Point] = []
        for name, step in (
            ("fresh-between", 0),
            ("spans-between", 0),
            ("spans-between", 1),
            ("spans-between", 2),
        ):
            begin = floor_to(values["since"], STEPS[step])
            rows = self.db.rows(sql[name], values | {"step": step, "since": begin})
            width = timedelta(microseconds=STEPS[step])
            points += [
                Point(
                    at=from_micros(row["at"]),
                    lasts=width,
                    last=row["last"],
                    lowest=row["last"] - row["below"],
                    highest=row["last"] + row["above"],
                    readings=row["readings"],
                )
                for row in rows
            ]
        return tuple(sorted(points, key=lambda point: point.at))

    def _changes(self, values: dict[str, int]) -> tuple[Point, ...]:
        """Give the changes of a counter, with what held before the first."""
        sql = statements("questions")
        found = [(row["at"], row["value"]) for row in self.db.rows(sql["changes-between"], values)]
        before = self.db.one(sql["change-up-to"], values)
        if before is not None and (not found or found[0][0] > values["since"]):
            found.insert(0, (values["since"], before["value"]))
        return tuple(
            Point(
                at=from_micros(at),
                lasts=timedelta(0),
                last=value,
                lowest=value,
                highest=value,
                readings=1,
            )
            for at, value in found
        )

    def poll_days(self, drive: DriveId, since: datetime, until: datetime) -> tuple[PollDay, ...]:
        """Give for each day how often a drive was looked at: the proof that we know."""
        row = self.db.one(statements("questions")["one-drive"], {"drive": drive})
        if row is None:
            return ()
        values: Values = {
            "drive": row["id"],
            "since": floor_to(to_micros(since), DAY),
            "until": to_micros(until),
        }
        return tuple(
            PollDay(
                day=from_micros(day["day"]),
                read=day["read_count"],
                asleep=day["asleep_count"],
                failed=day["failed_count"],
            )
            for day in self.db.rows(statements("questions")["polls"], values)
        )

    def pool_changes(
        self, box: BoxId, pool: PoolId, since: datetime, until: datetime
    ) -> tuple[PoolChange, ...]:
        """Give how a pool's state changed, the state at ``since`` first, oldest first."""
        sql = statements("questions")
        values = self._pool_within(box, pool, since, until)
        if values is None:
            return ()
        before = self.db.one(sql["pool-change-up-to"], values)
        rows = self.db.rows(sql["pool-changes"], values)
        return tuple(_pool_change(r) for r in ([before] if before is not None else []) + list(rows))

    def pool_work(
        self, box: BoxId, pool: PoolId, since: datetime, until: datetime
    ) -> tuple[WorkSample, ...]:
        """Give how far works on a pool were, oldest first."""
        values = self._pool_within(box, pool, since, until)
        if values is None:
            return ()
        rows = self.db.rows(statements("questions")["pool-work"], values)
        return tuple(work_sample(sample) for sample in rows)

    def _pool_within(
        self, box: BoxId, pool: PoolId, since: datetime, until: datetime
    ) -> Values | None:
        """Give what a question about a pool within a span is asked by; None for a stranger."""
        row = self.db.one(statements("questions")["one-pool"], {"box": box, "pool": pool})
        if row is None:
            return None
        return {"number": row["id"], "since": to_micros(since), "until": to_micros(until)}

    def events_of(
        self, subjects: Iterable[Subject], since: datetime, *, box: BoxId | None, limit: int = 100
    ) -> tuple[KernelEvent, ...]:
        """Give kernel events about any of some subjects, newest first, at most ``limit``."""
        sql = statements("questions")["events-about-anywhere" if box is None else "events-about"]
        found: list[KernelEvent] = []
        for subject in subjects:
            values: Values = {
                "box": box,
                "kind": subject.kind.value,
                "key": subject.key,
                "since": to_micros(since),
                "limit": limit,
            }
            found += [event_of(row) for row in self.db.rows(sql, values)]
        found.sort(key=lambda event: event.last_at or event.at, reverse=True)
        return tuple(found[:limit])

    def answers(self, drive: DriveId) -> tuple[Answer, ...]:
        """Give the raw answers kept of a drive, newest first."""
        sql = statements("questions")
        row = self.db.one(sql["one-drive"], {"drive": drive})
        if row is None:
            return ()
        return tuple(
            Answer(
                at=from_micros(kept["at"]),
                is_latest=kept["kind"] == "latest",
                verdict=Verdict(kept["verdict"]),
                source=kept["source"],
                text=unsqueeze(kept["body"], f"an answer of {drive}"),
            )
            for kept in self.db.rows(sql["answers"], {"drive": row["id"]})
        )


SHORTEST_PART = 4
"""Characters of a serial number that may stand for the whole; our choice: fewer fit too much."""


def known_drive(row: Any) -> KnownDrive:  # noqa: ANN401 - a row
    """Make an entry of the inventory from its row."""
    with making_sense("a drive"):
        return KnownDrive(
            identity=identity_of(row["identity"]),
            box=BoxId(row["box"]),
            node=row["node"],
            device_type=row["device_type"],
            bay=row["bay"],
            verdict=Verdict(row["verdict"]),
            unread=None if row["unread"] is None else Unread(row["unread"]),
            unread_detail=row["unread_detail"],
            first_seen=from_micros(row["first_seen"]),
            last_read=from_micros_or_none(row["last_read"]),
            last_present=from_micros_or_none(row["last_present"]),
            in_use=bool(row["in_use"]),
            latest=tuple(
                (name, value, from_micros(at))
                for text in (row["moving"], row["counters"])
                for name, (value, at, *_) in read_values(text).items()
            ),
        )


def _pool_change(row: Any) -> PoolChange:  # noqa: ANN401 - a row
    """Make a state of a pool from its row."""
    with making_sense("a state of a pool"):
        return PoolChange(
            at=from_micros(row["at"]),
            protection=Protection(row["protection"]),
            margin=row["margin"],
            full_margin=row["full_margin"],
            work_kind=None if row["work_kind"] is None else WorkKind(row["work_kind"]),
            work_state=None if row["work_state"] is None else WorkState(row["work_state"]),
            said=row["said"],
        )
