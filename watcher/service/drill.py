"""Begins, follows and ends a rehearsal: through the real case book and the real outbox."""

from __future__ import annotations

import shlex
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from watcher.cases.observations import SurveyJudged
from watcher.cases.state import Case
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, SubjectKind
from watcher.facts.pool import Pool, Protection
from watcher.facts.readiness import DRILL_MARK, DrillDone, Preparation
from watcher.facts.units import capital
from watcher.recovery.drill import Rehearsal, finding_of, page_of, subject_of, what_went_wrong
from watcher.rules.catalogue import judge
from watcher.rules.view import View
from watcher.service.desk import Desk, last_view
from watcher.service.prospects import exposure_if_lost
from watcher.store.transaction import Transaction

QUIET_AFTER: Final = timedelta(minutes=45)
"""When the last survey is older than this, and than two of the settings' rhythm, the watch does not
run. Our choice: the longest usual rhythm, with room."""

_COPY_RULES: Final = frozenset({"copy-missing", "copy-stale", "copy-unseen", "restore-never-tried"})


class NoDrill(Exception):
    """A drill cannot begin; the sentence says why."""


def find_member(view: View, pool: Pool, text: str) -> DriveId | None:
    """Find a member's drive by what a person types, as the pool itself knows it; None: not there.

    The bay, the id, the serial number, the node, or the member's own name.
    """
    wanted = text.strip().casefold()
    short = wanted.removeprefix("bay").strip()
    for member in pool.in_tree:
        if len(member.drives) != 1:
            continue
        drive = member.drives[0]
        who = view.identity_of(drive)
        node = (member.node or "").casefold()
        names = {drive.casefold(), member.name.casefold(), node, node.removeprefix("/dev/")}
        names |= {(who.serial if who is not None else "").casefold()}
        names |= {(view.node_of(drive) or "").casefold()}
        bay = (view.bay_of(drive) or "").casefold().removeprefix("bay").strip()
        if wanted in names - {""} or (bay and bay == short):
            return drive
    return None


def rehearse(view: View, desk: Desk, pool: Pool, drive: DriveId, now: datetime) -> Rehearsal:
    """Put the rehearsal together from the real inventory. Raises NoDrill."""
    standing = desk.standing
    try:
        exposure = exposure_if_lost(view, pool, drive, standing.plan, now)
    except ValueError as error:
        raise NoDrill(f"{capital(str(error))}.") from error
    found = judge(view, standing.tuning)
    members = pool.drives - {drive}
    return Rehearsal(
        pool=pool,
        member=view.label_of(drive),
        has_bay=view.bay_of(drive) is not None,
        exposure=exposure,
        ready=view.ready or Preparation(),
        others=tuple(f for f in found if _is_sign(f, members)),
        pool_notes=tuple(f for f in found if _bears_on(f, pool)),
    )


def _is_sign(finding: Finding, members: frozenset[DriveId]) -> bool:
    """Tell whether a finding is a sign of another member."""
    about = finding.subject
    return (
        about.kind is SubjectKind.DRIVE
        and DriveId(about.key) in members
        and finding.urgency > Urgency.NOTE
    )


def _bears_on(finding: Finding, pool: Pool) -> bool:
    """Tell whether a finding would matter while the pool is exposed."""
    of_pool = finding.subject.kind is SubjectKind.POOL and finding.subject.key == pool.pool
    return finding.rule in _COPY_RULES or (of_pool and finding.rule == "scrub-overdue")


def refuse(
    tx: Transaction, desk: Desk, view: View, pool: Pool, now: datetime, *, every: timedelta
) -> None:
    """Raise NoDrill when something real is going on, or when nobody would hear of it."""
    box = desk.standing.box
    going_on = [d for d in tx.drills(box) if d.ended_at is None]
    if going_on:
        raise NoDrill(f"A drill on {going_on[0].pool_name} is going on: midwatch drill --end.")
    if now - view.survey.taken_at > max(QUIET_AFTER, 2 * every):
        raise NoDrill(
            f"The last look at this box was at {view.survey.taken_at:%Y-%m-%d %H:%M} UTC: the "
            "watch does not run, so no message would leave. Start it first."
        )
    if pool.protection is not Protection.WHOLE:
        raise NoDrill(
            f"The pool {pool.name} is not whole: this is no time to rehearse. "
            f"midwatch recovery {shlex.quote(pool.name)} says what to do."
        )
    real = [
        case
        for case in tx.load_book(box).open_cases
        if case.urgency >= Urgency.TODAY
        and any(f.pool == pool.pool or pool.drives & set(f.drives) for f in case.standing)
    ]
    if real:
        raise NoDrill(f"Case {real[0].number} ({real[0].label}) is real and comes first.")


def begin(
    desk: Desk,
    rehearsal: Rehearsal,
    view: View,
    by: str,
    now: datetime,
    *,
    every: timedelta = timedelta(0),
) -> tuple[DrillDone, int]:
    """Begin a drill: open its case and tell the first rung. Gives it with its case's number.

    ``every`` is how often the box is looked at. Raises NoDrill when something real is going on, or
    when nobody would hear of it.
    """
    box = desk.standing.box
    with desk.store.transaction() as tx:
        refuse(tx, desk, view, rehearsal.pool, now, every=every)
        drill = DrillDone(
            number=tx.next_drill(box),
            pool=rehearsal.pool.pool,
            pool_name=rehearsal.pool.name,
            member=rehearsal.member,
            by=by,
            begun_at=now,
        )
        tx.save_drill(box, drill)
        finding = finding_of(drill.number, rehearsal, now)
        desk.hear_within(tx, _said(tx, desk, (finding,), now), now)
        case = case_of(tx, desk, drill)
    if case is None:
        raise RuntimeError("a drill opened no case")
    return drill, case.number


def _said(
    tx: Transaction, desk: Desk, findings: tuple[Finding, ...], now: datetime, drill: int = 0
) -> SurveyJudged:
    """Make the observation of a drill: it looked at nothing real, so no look's time moves."""
    newest = tx.load_book(desk.standing.box).last_survey_at
    return SurveyJudged(
        findings=findings,
        seen=frozenset({subject_of(drill)}) if drill else frozenset(),
        taken_at=newest or now,
    )


def case_of(tx: Transaction, desk: Desk, drill: DrillDone) -> Case | None:
    """Give the case of a drill, from the book or the archive."""
    subject = subject_of(drill.number)
    for case in tx.list_cases(desk.standing.box, limit=500):
        if case.locus == subject:
            return case
    return None


def answered(tx: Transaction, desk: Desk, drill: DrillDone) -> DrillDone:
    """Give a drill with the first answer that somebody gave to its case, if any."""
    case = case_of(tx, desk, drill)
    if case is None or not case.answers:
        return drill
    first = min(case.answers, key=lambda answer: answer.at)
    return replace(drill, answered_at=first.at, answered_by=first.by)


def end(desk: Desk, drill: DrillDone, now: datetime) -> DrillDone:
    """End a drill: clear its case, and write down what would have gone wrong.

    When what was rehearsed is not there any more, its page says only that.
    """
    box = desk.standing.box
    with desk.store.transaction() as tx:
        view = last_view(tx, box, now, desk.standing)
        drill = answered(tx, desk, drill)
        case = case_of(tx, desk, drill)
        sent = [n for n in tx.list_notices(box, limit=500) if n.created_at >= drill.begun_at]
        arrived = any(n.sent_at is not None for n in sent if DRILL_MARK in n.title + n.body)
        rehearsal = _again(view, desk, drill, now)
        in_use = {target.key for target in desk.standing.targets}
        ways = tuple(
            record.target
            for record in tx.target_records(now)
            if record.failing_since is not None and record.target in in_use
        )
        if case is not None and case.is_open:
            desk.hear_within(tx, _said(tx, desk, (), now, drill.number), now)
        if rehearsal is None:
            done = replace(drill, ended_at=now, page="What was rehearsed is not there any more.\n")
        else:
            told = arrived or drill.answered_at is not None
            wrong = what_went_wrong(rehearsal, drill, now, failing_ways=ways, told=told)
            done = replace(drill, ended_at=now, went_wrong=wrong)
            done = replace(done, page=page_of(rehearsal, done, now, desk.standing.plan.zone))
        tx.save_drill(box, done)
    return done


def _again(view: View | None, desk: Desk, drill: DrillDone, now: datetime) -> Rehearsal | None:
    """Put the rehearsal together again as things stand at its end; None when they are gone."""
    if view is None:
        return None
    pool = next((p for p in view.survey.pools if p.pool == drill.pool), None)
    if pool is None:
        return None
    for drive in sorted(pool.drives):
        if view.label_of(drive) == drill.member:
            try:
                return rehearse(view, desk, pool, drive, now)
            except NoDrill:
                return None
    return None
