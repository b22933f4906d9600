"""A box at a glance: its pools by margin, what sits in its bays, what cannot be seen.

Made from the last survey and what is known of its drives; kept until the next survey, for the
overview is asked for far more often than anything changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.cases.state import Case
from watcher.facts.drive import DriveReading, DriveUnread, Metric, Unread
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId, DriveId, SubjectKind
from watcher.facts.pool import AtStake, Noted, Pool, Protection, Remark
from watcher.facts.pool_past import PoolPast
from watcher.facts.standing import as_borne
from watcher.facts.survey import Survey
from watcher.rules.signs_said import signs_said
from watcher.rules.view import say_bay
from watcher.store.history import KnownDrive
from watcher.store.transaction import Transaction
from watcher.web.bays import Group, lay_out
from watcher.web.words import UNREAD


class Look(StrEnum):
    """How a drive is drawn."""

    QUIET = "quiet"  # no sign; never called healthy
    SIGN = "sign"
    GONE = "gone"
    ASLEEP = "asleep"
    BLIND = "blind"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """A drive where it sits."""

    drive: DriveId | None
    name: str  # "bay 3", "sdb"
    model: str
    capacity_bytes: int | None
    look: Look
    says: str  # a few words
    temperature: int | None = None
    serial: str = ""
    pools: tuple[str, ...] = ()  # names


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """Something that cannot be seen."""

    what: str
    detail: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """One box."""

    box: BoxId
    taken_at: datetime | None  # of the last survey; None: never heard of it
    pools: tuple[Pool, ...] = ()  # least protected first
    bays: tuple[Group[Seat], ...] = ()
    loose: tuple[Seat, ...] = ()  # drives without a bay
    hidden: tuple[Hidden, ...] = ()
    doubts: tuple[str, ...] = ()
    hides_pools: bool = False  # there may be pools that the last look could not see
    survey: str = ""

    @property
    def seats(self) -> tuple[Seat, ...]:
        """All drives."""
        in_bays = tuple(s for group in self.bays for row in group.rows for _, s in row)
        return (*in_bays, *self.loose)


_RANK: Mapping[Protection, int] = {
    Protection.BROKEN: 0,
    Protection.BARE: 1,
    Protection.UNKNOWN: 2,
    Protection.THINNED: 3,
    Protection.WHOLE: 4,
}


def danger(pool: Pool) -> tuple[int, str]:
    """Give the key by which the least protected pool comes first."""
    return (_RANK[pool.protection], pool.name)


def glance_of(tx: Transaction, box: BoxId, cases: tuple[Case, ...]) -> Glance:
    """Look at a box as it was surveyed last."""
    survey = tx.last_survey(box)
    if survey is None:
        return Glance(box=box, taken_at=None)
    signs = signs_of(cases)
    known = {drive.identity.drive: drive for drive in tx.drives(box) if drive.in_use}
    seats: list[tuple[str | None, Seat]] = []
    for reading in survey.drives:
        who = reading.identity.drive
        past = known.get(who)
        bay = reading.bay or (past.bay if past else None)
        seats.append((bay, _read(reading, bay, survey, signs)))
    for unread in survey.unread:
        past = known.get(unread.drive) if unread.drive else None
        bay = unread.bay or (past.bay if past else None)
        seats.append((bay, _unread(unread, bay, survey)))
    there = survey.present | {u.drive for u in survey.unread}
    taken = {bay for bay, _ in seats if bay}
    for who, past in known.items():
        if who not in there and past.bay not in taken:
            seats.append((past.bay, _gone(past, survey)))
    return Glance(
        box=box,
        taken_at=survey.taken_at,
        pools=tuple(sorted(pools_of(survey, tx.pool_pasts(box).values()), key=danger)),
        bays=lay_out([(bay, seat) for bay, seat in seats if bay]),
        loose=tuple(seat for bay, seat in seats if not bay),
        hidden=_hidden(survey),
        doubts=survey.doubts,
        hides_pools=survey.hides_pools,
        survey=survey.survey,
    )


def pools_of(survey: Survey, pasts: Iterable[PoolPast]) -> tuple[Pool, ...]:
    """Give the pools of a survey, and after them those that are expected and did not show in it.

    Of these nothing is known now, whatever was seen before. One that stands on others which bear a
    loss has their margin.
    """
    shown = {pool.pool for pool in survey.pools}
    seen = (as_borne(pool, survey.pools) for pool in survey.pools)
    return (*seen, *(_unseen(p) for p in pasts if p.in_use and p.pool not in shown))


def _unseen(past: PoolPast) -> Pool:
    return Pool(
        pool=past.pool,
        name=past.name,
        kind=past.kind,
        layout=past.kind.value,
        observed_at=past.last_seen,
        protection=Protection.UNKNOWN,
        full_margin=past.full_margin,
        margin=None,
        at_stake=AtStake.POOL,
        notes=(Noted(remark=Remark.FEW_CHECKS, text="It did not show in the last look."),),
    )


def signs_of(cases: tuple[Case, ...]) -> Mapping[str, tuple[Finding, ...]]:
    """Give what holds of each drive."""
    found: dict[str, list[Finding]] = {}
    for case in cases:
        for finding in case.standing:
            if finding.subject.kind is SubjectKind.DRIVE:
                found.setdefault(finding.subject.key, []).append(finding)
    return {key: tuple(findings) for key, findings in found.items()}


def _pools_of(drive: DriveId | None, survey: Survey) -> tuple[str, ...]:
    return tuple(pool.name for pool in survey.pools if drive is not None and drive in pool.drives)


def _name(bay: str | None, node: str | None) -> str:
    return say_bay(bay) if bay else (node or "").rsplit("/", 1)[-1] or "somewhere"


def _read(
    reading: DriveReading, bay: str | None, survey: Survey, signs: Mapping[str, tuple[Finding, ...]]
) -> Seat:
    who = reading.identity
    found = signs.get(who.drive, ())
    return Seat(
        drive=who.drive,
        name=_name(bay, reading.node),
        model=who.model or "model unknown",
        capacity_bytes=who.capacity_bytes,
        look=Look.SIGN if any(f.urgency > Urgency.NOTE for f in found) else Look.QUIET,
        says=signs_said(found),
        temperature=reading.metric(Metric.TEMPERATURE_CELSIUS),
        serial=who.serial,
        pools=_pools_of(who.drive, survey),
    )


def _unread(unread: DriveUnread, bay: str | None, survey: Survey) -> Seat:
    look = {Unread.ASLEEP: Look.ASLEEP, Unread.VANISHED: Look.GONE}.get(unread.why, Look.BLIND)
    return Seat(
        drive=unread.drive,
        name=_name(bay, unread.node),
        model=unread.model or "model unknown",
        capacity_bytes=unread.capacity_bytes,
        look=look,
        says=UNREAD[unread.why],
        serial=unread.serial or "",
        pools=_pools_of(unread.drive, survey),
    )


def _gone(past: KnownDrive, survey: Survey) -> Seat:
    who = past.identity
    return Seat(
        drive=who.drive,
        name=_name(past.bay, past.node),
        model=who.model or "model unknown",
        capacity_bytes=who.capacity_bytes,
        look=Look.GONE,
        says="not there",
        serial=who.serial,
        pools=_pools_of(who.drive, survey),
    )


def _hidden(survey: Survey) -> tuple[Hidden, ...]:
    drives = tuple(
        Hidden(
            what=_name(u.bay, u.node),
            detail=u.detail,
            remedy="",
        )
        for u in survey.unread
        if u.why is not Unread.ASLEEP
    )
    sources = tuple(
        Hidden(what=b.source.replace("-", " "), detail=b.detail, remedy=b.remedy)
        for b in survey.blind_to_tell
    )
    return (*drives, *sources)
