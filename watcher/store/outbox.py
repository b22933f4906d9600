"""The outbox: messages that wait, are on their way, have arrived, or were given up.

    waiting ─claim─► sending ─sent──► sent
       ▲                │ └──give up─► given-up
       └──failed, or ───┘
          claim released        waiting ─drop─► dropped

A message is one row for each target, with a key that the decision gave it: the same decision made
twice is one row. Two senders never hold the same row; a sender that dies gives its rows back when
its claim is stale, and then the receiver may get a message twice, with the same key in it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from watcher.facts.checks import require_utc
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.store.codec import clean, making_sense
from watcher.store.connection import Values
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, from_micros_or_none, to_micros

LONGEST_ERROR = 500
"""Characters of an error that are kept; our choice: enough for a server's sentence."""


class NoticeState(StrEnum):
    """How far a message got."""

    WAITING = "waiting"
    SENDING = "sending"
    SENT = "sent"
    GIVEN_UP = "given-up"
    DROPPED = "dropped"  # not needed any more before it left


@dataclass(frozen=True, slots=True, kw_only=True)
class NewNotice:
    """A message to put into the outbox."""

    key: str  # given by the decision; unique for each box and target
    box: BoxId
    person: str
    target: str  # the target's name in the settings, never its address
    urgency: Urgency
    title: str
    body: str
    created_at: datetime
    link: str = ""
    not_before: datetime | None = None  # None: at once

    def __post_init__(self) -> None:
        """Refuse a message without a key or a target, and a naive time."""
        require_utc(self.created_at, "created_at")
        if not (self.key and self.target):
            raise ValueError("a message needs a key and a target")


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A message as it stands in the outbox."""

    number: int  # of the row
    key: str
    box: BoxId
    person: str
    target: str
    urgency: Urgency
    title: str
    body: str
    link: str
    created_at: datetime
    state: NoticeState
    attempts: int  # how often it was taken up, this time included
    next_try_at: datetime
    claimed_by: str | None
    claimed_at: datetime | None
    last_error: str
    ended_at: datetime | None  # when it was sent, given up or dropped

    @property
    def sent_at(self) -> datetime | None:
        """When it arrived, or None."""
        return self.ended_at if self.state is NoticeState.SENT else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One attempt to send a message."""

    number: int
    at: datetime
    outcome: str  # "sent", "failed", "given-up", "no-answer" (the sender did not come back)
    error: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetRecord:
    """How a target has done lately."""

    target: str
    failing_since: datetime | None  # first failure since the last arrival; None: it works
    failures: int  # since the last arrival
    last_error: str


class OutboxPart(Part):
    """Put messages into the outbox, take them up, say what became of them."""

    def put_notices(self, notices: Iterable[NewNotice]) -> int:
        """Add messages; one that is there already is left alone. Give how many were new."""
        added = 0
        for notice in notices:
            self.told_or_said()
            added += self.db.change(
                statements("outbox")["put-notice"],
                {
                    "box": notice.box,
                    "notice_key": notice.key,
                    "person": notice.person,
                    "target": notice.target,
                    "urgency": notice.urgency.value,
                    "urgency_rank": notice.urgency.rank,
                    "title": clean(notice.title),
                    "body": clean(notice.body),
                    "link": clean(notice.link),
                    "created_at": to_micros(notice.created_at),
                    "next_try_at": to_micros(notice.not_before or notice.created_at),
                },
            )
        return added

    def claim_due(self, now: datetime, limit: int, claimer: str) -> tuple[Notice, ...]:
        """Take up to ``limit`` messages whose time has come, the most urgent first.

        They belong to ``claimer`` until it says what became of them, or its claim is stale.
        """
        sql = statements("outbox")
        at = to_micros(now)
        claimed = []
        due: Values = {"now": at, "limit": limit}
        for row in self.db.rows(sql["due-notices"], due):
            self.told_or_said()
            self.db.change(sql["claim"], {"id": row["id"], "claimer": claimer, "now": at})
            claimed.append(notice_of(self.db.one(sql["one-notice"], {"id": row["id"]})))
        return tuple(claimed)

    def notice(self, number: int) -> Notice | None:
        """Give one message, or None."""
        row = self.db.one(statements("outbox")["one-notice"], {"id": number})
        return None if row is None else notice_of(row)

    def mark_sent(self, number: int, now: datetime) -> bool:
        """Note that a message arrived; False when that was known or there is none.

        It holds whoever has the claim by now: what has arrived must not be sent again.
        """
        if not self.db.change(
            statements("outbox")["mark-sent"], {"id": number, "now": to_micros(now)}
        ):
            return False
        self._add_attempt(number, now, "sent", "")
        return True

    def mark_failed(
        self, number: int, claimer: str, *, now: datetime, next_try_at: datetime, error: str
    ) -> bool:
        """Note that a message did not arrive and is tried again; False without the claim."""
        if not self.db.change(
            statements("outbox")["mark-failed"],
            {
                "id": number,
                "claimer": claimer,
                "next_try_at": to_micros(next_try_at),
                "error": clean(error)[:LONGEST_ERROR],
            },
        ):
            return False
        self._add_attempt(number, now, "failed", error)
        return True

    def give_up(self, number: int, claimer: str, *, now: datetime, error: str) -> bool:
        """Note that a message will not arrive; False without the claim."""
        if not self.db.change(
            statements("outbox")["give-up"],
            {
                "id": number,
                "claimer": claimer,
                "now": to_micros(now),
                "error": clean(error)[:LONGEST_ERROR],
            },
        ):
            return False
        self._add_attempt(number, now, "given-up", error)
        return True

    def drop_notice(self, number: int, *, now: datetime, reason: str) -> bool:
        """Take back a message that still waits; False when it is under way or gone."""
        self.told_or_said()
        values: Values = {
            "id": number,
            "now": to_micros(now),
            "reason": clean(reason)[:LONGEST_ERROR],
        }
        return self.db.change(statements("outbox")["drop-waiting"], values) > 0

    def said_now(self, box: BoxId, now: datetime) -> tuple[tuple[str, Urgency], ...]:
        """Give the ways on which a box has something new to say, and how urgent it is."""
        by_rank = {urgency.rank: urgency for urgency in Urgency}
        values: Values = {"box": box, "now": to_micros(now)}
        return tuple(
            (row["target"], by_rank[row["urgency_rank"]])
            for row in self.db.rows(statements("outbox")["said-now"], values)
        )

    def count_said(
        self, target: str, since: datetime, most: int, *, besides: tuple[BoxId, datetime]
    ) -> int:
        """Count what was said on a way since a moment, up to ``most``.

        ``besides`` is a box and a moment: what it said then is not counted.
        """
        values: Values = {
            "target": target,
            "since": to_micros(since),
            "most": most,
            "box": besides[0],
            "now": to_micros(besides[1]),
        }
        return int(self.db.one(statements("outbox")["count-said"], values)["said"])

    def put_off(self, box: BoxId, target: str, now: datetime, until: datetime) -> None:
        """Let what a box has just said wait, for ``end_put_off`` or at most until a moment."""
        values: Values = {
            "box": box,
            "target": target,
            "now": to_micros(now),
            "until": to_micros(until),
        }
        self.db.change(statements("outbox")["put-off"], values)

    def ways_put_off(self, now: datetime) -> tuple[str, ...]:
        """Name the ways on which something was put off and has not left by itself."""
        rows = self.db.rows(statements("outbox")["ways-put-off"], {"now": to_micros(now)})
        return tuple(row["target"] for row in rows)

    def notices_put_off(self, target: str) -> tuple[Notice, ...]:
        """Give what was put off on a way."""
        rows = self.db.rows(statements("outbox")["notices-put-off"], {"target": target})
        return tuple(notice_of(row) for row in rows)

    def end_put_off(self, target: str, now: datetime, *, leaves: bool) -> None:
        """Let what was put off leave by itself, or count it as said in another message."""
        self.told_or_said()
        name = "leave-put-off" if leaves else "gather-put-off"
        self.db.change(statements("outbox")[name], {"target": target, "now": to_micros(now)})

    def last_gathered(self, box: BoxId, target: str) -> datetime | None:
        """Give when a message that gathers others was written last, or None."""
        values: Values = {"box": box, "target": target}
        return from_micros_or_none(self.db.one(statements("outbox")["last-gathered"], values)["at"])

    def release_stale_claims(
        self, now: datetime, older_than: timedelta, *, besides: Collection[str] = ()
    ) -> int:
        """Give free what senders took up ``older_than`` ago and never came back about.

        ``besides`` are claimers that are known to live, however long they take.
        """
        sql = statements("outbox")
        stale = self.db.rows(
            sql["stale-claims"],
            {"before": to_micros(now - older_than), "after": to_micros(now + older_than)},
        )
        rows = [row for row in stale if row["claimed_by"] not in besides]
        error = "the sender did not come back"
        for row in rows:
            self._add_attempt(row["id"], now, "no-answer", error)
            values: Values = {"id": row["id"], "now": to_micros(now), "error": error}
            self.db.change(sql["release-claim"], values)
        return len(rows)

    def next_due(self, now: datetime) -> datetime | None:
        """Give when the next waiting message is due, or None when none waits."""
        row = self.db.one(statements("outbox")["next-due"], {"now": to_micros(now)})
        return from_micros_or_none(row["at"])

    def list_notices(
        self, box: BoxId, *, state: NoticeState | None = None, limit: int = 100
    ) -> tuple[Notice, ...]:
        """Give messages of a box, newest first, at most ``limit``."""
        sql = statements("outbox")
        if state is None:
            rows = self.db.rows(sql["list-notices"], {"box": box, "limit": limit})
        else:
            rows = self.db.rows(
                sql["list-notices-of-state"], {"box": box, "state": state.value, "limit": limit}
            )
        return tuple(notice_of(row) for row in rows)

    def latest_notices(self, limit: int) -> tuple[Notice, ...]:
        """Give messages of all boxes, newest first, at most ``limit``."""
        rows = self.db.rows(statements("outbox")["latest-notices"], {"limit": limit})
        return tuple(notice_of(row) for row in rows)

    def notices_in(self, state: NoticeState, *, limit: int) -> tuple[Notice, ...]:
        """Give messages of all boxes in one state, oldest first, at most ``limit``."""
        values: Values = {"state": state.value, "limit": limit}
        rows = self.db.rows(statements("outbox")["notices-of-state"], values)
        return tuple(notice_of(row) for row in rows)

    def attempts(self, number: int) -> tuple[Attempt, ...]:
        """Give all attempts to send a message, in order."""
        rows = self.db.rows(statements("outbox")["attempts"], {"notice": number})
        return tuple(
            Attempt(
                number=row["number"],
                at=from_micros(row["at"]),
                outcome=row["outcome"],
                error=row["error"],
            )
            for row in rows
        )

    def target_record(self, target: str, now: datetime) -> TargetRecord:
        """Tell how a target has done: since when it fails, or that it works.

        Of an arrival that is dated later than ``now``, for the clock was ahead then, only the order
        of messages is known: what fails of later ones failed since.
        """
        sql = statements("outbox")
        arrived = self.db.one(sql["last-arrival"], {"target": target, "now": to_micros(now)})
        known, ahead = arrived["known"], arrived["ahead"]
        since: Values = {
            "target": target,
            "since": -1 if known is None else known,
            "later_than": -1 if ahead is None else ahead,
        }
        failed = self.db.one(sql["failures-since"], since)
        last = self.db.one(sql["last-failure"], {"target": target}) if failed["failures"] else None
        return TargetRecord(
            target=target,
            failing_since=from_micros_or_none(failed["first_at"]),
            failures=failed["failures"],
            last_error=last["error"] if last is not None else "",
        )

    def target_records(self, now: datetime) -> tuple[TargetRecord, ...]:
        """Tell it of every target that was ever used."""
        rows = self.db.rows(statements("outbox")["targets"])
        return tuple(self.target_record(row["target"], now) for row in rows)

    def _add_attempt(self, number: int, now: datetime, outcome: str, error: str) -> None:
        """Keep the result of the attempt that was just made."""
        self.told_or_said()
        sql = statements("outbox")
        row = self.db.one(sql["one-notice"], {"id": number})
        self.db.change(
            sql["add-attempt"],
            {
                "notice": number,
                "number": max(row["attempts"], 1),
                "target": row["target"],
                "at": to_micros(now),
                "outcome": outcome,
                "error": clean(error)[:LONGEST_ERROR],
            },
        )


def notice_of(row: Any) -> Notice:  # noqa: ANN401 - a row
    """Make a message from its row."""
    with making_sense("a message"):
        return Notice(
            number=row["id"],
            key=row["notice_key"],
            box=BoxId(row["box"]),
            person=row["person"],
            target=row["target"],
            urgency=Urgency(row["urgency"]),
            title=row["title"],
            body=row["body"],
            link=row["link"],
            created_at=from_micros(row["created_at"]),
            state=NoticeState(row["state"]),
            attempts=row["attempts"],
            next_try_at=from_micros(row["next_try_at"]),
            claimed_by=row["claimed_by"],
            claimed_at=from_micros_or_none(row["claimed_at"]),
            last_error=row["last_error"],
            ended_at=from_micros_or_none(row["ended_at"]),
        )
