"""Short builders of views: one survey of an invented box, and what came before."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from watcher.facts.drive import (
    DriveIdentity,
    DrivePast,
    DriveReading,
    Medium,
    Metric,
    Protocol,
    SelfTest,
    Verdict,
)
from watcher.facts.identity import BoxId, DriveId, PoolId, Subject
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, RedundancySet
from watcher.facts.pool_past import PoolPast
from watcher.facts.survey import Survey
from watcher.rules.view import View

AT = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
BOX = BoxId("attic")
POOL = PoolId("md:orchard")


def reading(
    drive: DriveId,
    *,
    tests: tuple[SelfTest, ...] = (),
    verdict: Verdict = Verdict.PASSED,
    bay: str | None = None,
    **metrics: int,
) -> DriveReading:
    """One drive's answer; metrics by their names."""
    return DriveReading(
        identity=DriveIdentity(
            drive=drive,
            model="Altair A8",
            serial=str(drive).upper(),
            capacity_bytes=8_001_563_222_016,
            protocol=Protocol.ATA,
            medium=Medium.ROTATING,
            logical_sector_bytes=512,
        ),
        observed_at=AT,
        node=f"/dev/sd{str(drive)[-1]}",
        device_type="sat",
        bay=bay,
        verdict=verdict,
        self_tests=tests,
        metrics=tuple((Metric(name), value) for name, value in metrics.items()),
    )


def pool(
    *,
    states: Mapping[str, MemberState] | None = None,
    bears: int = 1,
    kind: PoolKind = PoolKind.MD,
    **drives: DriveId,
) -> Pool:
    """A pool of members on drives."""
    parts = tuple(
        Member(name=name, state=(states or {}).get(name, MemberState.GOOD), drives=(drive,))
        for name, drive in drives.items()
    )
    return judge_pool(
        pool=POOL,
        name="orchard",
        kind=kind,
        layout="raid1",
        observed_at=AT,
        tree=RedundancySet(name="raid1", bears=bears, parts=parts),
        node="/dev/md0",
    )


def event(category: Category, about: Subject, *, line: str = "a line") -> KernelEvent:
    """One kernel event."""
    return KernelEvent(
        at=AT, category=category, what="something", device="sda", subject=about, line=line
    )


def view(
    *readings: DriveReading,
    pools: tuple[Pool, ...] = (),
    events: tuple[KernelEvent, ...] = (),
    answered: tuple[str, ...] = ("md", "drive-discovery"),
    past_drive: DrivePast | None = None,
    past_pool: PoolPast | None = None,
) -> View:
    """One survey with what came before it."""
    return View(
        survey=Survey(
            survey="one", box=BOX, taken_at=AT, drives=readings, pools=pools, events=events,
            answered=answered,
        ),
        now=AT,
        past={past_drive.identity.drive: past_drive} if past_drive else {},
        pool_past={POOL: past_pool} if past_pool else {},
        recent=events,
    )  # fmt: skip
