"""From the findings of a survey to cases: where each belongs, what is cleared, what is over."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from watcher.cases.draft import Draft
from watcher.cases.hush import Heard, Sound, hear
from watcher.cases.observations import SurveyJudged
from watcher.cases.sounding import add_pending, sound
from watcher.cases.state import Book, Case, Held, NoticeKind, ToldOf
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import Subject, SubjectKind, about_pool

COMES_BACK_WITHIN = timedelta(hours=24)
"""A trouble that returns within a day of its all-clear is the same trouble. Our choice: a loose
cable shows itself several times a day; if too long, two unlike troubles share a case."""

_SETTLE_DOUBLINGS_MOST = 6
"""How often the settling time doubles for a case that keeps coming back: 10 min up to 10 h 40."""


def locus_of(finding: Finding) -> Subject:
    """Say where the trouble is: the endangered pool, or the subject that stands alone."""
    return about_pool(finding.pool) if finding.pool is not None else finding.subject


def _home(book: Book, finding: Finding) -> Case | None:
    """Find the case a finding belongs to: one that holds it, else the one at its place.

    An open case comes before one that was closed within the last day.
    """
    key, locus = finding.key, locus_of(finding)
    holding = [c for c in book.cases if any(h.finding.key == key for h in c.held)]
    placed = [c for c in book.cases if c.locus == locus]
    for group in (holding, placed):
        still = [case for case in group if case.is_open]
        if still:
            return still[0]
    closed = [case for case in (*holding, *placed) if not case.is_open]
    return max(closed, key=lambda case: case.number, default=None)


def _label(observation: SurveyJudged, finding: Finding) -> str:
    """Give what the owner calls the place of a case."""
    locus = locus_of(finding)
    if locus.kind is SubjectKind.POOL:
        seen = (p.name for p in observation.pools if p.pool == locus.key)
        return next(seen, finding.label if finding.subject == locus else locus.key)
    return finding.label


def _join(draft: Draft, observation: SurveyJudged, finding: Finding) -> None:
    """Bring one finding into the book."""
    now = draft.now
    fresh = Held(finding=finding, since=now, seen_at=now)
    case = _home(draft.book, finding)
    if case is None:
        number = draft.book.next_case
        case = Case(
            number=number,
            locus=locus_of(finding),
            label=_label(observation, finding),
            opened_at=now,
            held=(fresh,),
        )
        draft.book = replace(draft.book, next_case=number + 1)
        draft.put_case(case)
        draft.record(number, "opened", text=finding.sentence)
        return
    if not case.is_open:
        case = replace(
            case,
            closed_at=None,
            told_of=(),
            answer=None,
            climb=None,
            reopens=case.reopens + 1,
        )
        draft.record(case.number, "came-back", text=finding.sentence)
    held = []
    known = False
    for old in case.held:
        if old.finding.key != finding.key:
            held.append(old)
            continue
        known = True
        since = old.since if old.cleared_at is None else now
        held.append(replace(fresh, since=since))
    if not known:
        held.append(fresh)
        draft.record(case.number, "finding-joined", text=finding.sentence)
    draft.put_case(replace(case, held=tuple(held)))


def _clear(draft: Draft, observation: SurveyJudged) -> None:
    """Clear what the facts say holds no more; what was not seen stays."""
    now = draft.now
    standing = {finding.key for finding in observation.findings}
    for case in draft.book.cases:
        if not case.is_open:
            continue
        held = []
        for old in case.held:
            gone = (
                old.cleared_at is None
                and old.finding.key not in standing
                and old.finding.subject in observation.seen
            )
            held.append(replace(old, cleared_at=now) if gone else old)
            if gone:
                draft.record(case.number, "finding-cleared", text=old.finding.sentence)
        calm = all(h.cleared_at is not None for h in held)
        since = (case.calm_since or now) if calm else None
        draft.put_case(replace(case, held=tuple(held), calm_since=since))


def _close(draft: Draft) -> None:
    """Close cases that surveys have shown to be calm for long enough."""
    for case in draft.book.cases:
        if not case.is_open or case.calm_since is None:
            continue
        settle = draft.policy.settle * (1 << min(case.reopens, _SETTLE_DOUBLINGS_MOST))
        if draft.now - case.calm_since < settle:
            continue
        closed = replace(case, closed_at=draft.now, climb=None, answer=None, hushed=False)
        draft.put_case(closed)
        draft.record(case.number, "all-clear")
        if closed.told:
            add_pending(draft, closed, closed.told, NoticeKind.ALL_CLEAR, Urgency.NOTE)


def heard_of(draft: Draft, case: Case) -> tuple[Heard, ...]:
    """Answer for each standing finding of a case whether it sounds, most urgent first."""
    return tuple(hear(finding, draft.book, draft.now) for finding in case.standing)


def audible_of(heard: tuple[Heard, ...]) -> tuple[Finding, ...]:
    """Give the findings that people are to hear of; notes go into the digest only."""
    return tuple(h.finding for h in heard if h.is_audible and h.finding.urgency > Urgency.NOTE)


def _is_news(case: Case, finding: Finding) -> bool:
    """Tell whether people must hear of a finding beyond what they were told.

    What joins below what was told, and is not for today, waits for the next message.
    """
    before: ToldOf | None = next((t for t in case.told_of if t.key == finding.key), None)
    if before is not None:
        return finding.urgency > before.urgency or (
            finding.urgency == before.urgency and finding.level > before.level
        )
    told = case.told_urgency
    return told is None or finding.urgency >= Urgency.TODAY or finding.urgency >= told


def _kind_of(case: Case, heard: Heard) -> NoticeKind:
    """Choose the word for the news that a finding makes."""
    if heard.sound is Sound.BREAKS_SILENCE:
        return NoticeKind.SILENCE_BROKEN
    if heard.sound is Sound.UNEXPECTED:
        return NoticeKind.UNEXPECTED
    if case.hushed:
        return NoticeKind.SILENCE_ENDED
    return NoticeKind.WORSENED if case.told_of else NoticeKind.OPENED


def sound_the_news(draft: Draft) -> None:
    """Make every open case heard in which something is new, worse or no longer silent."""
    for number in [case.number for case in draft.book.cases if case.is_open]:
        case = draft.case(number)
        heard = heard_of(draft, case)
        audible = audible_of(heard)
        if not audible:
            if case.is_weighty:
                draft.put_case(replace(case, hushed=True, climb=None))
            continue
        news = [h for h in heard if h.finding in audible]
        if not case.hushed:
            news = [h for h in news if _is_news(case, h.finding)]
        if not news:
            continue
        top = min(news, key=lambda h: (h.sound is Sound.PLAIN, -h.finding.urgency.rank))
        kind = _kind_of(case, top)
        if case.answer is not None:
            draft.record(number, "answer-broken", by=case.answer.by, text=top.finding.sentence)
            case = draft.put_case(replace(case, answer=None))
        sound(draft, case, kind, audible, top.about)


def take_in(draft: Draft, observation: SurveyJudged) -> None:
    """Bring a survey's findings into the book."""
    draft.book = replace(draft.book, pools=observation.pools or draft.book.pools)
    for finding in observation.findings:
        _join(draft, observation, finding)
    _clear(draft, observation)
    draft.book = replace(draft.book, last_survey_at=draft.now)
    sound_the_news(draft)
    _close(draft)
