"""What a survey really showed: the subjects that were seen, and what that disproves.

Only what was seen can clear a finding. This module is pure: it turns a survey and what is known
of the past into the observation that the case side is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from watcher.cases.observations import SurveyJudged
from watcher.cases.state import PoolSeen, Stands
from watcher.facts.drive import DrivePast, Unread
from watcher.facts.finding import Finding
from watcher.facts.identity import (
    DriveId,
    PoolId,
    Subject,
    SubjectKind,
    about_drive,
    about_pool,
    about_source,
)
from watcher.facts.pool import MemberState, Pool, Protection
from watcher.facts.pool_past import PoolPast
from watcher.facts.survey import READER, RIGHTS, Blindness, Survey
from watcher.readers.drive_target import behind_controller
from watcher.rules.kernel import FROM_THE_LOG
from watcher.rules.view import say_bay

KERNEL_LOG = "kernel-log"

DISCOVERY = "drive-discovery"
"""The source that lists the drives; only when it answered can a drive be missed."""

_ABOUT_PLACES = frozenset({"cannot-see-drive", "drive-never-answers-smart"})
"""Rules that speak of a place while nobody knows which drive is there."""


def subjects_seen(survey: Survey) -> frozenset[Subject]:
    """Name all that this survey could look at.

    A drive is seen when it gave a reading, a pool when its protection could be told, a source
    when it answered in full; the box itself always. A drive that gives a reading also clears what
    was said of its place while nobody knew which drive was there.
    """
    drives = {about_drive(reading.identity.drive) for reading in survey.drives}
    pools = {
        about_pool(pool.pool) for pool in survey.pools if pool.protection is not Protection.UNKNOWN
    }
    places = {_place(r.node, r.device_type) for r in survey.drives}
    sources = {about_source(source) for source in places.union(survey.answered)}
    if not survey.forbidden and READER not in {spot.source for spot in survey.blind}:
        sources.add(about_source(RIGHTS))
    box = Subject(kind=SubjectKind.BOX, key=survey.box)
    return frozenset({*drives, *pools, *sources, box})


def _place(node: str, device_type: str) -> str:
    """Name a place as findings about a drive of unknown identity do."""
    return f"{node} {device_type}".strip()


def places_left(survey: Survey, findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Give the findings about places where a complete look found no drive of that kind any more.

    That is about drives of which only the path was ever known: once it is gone nothing can be
    read there that would clear them. A node that is listed by another device type is there
    still; but behind a controller each type is a drive of its own.
    """
    if DISCOVERY not in survey.answered:
        return ()
    listed = {(r.node, r.device_type) for r in survey.drives}
    listed |= {(u.node, u.device_type) for u in survey.unread}
    there = {_place(*one) for one in listed}
    nodes = {node for node, kind in listed if not behind_controller(kind)}

    def is_listed(place: str) -> bool:
        node, _, kind = place.partition(" ")
        return place in there or (node in nodes and not behind_controller(kind))

    return tuple(
        f
        for f in findings
        if f.subject.kind is SubjectKind.SOURCE
        and f.rule in _ABOUT_PLACES
        and not is_listed(f.subject.key)
    )


def disproved(survey: Survey) -> frozenset[str]:
    """Name findings that this survey disproves although it did not see their subject in full.

    A drive that is there again is not gone, even while it cannot be read. What may not be asked is
    no trouble of each drive and source where the look as a whole lacks rights. What the kernel log
    alone says of a drive that gives no reading is over when the log was read and says it no more.
    """
    over = {f"drive-gone/{about_drive(drive)}" for drive in survey.present}
    for spot in survey.forbidden:  # said once for all of them
        if isinstance(spot, Blindness):
            over.add(f"cannot-see-source/{spot.subject or about_source(spot.source)}")
        else:
            place = about_source(_place(spot.node, spot.device_type))
            over.add(f"cannot-see-drive/{about_drive(spot.drive) if spot.drive else place}")
    if KERNEL_LOG in survey.answered:
        silent = {u.drive for u in survey.unread if u.why is Unread.NO_SMART and u.drive}
        over |= {f"{rule}/{about_drive(drive)}" for rule in FROM_THE_LOG for drive in silent}
    return frozenset(over)


def pool_seen(
    pool: Pool, past: PoolPast | None, labels: Mapping[DriveId, str] | None = None
) -> PoolSeen:
    """Say how a pool stands for those who compare: which members do not stand, and their drives.

    A member whose device is gone names no drive any more; the drives the pool rested on before
    and does not rest on now stand for it. ``labels`` are what the owner calls the drives.
    """
    out = [member for member in pool.in_tree if member.state is not MemberState.GOOD]
    filled = MemberState.REBUILDING  # its drive is there: it is the place that is not whole yet
    named = {drive for member in out if member.state is not filled for drive in member.drives}
    good = {d for m in pool.in_tree if m.state is MemberState.GOOD for d in m.drives}
    if past is not None:
        named |= {*past.drives, *past.lost} - set(pool.drives)
    return PoolSeen(
        pool=pool.pool,
        name=pool.name,
        protection=pool.protection,
        lost=len(out),
        lost_drives=tuple(sorted(named - good)),
        stands=tuple(Stands(drive=d, label=(labels or {}).get(d, d)) for d in sorted(good)),
        margin=pool.margin,
        full_margin=pool.full_margin,
    )


def labels_of(survey: Survey) -> dict[DriveId, str]:
    """Say shortly what the owner calls each drive that was read: ``bay 3 (X1)``."""
    found = {}
    for reading in survey.drives:
        who = reading.identity
        place = say_bay(reading.bay) if reading.bay else who.model
        found[who.drive] = f"{place} ({who.serial})"
    return found


def replaced_drives(
    survey: Survey,
    past: Mapping[DriveId, DrivePast],
    pool_past: Mapping[PoolId, PoolPast],
    replaced_in: Callable[[DriveId], PoolId | None] = lambda _: None,
) -> frozenset[DriveId]:
    """Name drives that left the box and whose pools are whole without them.

    They are not expected any more: what they were a part of is proven complete again. A drive
    whose pool cannot be seen stays expected, and so does one that was in no pool. One that stayed
    in the box after its pool had another in its place is in no pool any more; ``replaced_in`` says
    which pool that was.
    """
    if DISCOVERY not in survey.answered:
        return frozenset()
    whole = {pool.pool: pool for pool in survey.pools if pool.protection is Protection.WHOLE}
    left = {d for d, was in past.items() if was.in_use and d not in survey.present}
    done = set()
    for drive in left:
        homes = {p for p, was in pool_past.items() if drive in was.drives or drive in was.lost}
        if not homes and (home := replaced_in(drive)) is not None:
            homes = {home}
        if homes and all(home in whole and drive not in whole[home].drives for home in homes):
            done.add(drive)
    return frozenset(done)


def given_up(
    survey: Survey, past: Mapping[DriveId, DrivePast], pool_past: Mapping[PoolId, PoolPast]
) -> frozenset[Subject]:
    """Name what the owner does not expect any more and is not there: it is as it should be."""
    here = {pool.pool for pool in survey.pools}
    drives = {
        about_drive(d) for d, was in past.items() if not was.in_use and d not in survey.present
    }
    pools = {about_pool(p) for p, was in pool_past.items() if not was.in_use and p not in here}
    return frozenset({*drives, *pools})


def still_news(findings: tuple[Finding, ...], newest: Survey) -> tuple[Finding, ...]:
    """Give the findings of a survey that came late and that the newest one could not see.

    What the newest survey saw it has judged already, and better.
    """
    seen = subjects_seen(newest)
    drives = DISCOVERY in newest.answered
    return tuple(
        f
        for f in findings
        if f.subject not in seen and not (drives and f.subject.kind is SubjectKind.DRIVE)
    )


def observe(
    survey: Survey,
    findings: tuple[Finding, ...],
    pool_past: Mapping[PoolId, PoolPast],
    retired: frozenset[DriveId],
    works: frozenset[str] = frozenset(),
    given: frozenset[Subject] = frozenset(),
    *,
    standing: Iterable[Finding] = (),
) -> SurveyJudged:
    """Make the observation of a judged survey.

    ``works`` names sources known to work besides, ``given`` what is not expected any more,
    ``standing`` what was found before and holds until something clears it.
    """
    labels = labels_of(survey)
    here = {pool.pool for pool in survey.pools}
    hidden = ((p, was.name) for p, was in pool_past.items() if p not in here and was.in_use)
    return SurveyJudged(
        findings=findings,
        seen=subjects_seen(survey)
        | {about_drive(drive) for drive in retired}
        | {about_source(source) for source in works}
        | given,
        disproved=disproved(survey) | {f.key for f in places_left(survey, standing)},
        pools=tuple(pool_seen(pool, pool_past.get(pool.pool), labels) for pool in survey.pools),
        hidden=tuple(sorted(hidden)),
        taken_at=survey.taken_at,
    )
