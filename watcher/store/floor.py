"""What the shop asks about many boxes at once, at the cost of a few queries and no survey."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from watcher.cases.effects import Record
from watcher.cases.state import Case
from watcher.facts.checks import require_utc
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, DriveId, PoolId
from watcher.facts.pool import Protection
from watcher.store.book import record_of
from watcher.store.codec import CASE, making_sense
from watcher.store.connection import Values
from watcher.store.history import KnownBox, KnownDrive, known_drive
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, from_micros_or_none, to_micros

MOST_LINES = 2000
"""Lines of a box's history, or cases of it, that are read for one month; our choice: some hundred
times what a month brings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolStanding:
    """A pool as it was seen last, without its members."""

    box: BoxId
    pool: PoolId
    name: str
    protection: Protection
    margin: int | None
    full_margin: int | None
    last_seen: datetime
    scrubbed_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch in which a box was not watched."""

    begun_at: datetime
    ended_at: datetime

    def __post_init__(self) -> None:
        """Check the times."""
        require_utc(self.begun_at, "begun_at")
        require_utc(self.ended_at, "ended_at")


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenInvitation:
    """A one-time code that can still be used; the code itself is known to nobody here."""

    mark: str  # the beginning of its hash, to name it by
    hash: str
    client: str
    box: str
    made_at: datetime
    ends_at: datetime


class FloorPart(Part):
    """Look over all boxes."""

    def case_counts(self) -> Mapping[BoxId, Mapping[Urgency, int]]:
        """Count the open cases of every box by urgency; a box without any is left out."""
        found: dict[BoxId, dict[Urgency, int]] = defaultdict(dict)
        for row in self.db.rows(statements("floor")["open-case-counts"]):
            with making_sense("a case"):
                found[BoxId(row["box"])][Urgency(row["urgency"])] = int(row["cases"])
        return found

    def boxes_with_weight(self) -> tuple[BoxId, ...]:
        """Name the boxes in which something is open that somebody must act on."""
        rows = self.db.rows(statements("floor")["boxes-with-weight"])
        return tuple(BoxId(row["box"]) for row in rows)

    def pools_everywhere(self) -> tuple[PoolStanding, ...]:
        """Give every pool that is expected, by box and name.

        Of one that did not show in its box's last survey nothing is known now.
        """
        found = []
        for row in self.db.rows(statements("floor")["pools-everywhere"]):
            with making_sense("a pool"):
                shown = row["last_seen"] >= row["last_survey_at"]
                found.append(
                    PoolStanding(
                        box=BoxId(row["box"]),
                        pool=PoolId(row["pool"]),
                        name=row["name"],
                        protection=Protection(row["protection"] if shown else "unknown"),
                        margin=row["margin"] if shown else None,
                        full_margin=row["full_margin"],
                        last_seen=from_micros(row["last_seen"]),
                        scrubbed_at=from_micros_or_none(row["scrubbed_at"]),
                    )
                )
        return tuple(found)

    def drive_counts(self) -> Mapping[BoxId, int]:
        """Count the drives that every box is expected to have."""
        rows = self.db.rows(statements("floor")["drive-counts"])
        return {BoxId(row["box"]): int(row["drives"]) for row in rows}

    def drive_anywhere(self, drive: DriveId) -> tuple[KnownDrive, ...]:
        """Give a drive wherever it was seen, the earliest first.

        One that was shown by boxes of two clients is known under its id and, within the box that
        showed it later, under ``ID@BOX``: its whole past is that of all of them.
        """
        mark = f"{drive}@"
        values: Values = {"drive": drive, "mark": mark, "length": len(mark)}
        return tuple(
            known_drive(r) for r in self.db.rows(statements("floor")["drives-of-id"], values)
        )

    def box_seen(self, box: BoxId) -> KnownBox | None:
        """Give when a box was surveyed, or None when it never was; at the cost of one row."""
        row = self.box_row(box)
        if row is None:
            return None
        return KnownBox(
            box=BoxId(row["box"]),
            first_seen=from_micros(row["first_seen"]),
            last_survey_at=from_micros(row["last_survey_at"]),
            last_survey=row["last_survey"],
        )

    def add_gap(self, box: BoxId, gap: Gap) -> None:
        """Note that a box was not watched for a while."""
        values: Values = {
            "box": box,
            "begun_at": to_micros(gap.begun_at),
            "ended_at": to_micros(gap.ended_at),
        }
        self.db.write(statements("floor")["add-gap"], values)

    def gaps(self, box: BoxId, since: datetime, until: datetime) -> tuple[Gap, ...]:
        """Give the stretches in which a box was not watched, as far as they touch a span."""
        values: Values = {"box": box, "since": to_micros(since), "until": to_micros(until)}
        return tuple(
            Gap(begun_at=from_micros(row["begun_at"]), ended_at=from_micros(row["ended_at"]))
            for row in self.db.rows(statements("floor")["gaps-between"], values)
        )

    def records_between(
        self, box: BoxId, since: datetime, until: datetime, *, limit: int = MOST_LINES
    ) -> tuple[Record, ...]:
        """Give what was written of a box from ``since`` to before ``until``, oldest first."""
        values: Values = {
            "box": box,
            "since": to_micros(since),
            "until": to_micros(until),
            "limit": limit,
        }
        rows = self.db.rows(statements("floor")["records-between"], values)
        return tuple(record_of(row) for row in rows)

    def cases_between(self, box: BoxId, since: datetime, until: datetime) -> tuple[Case, ...]:
        """Give the cases of a box that were open at some time within a span, oldest first."""
        values: Values = {
            "box": box,
            "since": to_micros(since),
            "until": to_micros(until),
            "limit": MOST_LINES,
        }
        rows = self.db.rows(statements("floor")["cases-between"], values)
        return tuple(CASE.read(row["state"], "a case") for row in rows)

    def open_invitations(self, now: datetime) -> tuple[OpenInvitation, ...]:
        """Give the one-time codes that can still be used."""
        rows = self.db.rows(statements("floor")["open-invitations"], {"now": to_micros(now)})
        return tuple(
            OpenInvitation(
                mark=row["hash"][:8],
                hash=row["hash"],
                client=row["client"],
                box=row["box"],
                made_at=from_micros(row["made_at"]),
                ends_at=from_micros(row["ends_at"]),
            )
            for row in rows
        )

    def withdraw_invitation(self, hashed: str) -> bool:
        """Take a one-time code back; False when it was used or is not known."""
        self.told_or_said()
        return self.db.change(statements("floor")["withdraw-invitation"], {"hash": hashed}) > 0

    def age_tokens(self, box: BoxId) -> bool:
        """Let the token of a box count as old, so that it is replaced; False when it has none."""
        self.told_or_said()
        return self.db.change(statements("floor")["age-tokens"], {"box": box}) > 0

    def boxes_with_token(self) -> frozenset[BoxId]:
        """Name the boxes of which something may be taken."""
        rows = self.db.rows(statements("floor")["boxes-with-token"])
        return frozenset(BoxId(row["box"]) for row in rows)

    def tokens_of_box(self, box: BoxId) -> tuple[tuple[datetime, datetime | None], ...]:
        """Give when the tokens of a box were made and first used, oldest first."""
        rows = self.db.rows(statements("floor")["tokens-of-box"], {"box": box})
        return tuple(
            (from_micros(row["made_at"]), from_micros_or_none(row["used_at"])) for row in rows
        )
