"""Margin that is away without any member being lost: told, and nobody is woken for it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Work,
    WorkKind,
)
from watcher.facts.survey import Survey
from watcher.rules.catalogue import judge
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import View

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def pool(
    remark: Remark, cap: Protection, *, lost: int = 0, work: Work | None = None, bears: int = 1
) -> Pool:
    states = [MemberState.MISSING] * lost + [MemberState.GOOD] * (4 - lost)
    members = tuple(
        Member(name=f"sd{i}", state=state, drives=(DriveId(f"D{i}"),))
        for i, state in enumerate(states)
    )
    return judge_pool(
        pool=PoolId("md:1"),
        name="orchard",
        kind=PoolKind.MD,
        layout="raid5",
        observed_at=NOW,
        tree=RedundancySet(name="raid5", bears=bears, parts=members),
        notes=(Noted(remark=remark, text="so it is", at_most=cap),),
        work=work,
    )


def urgencies(one: Pool) -> dict[str, Urgency]:
    survey = Survey(survey="s", box=BoxId("attic"), taken_at=NOW, pools=(one,))
    return {f.rule: f.urgency for f in judge(View(survey=survey, now=NOW), UNTUNED)}


@pytest.mark.parametrize(
    ("remark", "rule"),
    [(Remark.UNSYNCED, "parity-behind"), (Remark.PARITY_STALE, "parity-catching-up")],
)
def test_nobody_is_woken_for_what_mends_itself(remark: Remark, rule: str) -> None:
    resync = Work(kind=WorkKind.RESYNC, done_fraction=0.1)
    work = resync if remark is Remark.PARITY_STALE else None
    found = urgencies(pool(remark, Protection.BARE, work=work))
    assert found[rule] is Urgency.NOTE
    assert "margin-gone" not in found


def test_a_resync_that_does_not_run_is_for_today() -> None:
    found = urgencies(pool(Remark.PARITY_STALE, Protection.BARE))
    assert found["parity-catching-up"] is Urgency.TODAY


@pytest.mark.parametrize("remark", [Remark.UNSYNCED, Remark.PARITY_STALE])
def test_a_lost_member_wakes_whatever_else_there_is(remark: Remark) -> None:
    found = urgencies(pool(remark, Protection.BARE, lost=1))
    assert found["margin-gone"] is Urgency.NOW


def test_damaged_files_with_every_drive_standing_are_for_today_and_not_a_broken_pool() -> None:
    found = urgencies(pool(Remark.DAMAGED_DATA, Protection.BROKEN))
    assert found["scrub-found-damage"] is Urgency.TODAY
    assert "pool-broken" not in found


def test_damaged_files_and_too_many_lost_drives_are_a_broken_pool() -> None:
    found = urgencies(pool(Remark.DAMAGED_DATA, Protection.BROKEN, lost=2))
    assert found["pool-broken"] is Urgency.NOW
