"""Builders of invented pools and drives."""

from __future__ import annotations

from datetime import UTC, datetime

from watcher.exposure.figure import ONE, Figure
from watcher.exposure.life import DriveClass, DriveLife
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import AtStake, Member, MemberState, Pool, PoolKind, RedundancySet, Work

NOW = datetime(2031, 3, 3, 9, 0, tzinfo=UTC)  # a Monday
TB = 10**12


def name(number: int) -> DriveId:
    return DriveId(f"drive-{number:02d}")


def life(number: int, **changes: object) -> DriveLife:
    facts: dict[str, object] = {
        "drive": name(number),
        "drive_class": DriveClass.HARD_DISK,
        "age_hours": 20_000.0,
        "capacity_bytes": 8 * TB,
        "risk": ONE,
        "pending_sectors": 0,
        "model": f"Altair A8-{number}",
    }
    return DriveLife(**{**facts, **changes})  # type: ignore[arg-type]


def lives(count: int, **changes: object) -> dict[DriveId, DriveLife]:
    return {name(n): life(n, **changes) for n in range(count)}


def fading_life(number: int, risk: float = 20.0, **changes: object) -> DriveLife:
    return life(number, risk=Figure(low=risk / 2, likely=risk, high=risk * 2), **changes)


def parity(count: int, bears: int, lost: tuple[int, ...] = (), start: int = 0) -> RedundancySet:
    return RedundancySet(
        name="parity",
        bears=bears,
        parts=tuple(
            Member(
                name=f"m{n}",
                state=MemberState.MISSING if n in lost else MemberState.GOOD,
                drives=(name(n),),
                capacity_bytes=8 * TB,
            )
            for n in range(start, start + count)
        ),
    )


def ring(
    count: int, lost: int | None = None, *, is_known: bool = True, copies: int = 2
) -> RedundancySet:
    """Make what md's ``far`` and ``offset`` copies make: each member mirrored on the next ones.

    The member that is lost rests on no drive any more where ``is_known`` is False.
    """
    parts = list(parity(count, 1, () if lost is None else (lost,)).parts)
    if lost is not None and not is_known:
        parts[lost] = Member(name="removed", state=MemberState.MISSING)
    mirrors = tuple(
        RedundancySet(
            name="mirror",
            bears=copies - 1,
            parts=tuple(parts[(n + more) % count] for more in range(copies)),
        )
        for n in range(count)
    )
    return RedundancySet(name="ring", bears=0, parts=mirrors)


def pool(tree: RedundancySet | None, **changes: object) -> Pool:
    facts: dict[str, object] = {
        "pool": PoolId("md:1"),
        "name": "attic",
        "kind": PoolKind.MD,
        "layout": "raid",
        "observed_at": NOW,
        "tree": tree,
        "at_stake": AtStake.POOL,
        "capacity_bytes": 40 * TB,
        "used_bytes": 20 * TB,
        "scrubbed_at": datetime(2031, 2, 1, tzinfo=UTC),
    }
    return judge_pool(**{**facts, **changes})  # type: ignore[arg-type]


def working(**facts: object) -> Work:
    return Work(**facts)  # type: ignore[arg-type]
