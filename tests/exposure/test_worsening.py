"""Whether a forecast got worse."""

from __future__ import annotations

from datetime import timedelta

from tests.exposure.pools import NOW, fading_life, lives, name, parity, pool, working
from watcher.exposure.estimate import Exposure, estimate
from watcher.exposure.forecast import Progress
from watcher.exposure.window import Spare, WindowPlan
from watcher.exposure.worsening import worsening
from watcher.facts.pool import Pool, WorkKind, WorkState

SHELF = WindowPlan(spare=Spare.PROVEN)
BARE = pool(parity(6, 1, (2,)))


def rebuilding(done: float, state: WorkState = WorkState.RUNNING) -> Pool:
    work = working(kind=WorkKind.REBUILD, state=state, done_fraction=done)
    return pool(parity(6, 1, (2,)), work=work)


def looks(done: float, per_hour: float) -> list[Progress]:
    steps = int(done / per_hour * 12)
    return [
        Progress(at=NOW - timedelta(minutes=5 * n), done=max(0.0, done - n * per_hour / 12))
        for n in range(steps, -1, -1)
    ]


def compared(before: Exposure, after: Exposure) -> str | None:
    ends = [one.window.likely if one.window else None for one in (before, after)]
    chances = [one.chance.likely if one.chance else 0.0 for one in (before, after)]
    return worsening(
        ends=(ends[0], ends[1]),
        computed_at=before.computed_at,
        chances=(chances[0], chances[1]),
    )


def test_worsening_is_said_in_a_sentence() -> None:
    before = estimate(rebuilding(0.4), lives(6), SHELF, NOW, progress=looks(0.4, 0.05))
    slower = estimate(rebuilding(0.4), lives(6), SHELF, NOW, progress=looks(0.4, 0.02))
    said = compared(before, slower)
    assert said is not None
    assert "later than forecast" in said
    assert compared(slower, before) is None
    assert compared(before, before) is None


def test_a_risen_chance_is_a_worsening_too() -> None:
    before = estimate(BARE, lives(6), SHELF, NOW)
    after = estimate(
        BARE, {**lives(6), name(4): fading_life(4, 60.0, pending_sectors=8)}, SHELF, NOW
    )
    said = compared(before, after)
    assert said is not None
    assert said.startswith("The chance of losing data rose from")
