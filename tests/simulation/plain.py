"""Findings without the rules: a small and independent reading of a survey, for fast runs."""

from __future__ import annotations

from tests.simulation.world import Drive, TruePool, World
from watcher.cases.observations import SurveyJudged
from watcher.facts.drive import Metric
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import (
    DriveId,
    PoolId,
    Subject,
    about_drive,
    about_pool,
    about_source,
)
from watcher.facts.pool import PoolKind, Protection
from watcher.facts.pool_past import PoolPast
from watcher.facts.survey import Survey
from watcher.service.sight import observe

_MARGIN = {
    Protection.THINNED: ("margin-thinned", Urgency.TODAY),
    Protection.BARE: ("margin-gone", Urgency.NOW),
    Protection.BROKEN: ("pool-broken", Urgency.NOW),
}


def plain_observation(survey: Survey, world: World) -> SurveyJudged:
    """Judge a survey plainly; what the box is made of is taken from the world, as history would."""
    found: list[Finding] = []
    answered = set(survey.answered)

    def add(rule: str, subject: Subject, urgency: Urgency, label: str, **more: object) -> None:
        found.append(
            Finding(
                rule=rule,
                subject=subject,
                label=label,
                urgency=urgency,
                sentence=f"{label}: {rule}.",
                next_step="Look at it.",
                observed_at=survey.taken_at,
                **more,  # type: ignore[arg-type]
            )
        )

    for blind in survey.blind:
        add("cannot-see-source", about_source(blind.source), Urgency.THIS_WEEK, blind.source)
    for pool in survey.pools:
        if pool.protection in _MARGIN:
            rule, urgency = _MARGIN[pool.protection]
            out = sum(m.state.value != "good" for m in pool.members)
            name = f"pool {pool.name}"
            add(rule, about_pool(pool.pool), urgency, name, pool=pool.pool, level=out)
        if pool.work is not None:
            add(
                "rebuild-running",
                about_pool(pool.pool),
                Urgency.NOTE,
                f"pool {pool.name}",
                pool=pool.pool,
            )
    here = {pool.pool for pool in survey.pools}
    for true in world.pools.values():
        if true.id not in here and "md" in answered:
            add("pool-gone", about_pool(true.id), Urgency.NOW, f"pool {true.name}", pool=true.id)
    for reading in survey.drives:
        pending = reading.metric(Metric.PENDING_SECTORS)
        bay = int(reading.bay or 0)
        home = world.pool_of(bay).id
        subject = about_drive(reading.identity.drive)
        if pending:
            add("sectors-in-doubt", subject, Urgency.THIS_WEEK, f"bay {bay}", pool=home, level=1)
        if reading.verdict.value == "failing":
            add("drive-condemns-itself", subject, Urgency.TODAY, f"bay {bay}", pool=home, level=1)
    for unread in survey.unread:
        if unread.drive is not None:
            home = world.pool_of(int(unread.bay or 0)).id
            add(
                "cannot-see-drive",
                about_drive(unread.drive),
                Urgency.TODAY,
                f"bay {unread.bay}",
                pool=home,
            )
    if "drive-discovery" in answered:
        for drive, true in _expected(world):
            if drive.id not in survey.present:
                label = f"bay {drive.bay}"
                add("drive-gone", about_drive(drive.id), Urgency.TODAY, label, pool=true.id)
    return observe(survey, tuple(found), _past(survey, world), frozenset())


def _expected(world: World) -> list[tuple[Drive, TruePool]]:
    return [(drive, world.pool_of(drive.bay)) for drive in world.drives.values()]


def _past(survey: Survey, world: World) -> dict[PoolId, PoolPast]:
    """What history would know: which drives the seats of each pool were filled with."""
    return {
        pool.id: PoolPast(
            pool=pool.id,
            name=pool.name,
            kind=PoolKind.MD,
            first_seen=survey.taken_at,
            last_seen=survey.taken_at,
            drives=tuple(DriveId(f"A8_{seat.serial}") for seat in pool.seats),
        )
        for pool in world.pools.values()
    }
