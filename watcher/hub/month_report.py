"""A client's month: how long the pools stood how, what happened, what was done, how prepared.

For the client, in plain words; gathered from what the hub wrote down. What was not seen is a part
of it like any other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.cases.effects import Record
from watcher.cases.state import Case
from watcher.facts.drive import Unread
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, PoolId
from watcher.facts.pool import Protection
from watcher.facts.survey import Survey
from watcher.facts.units import say_count, say_span
from watcher.hub.protection_time import Month, Spell, say_share, shares, spells
from watcher.hub.quiet import ROUNDS_MISSED, is_quiet
from watcher.recovery.record import Recovery
from watcher.service.card import Card, card_of
from watcher.service.card import Standing as Prepared
from watcher.service.desk import Standing, last_view
from watcher.store.floor import Gap
from watcher.store.hub import BoxState, EnrolledBox
from watcher.store.transaction import Transaction

WORTH_SAYING = 0.01
"""A box that was not watched for more than this share of the month is named at the top; our choice:
seven hours of thirty days."""

TELLING = {"acknowledged", "also-answered", "handed-over"}
"""Lines of a case by which somebody answered it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolMonth:
    """One pool through the month."""

    name: str
    spells: tuple[Spell, ...]
    shares: Mapping[Protection, float]
    first_seen: datetime
    built_bare: bool  # built with no margin: bare is how it always stands
    scrubbed_at: datetime | None  # end of the last scrub within the month


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseTold:
    """One case of the month, as the shop tells it."""

    number: int
    label: str
    sentence: str
    urgency: Urgency  # the highest that people were told
    opened_at: datetime
    closed_at: datetime | None
    answered_at: datetime | None
    answered_by: str
    left_open: bool = False  # the box was given back before it was over

    @property
    def lasted(self) -> str:
        """Say how long it lasted, or that it still does."""
        if self.closed_at is None:
            return "open when it was given back" if self.left_open else "still open"
        return f"over after {say_span(self.closed_at - self.opened_at)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Something that was done."""

    at: datetime
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxMonth:
    """One box through the month."""

    box: BoxId
    joined_at: datetime
    returned: bool
    returned_at: datetime | None  # None: it was not given back, or nobody wrote down when
    pools: tuple[PoolMonth, ...]
    cases: tuple[CaseTold, ...]
    noted: int  # things to know that called for nothing
    done: tuple[Work, ...]
    gaps: tuple[Gap, ...]  # when it was not watched
    unseen_share: float  # of the month
    away_share: float  # of the part of it since the box joined
    drives: int
    unread: tuple[str, ...]  # drives that told nothing when the box was looked at last
    card: Card | None  # how prepared it is, as of its last survey; None: given back, or not known
    seen_at: datetime | None  # of that survey


def lacks_of(card: Card) -> tuple[tuple[str, str, str, int], ...]:
    """Give what a box lacks, a line for each topic: topic, standing, sentence, how many more alike.

    What to do about it is for the shop; here stands what the client should know.
    """
    found: dict[str, list[tuple[str, str]]] = {}
    for line in card.lines:
        if line.standing is not Prepared.READY:
            word = "not known" if line.standing is Prepared.UNSEEN else "to do"
            found.setdefault(line.topic.value, []).append((word, line.sentence))
    return tuple(
        (topic, lines[0][0], lines[0][1], len(lines) - 1) for topic, lines in found.items()
    )


def given_back(box: BoxMonth, say: Callable[[datetime], str]) -> str:
    """Say that a box was given back and when, and that nothing is to be done for it any more."""
    if box.returned_at is not None:
        when = f"on {say(box.returned_at)}"
    elif box.seen_at is not None:
        when = f"; when is not written down, it was last heard of on {say(box.seen_at)}"
    else:
        when = "; when is not written down"
    joint = "" if when.startswith(";") else " "
    return (
        f"It was given back to its owner{joint}{when}. It is not watched any more, and nothing is "
        "to be done for it here."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A client's month."""

    client: str
    month: Month
    made_at: datetime
    boxes: tuple[BoxMonth, ...]

    @property
    def sentence(self) -> str:
        """Say the month in a sentence or two."""
        watched = [box for box in self.boxes if box.pools or box.seen_at is not None]
        if not watched:
            return "No box was watched."
        cases = [one for box in self.boxes for one in box.cases]
        still = sum(one.closed_at is None and not one.left_open for one in cases)
        what = say_count(len(cases), "case") if cases else "no case that was seen"
        told = f"{say_count(len(watched), 'box was', 'boxes were')} watched, with {what}"
        if still == len(cases) == 1:
            told += ", which is still open"
        elif still:
            told += f", of which {still} {'is' if still == 1 else 'are'} still open"
        lost = [p for box in self.boxes for p in box.pools if p.shares[Protection.BROKEN] > 0]
        if lost:
            told += f". Data was lost or out of reach in {', '.join(p.name for p in lost)}."
        else:
            told += ". No loss of data was seen."
        joined = [b for b in watched if b.joined_at > self.month.since]
        if joined:
            names = ", ".join(b.box for b in joined)
            told += f" {names} joined in the course of it; what was before is not known."
        away = [b for b in watched if b.away_share > WORTH_SAYING]
        if away:
            names = ", ".join(f"{b.box} {say_share(b.away_share)}" for b in away)
            them = "it" if len(away) == 1 else "they"
            since = f" since {them} joined" if any(b in joined for b in away) else ""
            told += f" What happened while a box was not watched is not known ({names} of the time"
            told += f"{since})."
        return told


def report_of(
    tx: Transaction,
    client: str,
    month: Month,
    now: datetime,
    *,
    standing_of: Callable[[EnrolledBox], Standing],
    may_see: Callable[[BoxId], bool] = lambda _: True,
) -> Report:
    """Gather a client's month, box by box; a box that joined later or was returned before is out.

    A box that was given back is in it as long as it was heard of in the month.
    """
    boxes = [b for b in tx.enrolled_boxes(client) if may_see(b.box) and b.joined_at < month.until]
    found = [box_month(tx, box, month, now, standing_of(box)) for box in boxes]
    kept = [b for b in found if not (b.returned and (b.seen_at is None or b.seen_at < month.since))]
    return Report(client=client, month=month, made_at=now, boxes=tuple(kept))


def box_month(
    tx: Transaction, box: EnrolledBox, month: Month, now: datetime, standing: Standing
) -> BoxMonth:
    """Gather the month of one box; what came after it was given back is no part of it."""
    seen = tx.box_seen(box.box)
    month = _watched_part(box, month)
    since, until = month.since, month.until
    view = last_view(tx, box.box, now, standing) if seen is not None else None
    last = seen.last_survey_at if seen is not None else None
    gaps = tx.gaps(box.box, since, until)
    holds_until = _holds_until(box, last, now)
    pasts = view.pool_past if view is not None else {}
    pools = []
    for past in pasts.values():
        if past.first_seen >= until or (not past.in_use and past.last_seen < since):
            continue
        gone = last is not None and past.last_seen < last
        changes = tx.pool_changes(box.box, past.pool, since, until)
        found = spells(
            changes,
            gaps,
            since=since,
            until=until,
            seen_until=past.last_seen if gone else holds_until,
        )
        scrub = past.scrubbed_at
        pools.append(
            PoolMonth(
                name=past.name,
                spells=found,
                shares=shares(found),
                first_seen=past.first_seen,
                built_bare=past.full_margin == 0,
                scrubbed_at=scrub if scrub is not None and since <= scrub < until else None,
            )
        )
    returned = box.state is BoxState.RETURNED
    cases = tx.cases_between(box.box, since, until)
    first = seen.first_seen if seen is not None else now
    return BoxMonth(
        box=box.box,
        joined_at=box.joined_at,
        returned=returned,
        returned_at=box.returned_at,
        pools=tuple(sorted(pools, key=lambda pool: pool.name)),
        cases=tuple(_told_case(tx, box, case) for case in cases if _weighed(case)),
        noted=sum(not _weighed(case) for case in cases),
        done=_done(tx, box.box, pasts, month),
        gaps=_unseen(gaps, first, holds_until, month),
        unseen_share=_unseen_share(gaps, first, holds_until, month),
        away_share=_unseen_share(gaps, first, holds_until, _since_joined(box, month)),
        drives=len(view.survey.present) if view is not None else 0,
        unread=_unread(view.survey) if view is not None else (),
        card=card_of(view, standing.tuning) if view is not None and not returned else None,
        seen_at=last,
    )


def _watched_part(box: EnrolledBox, month: Month) -> Month:
    """Give the part of the month until a box was given back, where that was written down."""
    end = box.returned_at
    if end is None or not month.since < end < month.until:
        return month
    return replace(month, until=end)


def _since_joined(box: EnrolledBox, month: Month) -> Month:
    """Give the part of the month since a box joined."""
    return replace(month, since=min(max(month.since, box.joined_at), month.until))


def _holds_until(box: EnrolledBox, last: datetime | None, now: datetime) -> datetime:
    """Give until when what was seen last may be taken to hold: now, while the box reports."""
    if last is None:
        return box.joined_at
    rhythm = ROUNDS_MISSED * timedelta(seconds=box.every_seconds)
    if box.state is BoxState.RETURNED or is_quiet(box, now, timedelta(0)) or now - last > rhythm:
        return min(last, now)
    return now


def _unseen(
    gaps: Sequence[Gap], first: datetime, holds_until: datetime, month: Month
) -> tuple[Gap, ...]:
    """Give when the box was not watched within the month, the time before it was known too."""
    found = list(gaps)
    if first > month.since:
        found.insert(0, Gap(begun_at=month.since, ended_at=min(first, month.until)))
    if holds_until < month.until:
        found.append(Gap(begun_at=max(holds_until, month.since), ended_at=month.until))
    return tuple(
        Gap(begun_at=max(gap.begun_at, month.since), ended_at=min(gap.ended_at, month.until))
        for gap in found
        if gap.begun_at < month.until and gap.ended_at > month.since
    )


def _unseen_share(
    gaps: Sequence[Gap], first: datetime, holds_until: datetime, month: Month
) -> float:
    lost, reached = timedelta(0), month.since
    for gap in sorted(_unseen(gaps, first, holds_until, month), key=lambda g: g.begun_at):
        begin = max(gap.begun_at, reached)
        if gap.ended_at > begin:
            lost += gap.ended_at - begin
            reached = gap.ended_at
    whole = month.until - month.since
    return lost / whole if whole else 0.0


def _weighed(case: Case) -> bool:
    """Tell whether a case was one that somebody had to act on, at any time."""
    if case.only_notes:
        return False
    return any(held.finding.urgency > Urgency.NOTE for held in case.held)


def _told_case(tx: Transaction, box: EnrolledBox, case: Case) -> CaseTold:
    answers = [line for line in tx.records(box.box, case.number) if line.what in TELLING]
    worst = max(
        case.held,
        key=lambda h: (h.finding.urgency.rank, h.finding.subject == case.locus, h.seen_at),
    ).finding
    return CaseTold(
        number=case.number,
        label=case.label.partition(" (")[0],
        sentence=worst.sentence,
        urgency=case.told_urgency or worst.urgency,
        opened_at=case.opened_at,
        closed_at=case.closed_at,
        answered_at=answers[0].at if answers else None,
        answered_by=answers[0].by if answers else "",
        left_open=box.state is BoxState.RETURNED and case.closed_at is None,
    )


_WORKS = {
    "work-announced": "Work was planned",
    "work-ended": "Planned work was done",
    "work-over": "The time of planned work was up",
    "box-spoke-alone": "The box alerted by itself",
}


def _done(tx: Transaction, box: BoxId, pools: Iterable[PoolId], month: Month) -> tuple[Work, ...]:
    """Give what was done: planned work, and recoveries that began or ended."""
    found = [
        Work(at=line.at, text=_say_work(line))
        for line in tx.records_between(box, month.since, month.until)
        if line.case == 0 and line.what in _WORKS
    ]
    for pool in pools:
        for recovery in tx.recoveries(box, pool):
            found += _steps(recovery, month)
    return tuple(sorted(found, key=lambda work: (work.at, work.text)))


def _say_work(line: Record) -> str:
    who = f", by {line.by}" if line.by else ""
    return f"{_WORKS[line.what]}{who}: {line.text}" if line.text else f"{_WORKS[line.what]}{who}"


def _steps(recovery: Recovery, month: Month) -> list[Work]:
    found = []
    for at, text in (
        (recovery.opened_at, f"{recovery.name}: the way back to full margin began"),
        (recovery.closed_at, f"{recovery.name}: {recovery.outcome}"),
    ):
        if at is not None and month.since <= at < month.until:
            found.append(Work(at=at, text=text))
    return found


def _unread(survey: Survey) -> tuple[str, ...]:
    """Name the drives that told nothing, but for those that were asleep."""
    return tuple(
        f"{one.model or 'a drive'} at {one.node}"
        for one in survey.unread
        if one.why is not Unread.ASLEEP
    )
