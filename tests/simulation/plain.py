"""Findings without the rules: a small and independent reading of a survey, for fast runs."""

from __future__ import annotations

from collections.abc import Iterator

from tests.simulation.world import Drive, TruePool, World
from watcher.cases.observations import SurveyJudged
from watcher.facts.drive import Metric, Verdict
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
    """Judge a survey plainly; what the box is made of comes from the world, as from history."""
    found = (*_of_sources(survey), *_of_pools(survey, world), *_of_drives(survey, world))
    return observe(survey, found, _past(survey, world), frozenset())


def _made(
    survey: Survey, rule: str, subject: Subject, urgency: Urgency, label: str, **more: object
) -> Finding:
    return Finding(
        rule=rule,
        subject=subject,
        label=label,
        urgency=urgency,
        sentence=f"{label}: {rule}.",
        next_step="Look at it.",
        observed_at=survey.taken_at,
        **more,  # type: ignore[arg-type]
    )


def _of_sources(survey: Survey) -> Iterator[Finding]:
    for blind in survey.blind:
        subject = about_source(blind.source)
        yield _made(survey, "cannot-see-source", subject, Urgency.THIS_WEEK, blind.source)


def _of_pools(survey: Survey, world: World) -> Iterator[Finding]:
    for pool in survey.pools:
        subject, name = about_pool(pool.pool), f"pool {pool.name}"
        if pool.protection in _MARGIN:
            rule, urgency = _MARGIN[pool.protection]
            out = sum(m.state.value != "good" for m in pool.members)
            yield _made(survey, rule, subject, urgency, name, pool=pool.pool, level=out)
        if pool.work is not None:
            yield _made(survey, "rebuild-running", subject, Urgency.NOTE, name, pool=pool.pool)
    here = {pool.pool for pool in survey.pools}
    for true in world.pools.values():
        if true.id not in here and "md" in survey.answered:
            name = f"pool {true.name}"
            yield _made(survey, "pool-gone", about_pool(true.id), Urgency.NOW, name, pool=true.id)


def _of_drives(survey: Survey, world: World) -> Iterator[Finding]:
    for reading in survey.drives:
        bay = int(reading.bay or 0)
        subject, home = about_drive(reading.identity.drive), world.pool_of(bay).id
        told = {"label": f"bay {bay}", "pool": home, "level": 1}
        if reading.metric(Metric.PENDING_SECTORS):
            yield _made(survey, "sectors-in-doubt", subject, Urgency.THIS_WEEK, **told)  # type: ignore[arg-type]
        if reading.verdict is Verdict.FAILING:
            yield _made(survey, "drive-condemns-itself", subject, Urgency.TODAY, **told)  # type: ignore[arg-type]
    for unread in survey.unread:
        if unread.drive is not None:
            subject, home = about_drive(unread.drive), world.pool_of(int(unread.bay or 0)).id
            label = f"bay {unread.bay}"
            yield _made(survey, "cannot-see-drive", subject, Urgency.TODAY, label, pool=home)
    if "drive-discovery" in survey.answered:
        for drive, true in _expected(world):
            if drive.id not in survey.present:
                subject, label = about_drive(drive.id), f"bay {drive.bay}"
                yield _made(survey, "drive-gone", subject, Urgency.TODAY, label, pool=true.id)


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
