"""How long and how likely: the exposure of a pool, from what a survey and history know of it.

Pure: it puts the facts into the shape that ``watcher.exposure`` computes with.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from watcher.exposure.estimate import Exposure, estimate, if_lost
from watcher.exposure.figure import Figure
from watcher.exposure.forecast import Progress
from watcher.exposure.life import DriveLife
from watcher.exposure.window import WindowPlan
from watcher.facts.drive import Metric, Unread
from watcher.facts.identity import DriveId
from watcher.facts.pool import LOST_STATES, Pool
from watcher.facts.pool_past import PoolPast, last_scrub
from watcher.facts.standing import where_borne
from watcher.notify.message_facts import LossChance
from watcher.notify.message_facts import Window as MessageWindow
from watcher.recovery.shelf import class_of, plan_with
from watcher.rules.look import Look
from watcher.rules.risk import relative_risk
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import View


def life_of(view: View, drive: DriveId) -> DriveLife | None:
    """Say what is known of a drive's future; None for a stranger."""
    identity = view.identity_of(drive)
    if identity is None:
        return None
    reading = view.survey.reading(drive)
    past = view.past.get(drive)
    traces = past.traces if past is not None else ()
    others: tuple[str, ...] = ()
    if reading is not None:
        metrics = dict(reading.metrics)
        target = view.target_of(drive)
        others = Look(
            reading=reading, past=past, now=view.now, tuning=UNTUNED, target=target, view=view
        ).others
    else:
        metrics = {trace.metric: trace.points[-1][1] for trace in traces if trace.points}
    by_metric = {trace.metric: trace for trace in traces}
    factor, low, high = relative_risk(
        metrics=metrics, traces=by_metric, now=view.now, others=others
    )
    return DriveLife(
        drive=drive,
        drive_class=class_of(identity),
        age_hours=metrics.get(Metric.POWER_ON_HOURS),
        capacity_bytes=identity.capacity_bytes,
        risk=Figure(low=low, likely=factor, high=high),
        pending_sectors=metrics.get(Metric.PENDING_SECTORS),
        wear_percent=metrics.get(Metric.WEAR_PERCENT),
        model=identity.model,
        answers=reading is not None,
    )


def lives_of(view: View, pool: Pool) -> dict[DriveId, DriveLife]:
    """Say it of all drives of a pool, the lost ones too as they are remembered."""
    past = view.pool_past.get(pool.pool)
    drives = set(pool.drives)
    if past is not None:
        drives |= {*past.drives, *past.lost}
    found = {drive: life_of(view, drive) for drive in sorted(drives)}
    return {drive: life for drive, life in found.items() if life is not None}


def progress_of(pool: Pool, past: PoolPast | None) -> tuple[Progress, ...]:
    """Give the looks at the work that runs now, oldest first, this one included."""
    if pool.work is None or pool.work.done_fraction is None:
        return ()
    before = tuple(
        Progress(at=sample.at, done=sample.done_fraction)
        for sample in (past.work if past is not None else ())
        if sample.kind is pool.work.kind and sample.done_fraction is not None
    )
    return (*before, Progress(at=pool.observed_at, done=pool.work.done_fraction))


def as_scrubbed(view: View, pool: Pool) -> Pool:
    """Give a pool with the last scrub that is known of it, also where its stack keeps no date."""
    return replace(pool, scrubbed_at=last_scrub(pool, view.pool_past.get(pool.pool)))


def exposure_of(view: View, pool: Pool, plan: WindowPlan, now: datetime) -> Exposure:
    """Compute the exposure of a pool as it stands, with what lies on the shelf.

    Of a pool that stands on others which bear a loss, it is that of those.
    """
    pool = where_borne(pool, view.survey.pools)
    past = view.pool_past.get(pool.pool)
    lives = lives_of(view, pool)
    return estimate(
        as_scrubbed(view, pool),
        lives,
        plan_with(plan, view.ready, pool, now),
        now,
        progress=progress_of(pool, past),
        lost_at=past.not_whole_since if past is not None else None,
        label={drive: view.label_of(drive) for drive in lives},
    )


def losable(view: View, pool: Pool) -> frozenset[DriveId]:
    """Give the drives of a pool that could be lost next: those that are not out already.

    One that the pool works with may tell nothing of itself, behind a controller or on a loop
    device: that it is in no list of the survey does not say that it is out.
    """
    vanished = {one.drive for one in view.survey.unread if one.why is Unread.VANISHED}
    reckoned = where_borne(pool, view.survey.pools)
    used = (m for m in reckoned.in_tree if m.state not in LOST_STATES)
    return frozenset(drive for m in used for drive in m.drives if drive not in vanished)


def exposure_if_lost(
    view: View, pool: Pool, drive: DriveId, plan: WindowPlan, now: datetime
) -> Exposure:
    """Compute the exposure as if a drive were lost now: a rehearsal on paper.

    Raises ValueError, with a sentence for a person, when that drive cannot be lost from the pool.
    """
    pool = where_borne(pool, view.survey.pools)
    if drive in pool.drives and drive not in losable(view, pool):
        raise ValueError(f"the drive {view.label_of(drive)} is out already")
    lives = lives_of(view, pool)
    label = {one: view.label_of(one) for one in lives}
    plan = plan_with(plan, view.ready, pool, now)
    return if_lost(as_scrubbed(view, pool), drive, lives, plan, now, label=label)


def message_window(exposure: Exposure) -> MessageWindow | None:
    """Give the window as a message says it."""
    if exposure.window is None:
        return None
    window = exposure.window
    ordered = sorted((window.earliest, window.likely, window.latest))
    return MessageWindow(earliest=ordered[0], likely=ordered[1], latest=ordered[2])


def message_loss(exposure: Exposure) -> LossChance | None:
    """Give the chance of loss as a message says it."""
    chance = exposure.chance
    if chance is None:
        return None
    return LossChance(
        likely=chance.likely, low=chance.low, high=chance.high, beyond=exposure.chance_beyond
    )


def best_choice(exposure: Exposure) -> str:
    """Give the safest choice in a sentence, "" when there is nothing to choose.

    A message has no room for two that are alike: it names the one that asks less.
    """
    ranking = exposure.ranking
    if ranking.too_close and ranking.best is not None:
        return f"{ranking.best.title}: nothing else is much safer, and it asks least of you."
    return ranking.reason
