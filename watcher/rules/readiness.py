"""Rules about how a box is prepared: the shelf, and whether anybody would come.

None of them is about something broken, so none is ever more urgent than this week. Each speaks
about the whole box, once, however many spares it means.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import Subject, SubjectKind
from watcher.facts.pool import Pool
from watcher.facts.readiness import PROOF_LASTS, Preparation, ProofState, ShelfSpare
from watcher.facts.units import say_bytes, say_count, say_day, say_span
from watcher.rules.pool import pool_finding, pools
from watcher.rules.tuning import Target, Threshold, Tuning
from watcher.rules.view import View

OURS: Final = "our choice"
PRACTICE: Final = "common practice, no source"

GRACE: Final = Threshold(
    name="days-of-watching",
    value=7,
    unit="days since the first look",
    source="our choice: a new box is not told on its first day what it lacks",
)


def box_finding(
    view: View,
    rule: str,
    *,
    urgency: Urgency,
    sentence: str,
    next_step: str,
    evidence: tuple[Evidence, ...] = (),
    level: int = 1,
) -> Finding:
    """Build a finding about the whole box."""
    return Finding(
        rule=rule,
        subject=Subject(kind=SubjectKind.BOX, key=view.survey.box),
        label=f"{view.survey.box}, readiness",
        urgency=urgency,
        sentence=sentence,
        next_step=next_step,
        observed_at=view.now,
        evidence=evidence,
        level=level,
    )


def is_new(view: View, ready: Preparation, tuning: Tuning, rule: str) -> bool:
    """Tell whether the box is too new to be told what it lacks."""
    limit = timedelta(days=GRACE.of(tuning, rule, Target(box=view.survey.box)))
    return ready.watched_since is None or view.now - ready.watched_since < limit


def guarded(view: View) -> tuple[Pool, ...]:
    """Give the pools that have redundancy to bring back."""
    return tuple(pool for pool in pools(view) if pool.full_margin)


def good_spares(ready: Preparation) -> tuple[ShelfSpare, ...]:
    """Give the spares that did not fail their burn-in, ordered ones too."""
    return tuple(spare for spare in ready.shelf if not spare.has_failed)


def shelf_empty(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find a box whose pools could lose a drive and that has nothing to put in its place."""
    ready, rule = view.ready, "shelf-empty"
    if ready is None or not ready.is_told or is_new(view, ready, tuning, rule):
        return
    hot = dict(ready.hot_spares)
    waiting = [pool for pool in guarded(view) if not hot.get(pool.pool)]
    if not waiting or good_spares(ready):
        return
    largest = max((m.capacity_bytes or 0 for pool in waiting for m in pool.members), default=0)
    names = ", ".join(pool.name for pool in waiting)
    size = f" of at least {say_bytes(largest)}" if largest else ""
    yield box_finding(
        view,
        rule,
        urgency=Urgency.NOTE,
        sentence=f"No spare drive is ready for {names}.",
        next_step=(
            f"Buy one drive{size}, at least as large as the largest member, prove it, and put it "
            "on the shelf: midwatch shelf add. If you keep one already, tell midwatch of it."
        ),
        evidence=tuple(
            Evidence(what=spare.label, value="did not pass its burn-in") for spare in ready.shelf
        ),
    )


def spare_too_small(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools for which there are spares on the shelf, and none that fits every member."""
    del tuning
    ready = view.ready
    if ready is None:
        return
    good = good_spares(ready)
    for pool in guarded(view):
        held = [fit for spare in good if (fit := ready.fit(spare, pool.pool)) is not None]
        if not held or any(fit.fits_all for fit in held) or dict(ready.hot_spares).get(pool.pool):
            continue
        best = min(held, key=lambda fit: len(fit.too_small_for) + len(fit.unknown_for))
        small = ", ".join(best.too_small_for)
        lacking = f"fits all of {pool.name}: none for {small}"
        if not small:
            unsure = ", ".join(best.unknown_for)
            lacking = f"is known to fit all of {pool.name}: the size of {unsure} is not known"
        yield pool_finding(
            view,
            "spare-too-small",
            pool,
            urgency=Urgency.NOTE,
            sentence=f"No spare on the shelf {lacking}.",
            next_step=(
                "Get a spare as large as the largest member and of the same kind; one that large "
                "fits everywhere."
            ),
            evidence=tuple(
                Evidence(what=f"spare {fit.spare}", value=reason)
                for fit in held
                for reason in (fit.problems or fit.cautions)
            ),
        )


_PROOF_WORDS: Final = {
    ProofState.UNPROVEN: "was never proven",
    ProofState.OUTDATED: "was proven too long ago",
    ProofState.FAILED: "did not pass its burn-in",
}


def spare_not_proven(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find spares that lie there and are not known to work."""
    del tuning
    ready = view.ready
    if ready is None:
        return
    states = [(s, s.proof_at(view.now)) for s in ready.shelf if not s.ordered]
    doubtful = [(spare, state) for spare, state in states if state is not ProofState.PROVEN]
    if not doubtful:
        return
    words = "; ".join(f"{spare.label}, {_PROOF_WORDS[state]}" for spare, state in doubtful)
    broken = any(state is ProofState.FAILED for _, state in doubtful)
    yield box_finding(
        view,
        "spare-not-proven",
        urgency=Urgency.THIS_WEEK if broken else Urgency.NOTE,
        sentence=f"Not a proven spare: {words}.",
        next_step=(
            "Return the one that failed and get another. Prove the rest: midwatch prove (it erases "
            "the drive)."
            if broken
            else "Prove it before it is needed: midwatch prove (it erases the drive)."
        ),
        evidence=tuple(
            Evidence(what=spare.label, value=spare.proof or _PROOF_WORDS[state])
            for spare, state in doubtful
        ),
        level=len(doubtful) + broken,
    )


WARRANTY_SOON: Final = Threshold(
    name="days-before",
    value=60,
    unit="days",
    source="our choice: time for a burn-in and an exchange",
)


def warranty_ends_soon(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find unproven spares whose warranty is about to end: a bad one can still be exchanged."""
    ready, rule = view.ready, "warranty-ends-soon"
    if ready is None:
        return
    span = timedelta(days=WARRANTY_SOON.of(tuning, rule, Target(box=view.survey.box)))
    today = view.now.date()
    ending = [
        spare
        for spare in ready.shelf
        if spare.warranty_until is not None
        and today <= spare.warranty_until <= today + span
        and spare.proof_at(view.now) is not ProofState.PROVEN
    ]
    if not ending:
        return
    yield box_finding(
        view,
        rule,
        urgency=Urgency.THIS_WEEK,
        sentence=f"The warranty of {say_count(len(ending), 'spare')} that nobody proved ends soon.",
        next_step="Prove it now, so that a bad one can still be exchanged.",
        evidence=tuple(Evidence(what=s.label, value=f"until {s.warranty_until}") for s in ending),
        level=len(ending),
    )


DRILL_EVERY: Final = Threshold(
    name="days",
    value=365,
    unit="days",
    source="our choice: within a year people, drives and addresses change",
)
DRILL_FIRST: Final = Threshold(
    name="days-to-the-first",
    value=60,
    unit="days since the first look",
    source="our choice: time to settle in first",
)


def drill_overdue(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find a box on which losing a drive was not rehearsed for a year, or never."""
    ready, rule = view.ready, "drill-overdue"
    if ready is None or not ready.is_told or not guarded(view):
        return
    target = Target(box=view.survey.box)
    last = max((d.begun_at for d in ready.drills if d.ended_at is not None), default=None)
    since = last or ready.watched_since
    span = (DRILL_EVERY if last else DRILL_FIRST).of(tuning, rule, target)
    if since is None or view.now - since < timedelta(days=span):
        return
    yield box_finding(
        view,
        rule,
        urgency=Urgency.NOTE,
        sentence=(
            f"The last rehearsal of a drive's loss was {say_span(view.now - last)} ago."
            if last
            else "The loss of a drive was never rehearsed here."
        ),
        next_step="Take an evening for one: midwatch drill. It touches no drive.",
        evidence=() if last is None else (_at("last rehearsal", last),),
    )


ANSWER_EVERY: Final = Threshold(
    name="days",
    value=365,
    unit="days",
    source="our choice: as long as a drill is good for",
)
ANSWER_FIRST: Final = Threshold(
    name="days-to-the-first",
    value=60,
    unit="days since the first look",
    source="our choice, as for the first drill",
)


def route_unproven(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find a box to whose messages no person has answered for a long time."""
    ready, rule = view.ready, "route-unproven"
    if ready is None:
        return
    target = Target(box=view.survey.box)
    if ready.reached_away is None:
        return
    if not ready.reached_away:
        if is_new(view, ready, tuning, rule):
            return
        yield box_finding(
            view,
            rule,
            urgency=Urgency.NOTE,
            sentence="No message leaves this machine: nobody is reached away from it.",
            next_step="Name a person and a way in the settings: midwatch config init.",
            level=2,
        )
        return
    since = ready.answered_at or ready.watched_since
    span = (ANSWER_EVERY if ready.answered_at else ANSWER_FIRST).of(tuning, rule, target)
    if since is None or view.now - since < timedelta(days=span):
        return
    yield box_finding(
        view,
        rule,
        urgency=Urgency.NOTE,
        sentence=(
            f"Nobody has answered a message for {say_span(view.now - since)}."
            if ready.answered_at
            else "Nobody has ever answered a message from this box."
        ),
        next_step="See that somebody would: midwatch drill tells how long it takes.",
        evidence=() if ready.answered_at is None else (_at("last answer", ready.answered_at),),
    )


def silence_unnoticed(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find a box of which nobody would hear if it stopped altogether."""
    ready, rule = view.ready, "silence-unnoticed"
    if ready is None or ready.beats is not False or is_new(view, ready, tuning, rule):
        return
    yield box_finding(
        view,
        rule,
        urgency=Urgency.NOTE,
        sentence="If this box stopped altogether, nothing outside it would notice.",
        next_step=(
            "Give an address that expects to be called (heartbeat in the settings), or let a hub "
            "watch this box."
        ),
    )


def _at(what: str, moment: datetime) -> Evidence:
    """Give a moment as evidence."""
    return Evidence(what=what, value=say_day(moment))


PROOF_DAYS: Final = f"{PROOF_LASTS.days} days: our choice, see facts/readiness.py"
