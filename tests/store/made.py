"""Facts of an invented box for the tests of the store."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from watcher.cases.state import Answer, Book, Case, Climb, Held
from watcher.facts.drive import (
    Attribute,
    DriveIdentity,
    DriveReading,
    DriveUnread,
    Metric,
    Protocol,
    Unread,
    Verdict,
)
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId, DriveId, PoolId, about_drive
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, RedundancySet, Work, WorkKind
from watcher.facts.survey import Survey
from watcher.store.outbox import NewNotice

NOW = datetime(2026, 3, 1, 6, 0, 0, 123456, tzinfo=UTC)
BOX = BoxId("orchard")
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


def drive_id(number: int) -> DriveId:
    return DriveId(f"Altair_A8_X{number:04}")


def reading(
    number: int,
    at: datetime = NOW,
    *,
    verdict: Verdict = Verdict.PASSED,
    raw: str = "",
    bay: str | None = None,
    node: str | None = None,
    **metrics: int,
) -> DriveReading:
    """One drive's answer; metrics by their names in capitals."""
    return DriveReading(
        identity=DriveIdentity(
            drive=drive_id(number),
            model="Altair A8",
            serial=f"X{number:04}",
            capacity_bytes=8_000_000_000_000,
            protocol=Protocol.ATA,
        ),
        observed_at=at,
        node=node or f"/dev/sd{chr(ord('a') + number % 26)}",
        device_type="sat",
        bay=bay,
        verdict=verdict,
        metrics=tuple((Metric[name.upper()], value) for name, value in metrics.items()),
        attributes=(
            Attribute(
                number=5,
                name="Reallocated_Sector_Ct",
                value=100,
                worst=100,
                threshold=10,
                raw=0,
                raw_text="0",
                prefail=True,
                failing_now=False,
                failed_before=False,
            ),
        ),
        source="smartctl 7.3",
        raw=raw,
    )


def unread(number: int, why: Unread, at: datetime = NOW) -> DriveUnread:
    return DriveUnread(
        node=f"/dev/sd{chr(ord('a') + number % 26)}",
        why=why,
        detail=f"it is {why.value}",
        observed_at=at,
        drive=drive_id(number),
        model="Altair A8",
        serial=f"X{number:04}",
    )


def pool(
    at: datetime = NOW,
    *,
    lost: int = 0,
    width: int = 4,
    bears: int = 1,
    work: WorkKind | None = None,
    done: float | None = None,
    state: MemberState = MemberState.MISSING,
    first_drive: int = 0,
    name: str = "media",
) -> Pool:
    """A parity pool with its first ``lost`` members in ``state``."""
    members = tuple(
        Member(
            name=f"sd{chr(ord('a') + number)}1",
            state=state if number < lost else MemberState.GOOD,
            drives=(drive_id(first_drive + number),),
            errors=number,
        )
        for number in range(width)
    )
    return judge_pool(
        pool=PoolId(f"md:{name}"),
        name=name,
        kind=PoolKind.MD,
        layout="raid5",
        observed_at=at,
        tree=RedundancySet(name="raid5", bears=bears, parts=members),
        work=None if work is None else Work(kind=work, done_fraction=done),
        said="clean",
    )


def event(at: datetime = NOW, *, count: int = 1, what: str = "crc-error") -> KernelEvent:
    return KernelEvent(
        at=at,
        category=Category.LINK,
        what=what,
        device="ata3.00",
        subject=about_drive(drive_id(1)),
        line="ata3.00: error: { ICRC ABRT }",
        count=count,
        last_at=at + timedelta(seconds=count) if count > 1 else None,
    )


def survey(
    name: str,
    at: datetime = NOW,
    *,
    drives: tuple[DriveReading, ...] = (),
    missing: tuple[DriveUnread, ...] = (),
    pools: tuple[Pool, ...] = (),
    events: tuple[KernelEvent, ...] = (),
    box: BoxId = BOX,
) -> Survey:
    return Survey(
        survey=name,
        box=box,
        taken_at=at,
        drives=drives,
        unread=missing,
        pools=pools,
        events=events,
        answered=("md",),
    )


def finding(number: int = 1, at: datetime = NOW, urgency: Urgency = Urgency.TODAY) -> Finding:
    return Finding(
        rule="pending-sectors",
        subject=about_drive(drive_id(number)),
        label=f"bay {number}",
        urgency=urgency,
        sentence="The drive has sectors that it cannot read.",
        next_step="Order a replacement.",
        observed_at=at,
        drives=(drive_id(number),),
    )


def case(number: int = 1, at: datetime = NOW, *, closed: bool = False, by: str = "") -> Case:
    answer = Answer(by=by, at=at, until=at + HOUR, note="ordered – arrives Friday") if by else None
    return Case(
        number=number,
        locus=about_drive(drive_id(number)),
        label=f"bay {number}",
        opened_at=at,
        held=(Held(finding=finding(number, at), since=at, seen_at=at),),
        told=("ann", "ben"),
        climb=None if by else Climb(rung=0, next_at=at + HOUR),
        answer=answer,
        closed_at=at + DAY if closed else None,
    )


def book(*cases: Case, box: BoxId = BOX, next_case: int = 9) -> Book:
    return Book(box=box, cases=cases, next_case=next_case)


def notice(
    key: str,
    target: str = "phone",
    at: datetime = NOW,
    urgency: Urgency = Urgency.TODAY,
    box: BoxId = BOX,
) -> NewNotice:
    return NewNotice(
        key=key,
        box=box,
        person="ann",
        target=target,
        urgency=urgency,
        title="media: one more loss costs data",
        body="Order a replacement.",
        link="https://example.org/c/1",
        created_at=at,
    )
