"""Every fact refuses a time that is not aware UTC and a number that cannot be."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, get_type_hints

import pytest

from watcher.facts import drive, finding, kernel_event, margin, pool, pool_past, readiness, survey
from watcher.facts.checks import require_fraction, require_not_negative, require_utc
from watcher.facts.identity import BoxId, DriveId, PoolId, about_drive

AT = datetime(2026, 3, 1, tzinfo=UTC)
WHO = drive.DriveIdentity(drive=DriveId("wwn-1"), model="Altair A8", serial="X1", capacity_bytes=8)
POOL = PoolId("md:a")
FACTS = (
    drive.DriveReading(identity=WHO, observed_at=AT, node="/dev/sda", device_type="sat"),
    drive.DriveUnread(node="/dev/sda", why=drive.Unread.HUNG, detail="silent", observed_at=AT),
    finding.Finding(
        rule="r",
        subject=about_drive(WHO.drive),
        label="bay 1",
        urgency=finding.Urgency.NOTE,
        sentence="It is so.",
        next_step="Look.",
        observed_at=AT,
    ),
    kernel_event.KernelEvent(
        at=AT, category=kernel_event.Category.LINK, what="link-down", device="ata1", last_at=AT
    ),
    margin.judge_pool(
        pool=POOL,
        name="a",
        kind=pool.PoolKind.MD,
        layout="raid6",
        observed_at=AT,
        tree=None,
        scrubbed_at=AT,
    ),
    pool_past.WorkSample(at=AT, kind=pool.WorkKind.SCRUB),
    pool_past.PoolPast(
        pool=POOL,
        name="a",
        kind=pool.PoolKind.MD,
        first_seen=AT,
        last_seen=AT,
        not_whole_since=AT,
        scrubbed_at=AT,
    ),
    readiness.ShelfSpare(
        number=1, identity=WHO, added_at=AT, arrives_at=AT, proven_at=AT, failed_at=AT
    ),
    readiness.CopySeen(
        name="nas",
        how=readiness.HowKnown.MARKER,
        fresh_for=timedelta(days=1),
        copied_at=AT,
    ),
    readiness.BackupsSeen(seen_at=AT),
    readiness.RestoreTried(thing="photos", copy="nas", at=AT, by="Ana"),
    readiness.DrillDone(
        number=1,
        pool=POOL,
        pool_name="a",
        member="bay 3",
        by="Ana",
        begun_at=AT,
        answered_at=AT,
        ended_at=AT,
    ),
    readiness.ToldReadiness(watched_since=AT),
    survey.Survey(survey="s", box=BoxId("attic"), taken_at=AT),
)
MEMBER = pool.Member(name="sda1", state=pool.MemberState.GOOD, errors=0, capacity_bytes=1)
WORK = pool.Work(
    kind=pool.WorkKind.REBUILD,
    done_fraction=0.0,
    done_bytes=0,
    total_bytes=0,
    rate_bytes_per_second=0,
)


def times_of(fact: object) -> list[str]:
    assert is_dataclass(fact)
    told = get_type_hints(type(fact))
    return [
        f.name for f in fields(fact) if told[f.name] is datetime or told[f.name] == datetime | None
    ]


@pytest.mark.parametrize(
    ("fact", "field"), [(fact, name) for fact in FACTS for name in times_of(fact)]
)
def test_a_time_that_is_not_aware_utc_is_refused(fact: Any, field: str) -> None:
    assert getattr(fact, field) is not None or replace(fact, **{field: AT})
    for wrong in (AT.replace(tzinfo=None), AT.astimezone(timezone(timedelta(hours=2)))):
        with pytest.raises(ValueError, match="aware UTC"):
            replace(fact, **{field: wrong})


@pytest.mark.parametrize(
    ("fact", "field"),
    [
        (MEMBER, "errors"),
        (MEMBER, "capacity_bytes"),
        (WORK, "done_fraction"),
        (WORK, "done_bytes"),
        (WORK, "total_bytes"),
        (WORK, "rate_bytes_per_second"),
        (pool_past.WorkSample(at=AT, kind=pool.WorkKind.SCRUB), "done_fraction"),
        (FACTS[4], "margin"),
        (FACTS[4], "full_margin"),
        (readiness.ShelfSpare(number=1, identity=WHO, added_at=AT), "capacity_bytes"),
    ],
)
def test_a_number_below_zero_is_refused_and_none_is_not(fact: Any, field: str) -> None:
    assert getattr(replace(fact, **{field: None}), field) is None
    assert getattr(replace(fact, **{field: 0}), field) == 0
    with pytest.raises(ValueError, match=r"negative|between 0 and 1"):
        replace(fact, **{field: -1})


def test_a_share_is_nothing_to_all() -> None:
    for share in (None, 0.0, 0.5, 1.0):
        require_fraction(share, "share")
    for wrong in (-0.001, 1.001, float("nan")):
        with pytest.raises(ValueError, match="share must lie between 0 and 1"):
            require_fraction(wrong, "share")


def test_what_is_wrong_is_named() -> None:
    with pytest.raises(ValueError, match="seen_at must be an aware UTC time"):
        require_utc(datetime(2026, 3, 1), "seen_at")  # noqa: DTZ001 - the point
    with pytest.raises(ValueError, match="count must not be negative, got -1"):
        require_not_negative(-1, "count")
