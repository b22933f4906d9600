"""Facts for the tests of the rules: a box at time zero, drives by letter, pools by parts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from watcher.facts.drive import (
    Attribute,
    DriveIdentity,
    DrivePast,
    DriveReading,
    DriveUnread,
    Medium,
    Metric,
    Protocol,
    SelfTest,
    Trace,
    Unread,
    Verdict,
)
from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId, DriveId, PoolId, about_drive
from watcher.facts.kernel_event import Category, KernelEvent
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
)
from watcher.facts.pool_past import PoolPast
from watcher.facts.survey import Blindness, Survey
from watcher.rules.catalogue import CATALOGUE, judge
from watcher.rules.tuning import UNTUNED, Tuning
from watcher.rules.view import View

T0 = datetime(2026, 3, 1, 12, tzinfo=UTC)
BOX = BoxId("attic")
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
TANK = PoolId("md:tank")


def drive(letter: str) -> DriveId:
    """Name a drive."""
    return DriveId(f"wwn-{letter}")


def identity(letter: str, *, model: str = "Altair A8", **more: object) -> DriveIdentity:
    """Make a drive of an invented maker."""
    facts: dict[str, object] = {
        "capacity_bytes": 8 * 10**12,
        "protocol": Protocol.ATA,
        "medium": Medium.ROTATING,
        "serial": f"X{letter.upper()}1",
    }
    return DriveIdentity(drive=drive(letter), model=model, **(facts | more))  # type: ignore[arg-type]


def reading(
    letter: str = "a",
    metrics: dict[Metric, int] | None = None,
    *,
    at: datetime = T0,
    who: DriveIdentity | None = None,
    verdict: Verdict = Verdict.PASSED,
    attributes: tuple[Attribute, ...] = (),
    self_tests: tuple[SelfTest, ...] = (),
    remaining: int | None = None,
    bay: str | None = None,
    doubts: tuple[str, ...] = (),
) -> DriveReading:
    """Make a reading."""
    return DriveReading(
        identity=who or identity(letter),
        observed_at=at,
        node=f"/dev/sd{letter}",
        device_type="sat",
        bay=bay,
        verdict=verdict,
        metrics=tuple((metrics or {}).items()),
        attributes=attributes,
        self_tests=self_tests,
        self_test_remaining_percent=remaining,
        doubts=doubts,
    )


def past(
    letter: str = "a",
    traces: dict[Metric, Iterable[tuple[float, int]]] | None = None,
    *,
    last_read: datetime | None = T0 - HOUR,
    last_present: datetime | None = T0 - HOUR,
    first_seen: datetime = T0 - 400 * DAY,
    in_use: bool = True,
    bay: str | None = None,
    who: DriveIdentity | None = None,
) -> DrivePast:
    """Make the past of a drive; traces as (days ago, value), oldest first."""
    return DrivePast(
        identity=who or identity(letter),
        first_seen=first_seen,
        last_read=last_read,
        last_present=last_present,
        bay=bay,
        node=f"/dev/sd{letter}",
        in_use=in_use,
        traces=tuple(
            Trace(metric=m, points=tuple((T0 - ago * DAY, v) for ago, v in points))
            for m, points in (traces or {}).items()
        ),
    )


def attribute(number: int, value: int, threshold: int, **more: object) -> Attribute:
    """Make a row of an attribute table."""
    facts: dict[str, object] = {
        "name": "Row",
        "worst": value,
        "raw": 0,
        "raw_text": "0",
        "prefail": True,
        "failing_now": False,
        "failed_before": False,
    }
    return Attribute(number=number, value=value, threshold=threshold, **(facts | more))  # type: ignore[arg-type]


def self_test(kind: str = "extended", **more: object) -> SelfTest:
    """Make an entry of a self-test log: one that passed unless told otherwise."""
    facts: dict[str, object] = {
        "passed": True,
        "found_damage": False,
        "power_on_hours": 1000,
        "first_bad_lba": None,
    }
    return SelfTest(kind=kind, **(facts | more))  # type: ignore[arg-type]


def unread(letter: str | None, why: Unread, *, at: datetime = T0) -> DriveUnread:
    """Make a drive that gave no reading; no letter: it is not known which one it is."""
    return DriveUnread(
        node=f"/dev/sd{letter or 'z'}",
        why=why,
        detail="as seen",
        observed_at=at,
        drive=None if letter is None else drive(letter),
    )


def event(
    letter: str,
    category: Category,
    *,
    count: int = 1,
    ago: timedelta = HOUR,
    what: str = "some-line",
) -> KernelEvent:
    """Make a kernel event about a drive."""
    return KernelEvent(
        at=T0 - ago,
        category=category,
        what=what,
        device=f"sd{letter}",
        subject=about_drive(drive(letter)),
        line="a line of the log",
        count=count,
    )


def member(letter: str, state: MemberState = MemberState.GOOD, **more: object) -> Member:
    """Make a member that rests on one drive."""
    return Member(name=f"sd{letter}1", state=state, drives=(drive(letter),), **more)  # type: ignore[arg-type]


def pool(
    letters: str = "abc",
    *,
    lost: str = "",
    bears: int = 1,
    notes: tuple[Noted, ...] = (),
    work: Work | None = None,
    members: tuple[Member, ...] | None = None,
    kind: PoolKind = PoolKind.MD,
    layout: str = "raid5",
    key: PoolId = TANK,
    **more: object,
) -> Pool:
    """Make a pool of the drives of these letters, those in ``lost`` missing."""
    parts = members or tuple(
        member(x, MemberState.MISSING if x in lost else MemberState.GOOD) for x in letters
    )
    return judge_pool(
        pool=key,
        name="tank",
        kind=kind,
        layout=layout,
        observed_at=T0,
        tree=RedundancySet(name=layout, bears=bears, parts=parts),
        notes=notes,
        work=work,
        **more,  # type: ignore[arg-type]
    )


def pool_past(**more: object) -> PoolPast:
    """Make the past of the pool."""
    facts: dict[str, object] = {
        "pool": TANK,
        "name": "tank",
        "kind": PoolKind.MD,
        "first_seen": T0 - 400 * DAY,
        "last_seen": T0 - HOUR,
        "last_protection": Protection.WHOLE,
        "full_margin": 1,
    }
    return PoolPast(**(facts | more))  # type: ignore[arg-type]


def note(remark: Remark, text: str = "as seen", **more: object) -> Noted:
    """Make a remark."""
    return Noted(remark=remark, text=text, **more)  # type: ignore[arg-type]


def view(
    *drives: DriveReading,
    pools: tuple[Pool, ...] = (),
    pasts: tuple[DrivePast, ...] = (),
    pool_pasts: tuple[PoolPast, ...] = (),
    unread: tuple[DriveUnread, ...] = (),
    recent: tuple[KernelEvent, ...] = (),
    blind: tuple[Blindness, ...] = (),
    answered: tuple[str, ...] = ("drive-discovery", "md"),
    now: datetime = T0,
) -> View:
    """Make what the rules look at."""
    survey = Survey(
        survey="1",
        box=BOX,
        taken_at=now,
        drives=drives,
        unread=unread,
        pools=pools,
        blind=blind,
        answered=answered,
    )
    return View(
        survey=survey,
        now=now,
        past={p.identity.drive: p for p in pasts},
        pool_past={p.pool: p for p in pool_pasts},
        recent=recent,
    )


def of(rule: str, seen: View, tuning: Tuning = UNTUNED) -> list[Finding]:
    """Run one rule of the catalogue."""
    return list(CATALOGUE[rule].check(seen, tuning))


def urgency(rule: str, seen: View, tuning: Tuning = UNTUNED) -> str | None:
    """Give the urgency of the only finding of a rule, None when it is quiet."""
    found = of(rule, seen, tuning)
    assert len(found) <= 1
    return found[0].urgency.value if found else None


def all_rules(seen: View, tuning: Tuning = UNTUNED) -> set[str]:
    """Name all rules that hold."""
    return {finding.rule for finding in judge(seen, tuning)}
