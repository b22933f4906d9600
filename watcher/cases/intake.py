"""From the findings of a survey to cases: where each belongs, what is cleared, what is over."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from watcher.cases.draft import Draft
from watcher.cases.news import fade, sound_the_news
from watcher.cases.observations import SurveyJudged
from watcher.cases.sounding import add_pending
from watcher.cases.state import Case, Held, NoticeKind, unseen
from watcher.cases.works import note_for_works
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


class _Places:
    """Where cases are, by the findings they hold and by their place."""

    def __init__(self, draft: Draft) -> None:
        """Index the cases as they stand."""
        self._by_key: dict[str, list[int]] = {}
        self._by_locus: dict[Subject, list[int]] = {}
        for case in draft.cases.values():
            self.add(case)

    def add(self, case: Case) -> None:
        """Index a case, again when it got more findings."""
        for held in case.held:
            numbers = self._by_key.setdefault(held.finding.key, [])
            if case.number not in numbers:
                numbers.append(case.number)
        places = self._by_locus.setdefault(case.locus, [])
        if case.number not in places:
            places.append(case.number)

    def holding(self, draft: Draft, key: str) -> list[Case]:
        """Give the cases that hold or held a finding."""
        return [draft.case(number) for number in self._by_key.get(key, ())]

    def home(self, draft: Draft, finding: Finding) -> Case | None:
        """Find the case a finding belongs to: one that holds it, else the one at its place.

        Notes and what must be acted on have cases of their own, so that a note never holds up an
        all-clear. A finding that must be acted on goes to an open case before one that was closed
        within the last day; a note never opens a closed case again.
        """
        notes = finding.urgency is Urgency.NOTE
        holding = self.holding(draft, finding.key)
        placed = [draft.case(n) for n in self._by_locus.get(locus_of(finding), ())]
        if notes:  # what has sunk to a note stays in the case that was opened for it
            fitting = [c for c in holding if c.is_open and (c.only_notes or c.holds(finding.key))]
            fitting = fitting or [c for c in placed if c.is_open and c.only_notes]
            return min(fitting, key=lambda case: case.number, default=None)
        for group in (holding, placed):
            still = [case for case in group if case.is_open and not case.only_notes]
            if still:
                return min(still, key=lambda case: case.number)
        closed = [c for c in (*holding, *placed) if not c.is_open and not c.only_notes]
        return max(closed, key=lambda case: case.number, default=None)


def _label(observation: SurveyJudged, finding: Finding) -> str:
    """Give what the owner calls the place of a case."""
    locus = locus_of(finding)
    if locus.kind is SubjectKind.POOL:
        seen = [(p.pool, p.name) for p in observation.pools]
        names = (name for pool, name in (*seen, *observation.hidden) if pool == locus.key)
        return next(names, finding.label if finding.subject == locus else locus.key)
    return finding.label


def _said(case: Case, finding: Finding) -> str:
    """Give a finding's sentence for the record, with what it is about where that is not plain."""
    about = finding.label
    if about in (case.label, "") or about.partition(" (")[0] in finding.sentence:
        return finding.sentence
    return f"{about}: {finding.sentence}"


def _is_known(draft: Draft, finding: Finding) -> bool:
    """Tell whether a case of the book holds or held this finding."""
    return any(
        held.finding.key == finding.key for case in draft.cases.values() for held in case.held
    )


def _join(draft: Draft, observation: SurveyJudged, finding: Finding, places: _Places) -> None:
    """Bring one finding into the book; it stands in one case only."""
    now = draft.now
    fresh = Held(finding=finding, since=now, seen_at=now)
    case = places.home(draft, finding)
    _take_from_others(draft, finding.key, case, places)
    if case is None:
        number = draft.book.next_case
        case = Case(
            number=number,
            locus=locus_of(finding),
            label=_label(observation, finding),
            opened_at=now,
            held=(fresh,),
            only_notes=finding.urgency is Urgency.NOTE,
        )
        draft.book = replace(draft.book, next_case=number + 1)
        places.add(draft.put_case(case))
        draft.record(number, "opened", text=_said(draft.case(number), finding))
        return
    if not case.is_open:
        case = replace(
            case,
            closed_at=None,
            told_of=(),
            answer=None,
            climb=None,
            grows_at=None,
            reopens=case.reopens + 1,
        )
        draft.record(case.number, "came-back", text=_said(case, finding))
    held = []
    known = False
    for old in case.held:
        if old.finding.key != finding.key:
            held.append(old)
            continue
        known = True
        since = old.since if old.cleared_at is None else now
        held.append(Held(finding=finding, since=since, seen_at=now))
    if not known:
        held.append(fresh)
        draft.record(case.number, "finding-joined", text=_said(case, finding))
    places.add(draft.put_case(replace(case, held=tuple(held))))


def _take_from_others(draft: Draft, key: str, home: Case | None, places: _Places) -> None:
    """Let a finding that rose from a note, or sank to one, stand in its new case only."""
    for case in places.holding(draft, key):
        if (home is not None and case.number == home.number) or not case.holds(key):
            continue
        held = tuple(
            replace(h, cleared_at=draft.now) if h.finding.key == key and not h.cleared_at else h
            for h in case.held
        )
        draft.put_case(replace(case, held=held))


def _clear(draft: Draft, observation: SurveyJudged) -> None:
    """Clear what the facts say holds no more; what was not seen stays."""
    now = draft.now
    standing = {finding.key for finding in observation.findings}
    for case in draft.open_cases():
        held = []
        for old in case.held:
            gone = (
                old.cleared_at is None
                and old.finding.key not in standing
                and (
                    old.finding.subject in observation.seen
                    or old.finding.key in observation.disproved
                )
            )
            held.append(replace(old, cleared_at=now) if gone else old)
            if gone:
                draft.record(case.number, "finding-cleared", text=_said(case, old.finding))
        weighs = Urgency.NOTE if not case.only_notes else None
        calm = all(h.cleared_at is not None or h.finding.urgency is weighs for h in held)
        since = (case.calm_since or now) if calm else None
        if since != case.calm_since or tuple(held) != case.held:
            draft.put_case(replace(case, held=tuple(held), calm_since=since))


def _close(draft: Draft) -> None:
    """Close cases that surveys have shown to be calm for long enough."""
    for case in draft.open_cases():
        if case.calm_since is None:
            continue
        settle = draft.policy.settle * (1 << min(case.reopens, _SETTLE_DOUBLINGS_MOST))
        if draft.now - case.calm_since < settle:
            continue
        closed = replace(
            case, closed_at=draft.now, climb=None, answer=None, hushed=False, grows_at=None
        )
        draft.put_case(closed)
        draft.record(case.number, "all-clear")
        if closed.told:
            add_pending(draft, closed, closed.told, NoticeKind.ALL_CLEAR, Urgency.NOTE, relief=True)


def take_in(draft: Draft, observation: SurveyJudged) -> None:
    """Bring a survey's findings into the book.

    A survey that comes late, after a newer one was judged, clears nothing and changes nothing
    that is known; only what nobody has heard of yet is taken from it.
    """
    newest = draft.book.last_survey_at
    late = newest is not None and observation.taken_at < newest
    places = _Places(draft)
    if late:
        for finding in observation.findings:
            if not _is_known(draft, finding):
                _join(draft, observation, finding, places)
        sound_the_news(draft)
        return
    draft.book = replace(
        draft.book,
        pools=observation.pools or unseen(draft.book.pools),
        last_survey_at=observation.taken_at,
    )
    for finding in observation.findings:
        _join(draft, observation, finding, places)
    _clear(draft, observation)
    fade(draft)
    note_for_works(draft)
    sound_the_news(draft)
    _close(draft)
