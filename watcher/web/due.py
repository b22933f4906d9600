"""What falls due on a box, and when: work, answers, scrubs, self-tests, drills, spares, wear."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import islice, takewhile

from watcher.cases.recurrence import all_after
from watcher.cases.state import Book, Maintenance
from watcher.facts.drive import Metric
from watcher.facts.pool import Protection, WorkKind
from watcher.facts.pool_past import last_scrub
from watcher.facts.readiness import ProofState
from watcher.facts.units import say_day
from watcher.rules.catalogue import CATALOGUE
from watcher.rules.drive import full_test_age, may_test
from watcher.rules.flash import spent_on
from watcher.rules.look import Look, looks
from watcher.rules.tuning import Target, Tuning
from watcher.rules.view import View
from watcher.web.prospect import Prospect

FARTHEST = timedelta(days=3 * 365)
"""What lies farther ahead is left out: a projection over years is no appointment. Our choice."""


AGAIN = 12
"""Dates of work that comes again, beside the next one. Our choice: a year of months, a quarter of
weeks, without filling a calendar to the brim with what comes daily."""

AGAIN_WITHIN = timedelta(days=366)
"""Repeated work is planned anew after a year (``Policy.longest_repeat``)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One thing that falls due."""

    key: str  # the same for the same thing, at any time
    kind: str  # kebab-case: "scrub", "self-test", "answer-ends", …
    at: datetime
    what: str  # one line
    more: str = ""
    ends: datetime | None = None  # of something that lasts
    series: str = ""  # the key of what comes again; "" when it comes once
    again: tuple[datetime, ...] = ()  # when it comes again: the next dates


def falls_due(
    book: Book, view: View | None, tuning: Tuning, prospects: tuple[Prospect, ...], now: datetime
) -> tuple[Due, ...]:
    """Give what falls due, soonest first; what is overdue comes with the moment it was due."""
    found = [*_said(book, now), *_windows(prospects)]
    if view is not None:
        found += [*_scrubs(view, tuning), *_drives(view, tuning), *_readiness(view, tuning)]
    kept = [due for due in found if due.at <= now + FARTHEST]
    return tuple(sorted(kept, key=lambda due: (due.at, due.key)))


def _said(book: Book, now: datetime) -> Iterator[Due]:
    """Give the ends of what people said."""
    for case in book.open_cases:
        if case.answer is not None:
            yield Due(
                key=f"answer-{case.number}-{case.answer.at:%Y%m%dT%H%M%S}",
                kind="answer-ends",
                at=case.answer.until,
                what=f"{case.answer.by}'s answer to case {case.number} ends",
                more=f"{case.label}: {case.says}",
            )
    for silence in book.silences:
        if silence.until > now:
            yield Due(
                key=f"silence-{silence.number}",
                kind="silence-ends",
                at=silence.until,
                what=f"A silence of {silence.by} ends",
                more=silence.reason,
            )
    yield from (_work(work) for work in book.works if not work.over)


def _work(work: Maintenance) -> Due:
    """Give planned work, and when it comes again."""
    first = work.first or work.begins
    again: Iterator[datetime] = iter(())
    if work.repeat:
        later = all_after(work.repeat, first, work.zone, work.begins)
        again = takewhile(lambda at: at - first <= AGAIN_WITHIN, later)
    return Due(
        key=f"work-{work.number}",
        kind="planned-work",
        at=work.begins,
        ends=work.ends,
        what=f"Planned work on {work.pool_name or 'any pool'}",
        more=f"{work.by}: {work.reason}",
        series=f"works-{first:%Y%m%dT%H%M%S}-{work.by}" if work.repeat else "",
        again=tuple(islice(again, AGAIN)),
    )


def _windows(prospects: tuple[Prospect, ...]) -> Iterator[Due]:
    """Give when pools are likely whole again."""
    for one in prospects:
        if one.likely is not None and one.latest is not None:
            yield Due(
                key=f"whole-{one.exposure.pool}",
                kind="margin-back",
                at=one.likely,
                what=f"{one.exposure.name} likely has its full margin back",
                more=one.exposure.sentence,
            )


def _days(rule: str, threshold: str, tuning: Tuning, target: Target) -> timedelta:
    found = CATALOGUE[rule].threshold(threshold)
    return timedelta(days=found.of(tuning, rule, target))


def _scrubs(view: View, tuning: Tuning) -> Iterator[Due]:
    """Give when each pool should be scrubbed again."""
    busy = {WorkKind.SCRUB, WorkKind.REPAIR}
    for pool in view.survey.pools:
        if pool.protection is not Protection.WHOLE or not pool.offers_check:
            continue
        if pool.work is not None and pool.work.kind in busy:
            continue
        past = view.pool_past.get(pool.pool)
        known = last_scrub(pool, past)
        last = known or (past.first_seen if past else None)
        if last is None:
            continue
        every = _days("scrub-overdue", "days", tuning, view.target_of_pool(pool.pool))
        said = f"last one {say_day(last)}" if known else "none was seen yet"
        yield Due(
            key=f"scrub-{pool.pool}-{last:%Y%m%d}",
            kind="scrub",
            at=last + every,
            what=f"Scrub {pool.name}",
            more=f"Every {every.days} days; {said}.",
        )


def _drives(view: View, tuning: Tuning) -> Iterator[Due]:
    """Give the next full self-test of each drive, and when its flash is likely spent."""
    for look in looks(view, tuning):
        yield from _self_test(look)
        spent = spent_on(look)
        if spent is not None:
            yield Due(
                key=f"wear-{look.reading.identity.drive}",
                kind="wear",
                at=spent,
                what=f"{look.label}: rated writes used up at the present pace",
                more="A projection from how the wear figure rose; plan a replacement before.",
            )


def _self_test(look: Look) -> Iterator[Due]:
    hours = look.reading.metric(Metric.POWER_ON_HOURS)
    age = full_test_age(look, hours) if hours is not None and may_test(look) else None
    if hours is None or age is None:
        return  # that there was none is the rule's to say; there is no moment it was due
    rule = CATALOGUE["self-test-overdue"]
    every = look.limit(rule.name, rule.threshold("power-on-hours"))
    at = look.reading.observed_at + timedelta(hours=every - age)
    yield Due(
        key=f"self-test-{look.reading.identity.drive}-{hours - age}",
        kind="self-test",
        at=at.replace(minute=0, second=0, microsecond=0),
        what=f"Full self-test of {look.label}",
        more="If it runs all the time; the drive counts the hours it runs.",
    )


def _readiness(view: View, tuning: Tuning) -> Iterator[Due]:
    """Give drills, spares whose proof runs out, warranties and ordered drives."""
    ready = view.ready
    if ready is None:
        return
    drills = [drill.begun_at for drill in ready.drills or ()]
    if drills:
        every = _days("drill-overdue", "days", tuning, Target(box=view.survey.box))
        last = max(drills)
        yield Due(
            key=f"drill-{last:%Y%m%d}",
            kind="drill",
            at=last + every,
            what="Rehearse the loss of a drive",
            more=f"The last drill was on {say_day(last)}.",
        )
    for spare in ready.shelf or ():
        if spare.ordered and spare.arrives_at is not None:
            yield Due(
                key=f"arrives-{spare.number}",
                kind="spare-arrives",
                at=spare.arrives_at,
                what=f"{spare.label} arrives",
            )
        elif spare.proof_at(view.now) is ProofState.UNPROVEN:
            yield Due(
                key=f"prove-{spare.number}",
                kind="prove-spare",
                at=spare.added_at,
                what=f"Prove {spare.label}",
                more="A burn-in finds most drives that are weak from new; it erases the drive.",
            )
        elif spare.prove_by is not None:
            yield Due(
                key=f"prove-{spare.number}",
                kind="prove-spare",
                at=spare.prove_by,
                what=f"Prove {spare.label} again",
                more="A burn-in counts for two years; it erases the drive.",
            )
