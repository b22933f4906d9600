"""The boxes of a hub: how they join, prove who they are, and when they were heard of.

Nothing here lets anybody in by itself: tokens and one-time codes are kept as their hashes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from watcher.facts.checks import require_utc
from watcher.facts.identity import BoxId, DriveId
from watcher.store.codec import clean, making_sense
from watcher.store.connection import Values
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, from_micros_or_none, to_micros, to_micros_or_none


class BoxState(StrEnum):
    """Whether a box is watched."""

    WATCHED = "watched"
    RETURNED = "returned"  # at rest, given back: nothing is expected of it, its past is kept


@dataclass(frozen=True, slots=True, kw_only=True)
class EnrolledBox:
    """A box that hands its surveys over."""

    box: BoxId
    client: str
    state: BoxState
    joined_at: datetime
    heard_at: datetime | None  # None: it has sent nothing yet
    every_seconds: int  # how often it means to report
    address: str  # where its last survey came from
    sender: str  # the run of its program that we take surveys from
    quiet_since: datetime | None
    due_at: datetime | None
    look_wanted: bool
    returned_at: datetime | None = None  # None: it was not, or nobody wrote down when


@dataclass(frozen=True, slots=True, kw_only=True)
class Invitation:
    """A one-time code, known by its hash."""

    client: str
    box: str  # the name it is for; "": the box says
    ends_at: datetime
    token: str  # hash of the token of the box that used it; "": not used


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """Whose token was shown."""

    box: EnrolledBox
    made_at: datetime
    used_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SenderKnown:
    """A run of a box's program that was heard of."""

    first_at: datetime
    last_at: datetime
    refused_at: datetime | None


class HubPart(Part):
    """Keep the boxes of a hub."""

    def enrolled(self, box: BoxId) -> EnrolledBox | None:
        """Give an enrolled box, or None."""
        row = self.db.one(statements("hub")["one-box"], {"box": box})
        return None if row is None else _box(row)

    def lock_box(self, box: BoxId) -> EnrolledBox | None:
        """Give an enrolled box, or None; nobody else works on it before this transaction ends.

        For transactions that write beside others; ``shown`` does the same by its token.
        """
        row = self.db.one(statements("hub")["lock-box"], {"box": box})
        return None if row is None else _box(row)

    def enrolled_boxes(self, client: str | None = None) -> tuple[EnrolledBox, ...]:
        """Give all enrolled boxes, or those of one client."""
        sql = statements("hub")
        if client is None:
            rows = self.db.rows(sql["every-box"])
        else:
            rows = self.db.rows(sql["boxes-of-client"], {"client": client})
        return tuple(_box(row) for row in rows)

    def is_hub(self) -> bool:
        """Tell whether any box was ever enrolled here."""
        return self.db.one(statements("hub")["any-box"]) is not None

    def enrol(self, box: BoxId, client: str, now: datetime, every_seconds: int) -> None:
        """Enrol a box; one that is there begins anew with its senders, its history stays."""
        self.told_or_said()
        values: Values = {
            "box": clean(box),
            "client": clean(client),
            "state": BoxState.WATCHED.value,
            "joined_at": to_micros(now),
            "every_seconds": every_seconds,
        }
        self.db.change(statements("hub")["save-box"], values)
        self.db.change(statements("hub")["forget-senders"], {"box": box})
        self.db.change(statements("readiness")["forget-told"], {"box": box})

    def box_heard(
        self,
        box: BoxId,
        now: datetime,
        *,
        every_seconds: int,
        address: str,
        sender: str,
        due_at: datetime | None,
    ) -> None:
        """Note that a survey of a box came."""
        values: Values = {
            "box": box,
            "heard_at": to_micros(now),
            "every_seconds": every_seconds,
            "address": clean(address),
            "sender": clean(sender),
            "due_at": to_micros_or_none(due_at),
        }
        self.db.write(statements("hub")["box-heard"], values)

    def set_due(self, box: BoxId, due_at: datetime | None) -> None:
        """Note when the book of a box falls due."""
        values: Values = {"box": box, "due_at": to_micros_or_none(due_at)}
        self.db.write(statements("hub")["set-due"], values)

    def set_box_state(self, box: BoxId, state: BoxState, now: datetime | None = None) -> bool:
        """Say whether a box is watched, and since when not; False when there is no such box."""
        self.told_or_said()
        at = now if state is BoxState.RETURNED else None
        values: Values = {
            "box": box,
            "state": state.value,
            "due_at": None,
            "returned_at": to_micros_or_none(at),
        }
        return self.db.change(statements("hub")["set-state"], values) > 0

    def set_quiet(self, box: BoxId, since: datetime | None) -> None:
        """Note since when a box is quiet."""
        values: Values = {"box": box, "since": to_micros_or_none(since)}
        self.db.change(statements("hub")["set-quiet"], values)

    def want_look(self, box: BoxId) -> bool:
        """Ask a box for a new survey when it reports next; False when there is no such box."""
        return self.db.change(statements("hub")["want-look"], {"box": box}) > 0

    def boxes_due(self, now: datetime, limit: int) -> tuple[BoxId, ...]:
        """Name boxes whose book has fallen due."""
        values: Values = {"now": to_micros(now), "limit": limit}
        return tuple(BoxId(r["box"]) for r in self.db.rows(statements("hub")["boxes-due"], values))

    def boxes_not_heard(self, before: datetime) -> tuple[EnrolledBox, ...]:
        """Give the watched boxes that joined before a moment and were not heard of since."""
        rows = self.db.rows(statements("hub")["boxes-not-heard"], {"before": to_micros(before)})
        return tuple(_box(row) for row in rows)

    def is_heard_after(self, moment: datetime) -> bool:
        """Tell whether a watched box was heard of after a moment, as only a wrong clock has it."""
        row = self.db.one(statements("hub")["heard-ahead"], {"moment": to_micros(moment)})
        return row is not None

    def clock_was_set_back(self, now: datetime) -> None:
        """Let no box be heard of later than now, and have every book looked at that waits."""
        self.told_or_said()
        for name in ("heard-by-now", "joined-by-now", "all-due-now"):
            self.db.change(statements("hub")[name], {"now": to_micros(now)})

    def count_heard(self, since: datetime) -> int:
        """Count the watched boxes that were heard of since a moment."""
        row = self.db.one(statements("hub")["heard-since"], {"since": to_micros(since)})
        return int(row["boxes"])

    def invite(
        self, hashed: str, client: str, box: str, *, now: datetime, ends_at: datetime
    ) -> None:
        """Keep a one-time code."""
        require_utc(ends_at, "ends_at")
        self.told_or_said()
        values: Values = {
            "hash": hashed,
            "client": clean(client),
            "box": clean(box),
            "made_at": to_micros(now),
            "ends_at": to_micros(ends_at),
        }
        self.db.change(statements("hub")["save-invitation"], values)

    def invitation(self, hashed: str) -> Invitation | None:
        """Give a one-time code by its hash, or None."""
        row = self.db.one(statements("hub")["one-invitation"], {"hash": hashed})
        if row is None:
            return None
        with making_sense("an invitation"):
            return Invitation(
                client=row["client"],
                box=row["box"],
                ends_at=from_micros(row["ends_at"]),
                token=row["token"],
            )

    def use_invitation(self, hashed: str, *, token: str, box: BoxId) -> bool:
        """Use a one-time code up; False when it was used."""
        self.told_or_said()
        values: Values = {"hash": hashed, "token": token, "box": box}
        return self.db.change(statements("hub")["use-invitation"], values) > 0

    def add_box_token(self, hashed: str, box: BoxId, now: datetime) -> None:
        """Keep the hash of a token; other ones that were never used are forgotten."""
        self.told_or_said()
        values: Values = {"hash": hashed, "box": box, "made_at": to_micros(now)}
        self.db.change(statements("hub")["drop-unused-tokens"], values)
        self.db.change(statements("hub")["save-token"], values)

    def shown(self, hashed: str) -> Shown | None:
        """Say whose token it is, or None."""
        row = self.db.one(statements("hub")["box-of-token"], {"hash": hashed})
        if row is None:
            return None
        with making_sense("a token of a box"):
            return Shown(
                box=_box(row),
                made_at=from_micros(row["token_made_at"]),
                used_at=from_micros_or_none(row["token_used_at"]),
            )

    def knows_token(self, hashed: str) -> bool:
        """Tell whether a token is one of a box here; locks nothing."""
        return self.db.one(statements("hub")["token-known"], {"hash": hashed}) is not None

    def token_used(self, hashed: str, shown: Shown, now: datetime) -> None:
        """Note the first use of a token: those it replaces end."""
        self.told_or_said()
        values: Values = {
            "hash": hashed,
            "box": shown.box.box,
            "made_at": to_micros(shown.made_at),
            "now": to_micros(now),
        }
        self.db.change(statements("hub")["token-used"], values)
        self.db.change(statements("hub")["keep-replaced"], values)
        self.db.change(statements("hub")["drop-other-tokens"], values)

    def box_of_replaced(self, hashed: str) -> BoxId | None:
        """Give the box that had a token before it took another, or None."""
        values: Values = {"box": "", "name": f"was-token {hashed}"}
        row = self.db.one(statements("book")["kept"], values)
        return None if row is None else BoxId(row["text"])

    def revoke_box(self, box: BoxId) -> None:
        """Take all tokens of a box away, and forget which runs of it were heard of."""
        self.told_or_said()
        self.db.change(statements("hub")["drop-tokens"], {"box": box})
        self.db.change(statements("hub")["forget-senders"], {"box": box})

    def sender(self, box: BoxId, sender: str) -> SenderKnown | None:
        """Give what is known of a run of a box's program, or None."""
        values: Values = {"box": box, "sender": sender}
        row = self.db.one(statements("hub")["one-sender"], values)
        if row is None:
            return None
        with making_sense("a sender"):
            return SenderKnown(
                first_at=from_micros(row["first_at"]),
                last_at=from_micros(row["last_at"]),
                refused_at=from_micros_or_none(row["refused_at"]),
            )

    def sender_heard(self, box: BoxId, sender: str, now: datetime) -> None:
        """Note that a run of a box's program sent something."""
        values: Values = {"box": box, "sender": clean(sender), "now": to_micros(now)}
        self.db.write(statements("hub")["sender-heard"], values)

    def refuse_sender(self, box: BoxId, sender: str, now: datetime) -> None:
        """Take nothing from this run any more."""
        self.told_or_said()
        values: Values = {"box": box, "sender": clean(sender), "now": to_micros(now)}
        self.db.change(statements("hub")["sender-heard"], values)
        self.db.change(statements("hub")["refuse-sender"], values)

    def has_second_sender(self, box: BoxId, since: datetime) -> bool:
        """Tell whether another run than the one we take from was refused lately."""
        values: Values = {"box": box, "since": to_micros(since)}
        return bool(self.db.one(statements("hub")["refused-sender"], values)["senders"])

    def knows_survey(self, survey: str) -> bool:
        """Tell whether a survey was taken in."""
        return self.db.one(statements("hub")["survey-known"], {"survey": survey}) is not None

    def strangers(self, box: BoxId, client: str, drives: frozenset[DriveId]) -> frozenset[DriveId]:
        """Name the drives that are known to sit in a box of somebody else."""
        sql = statements("hub")
        known = {row["drive"] for row in self.drive_rows(box)}
        found = set()
        for drive in drives - known:
            row = self.db.one(sql["box-of-drive"], {"drive": drive})
            if row is not None and row["client"] != client:
                found.add(drive)
        return frozenset(found)

    def mark_of(self, box: BoxId) -> str:
        """Give a text that changes when what the rules see of a box may have.

        That is: with each survey of the box, and with whatever anybody but the intake of surveys
        and the clock of the hub writes about any box.
        """
        row = self.db.one(statements("hub")["mark-of-box"], {"box": box})
        return f"{row['turn'] or 0} {row['survey'] or ''}"

    def count_turn(self) -> None:
        """Count that somebody else wrote, where there are boxes whose mark may matter."""
        self.db.change(statements("hub")["count-turn"])

    def tidy_hub(self, before: datetime) -> None:
        """Forget codes and runs that ended before a moment."""
        values: Values = {"before": to_micros(before)}
        self.db.change(statements("hub")["drop-invitations"], values)
        self.db.change(statements("hub")["drop-senders"], values)


def _box(row: Any) -> EnrolledBox:  # noqa: ANN401 - a row
    with making_sense("an enrolled box"):
        return EnrolledBox(
            box=BoxId(row["box"]),
            client=row["client"],
            state=BoxState(row["state"]),
            joined_at=from_micros(row["joined_at"]),
            heard_at=from_micros_or_none(row["heard_at"]),
            every_seconds=int(row["every_seconds"]),
            address=row["address"],
            sender=row["sender"],
            quiet_since=from_micros_or_none(row["quiet_since"]),
            due_at=from_micros_or_none(row["due_at"]),
            look_wanted=bool(row["look_wanted"]),
            returned_at=from_micros_or_none(row["returned_at"]),
        )
