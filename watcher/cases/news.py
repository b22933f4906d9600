"""What is news: what people must hear beyond what they were told, at once or a little later.

At once: a higher urgency, another drive, anything new about a pool, a pool that lost more. Later,
so that nobody is nagged: the same trouble of the same drive that only grew. Never: a further
symptom of a drive that people know to be in trouble, at the same urgency.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.cases.draft import Draft
from watcher.cases.hush import Heard, Sound, hear
from watcher.cases.sounding import add_pending, sound
from watcher.cases.state import Case, NoticeKind, ToldOf
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import SubjectKind

GROWTH_GAP = {
    Urgency.NOW: timedelta(minutes=15),
    Urgency.TODAY: timedelta(hours=4),
    Urgency.THIS_WEEK: timedelta(hours=24),
}
"""How long after people were told of a case a mere growth in it may sound. Our choice, the gaps
after which an unanswered case is told again: a dying drive gets worse every few minutes, and what
to do about it stays the same."""

FADES_AFTER = timedelta(minutes=10)
_DOUBLINGS_MOST = 6
"""How long a finding must have been better, or away, before its return is news again; doubled
with each return, up to 64 times. Our choice, as for the settling of a case."""

_LOSS_RULES = ("margin-thinned", "margin-gone", "pool-broken")
"""Rules whose level counts lost members, the worst last: one more is never a mere growth, and one
less is no news."""

_ALWAYS_NEWS = frozenset({"drive-gone"})
"""A drive that left is another trouble than the one it had."""


class News(StrEnum):
    """When people are to hear of a finding."""

    AT_ONCE = "at-once"
    LATER = "later"  # a growth; not more often than the gap allows
    NONE = "none"


def heard_of(draft: Draft, case: Case) -> tuple[Heard, ...]:
    """Answer for each standing finding of a case whether it sounds, most urgent first."""
    client = draft.policy.client
    return tuple(hear(finding, draft.book, draft.now, client) for finding in case.standing)


def audible_of(heard: tuple[Heard, ...]) -> tuple[Finding, ...]:
    """Give the findings that people are to hear of; notes go into the digest only."""
    return tuple(h.finding for h in heard if h.is_audible and h.finding.urgency > Urgency.NOTE)


def weigh(case: Case, finding: Finding) -> News:
    """Tell whether a finding is news beyond what people were told of its case."""
    before = next((t for t in case.told_of if t.key == finding.key), None)
    if before is not None:
        if before.hushed:
            return News.AT_ONCE
        if finding.urgency > before.urgency:
            return News.AT_ONCE
        if finding.urgency < before.urgency or finding.level <= before.level:
            return News.NONE
        return News.AT_ONCE if finding.rule in _LOSS_RULES else News.LATER
    if _is_better(case, finding):
        return News.NONE
    told = case.told_urgency
    if told is None or finding.urgency > told or finding.rule in _ALWAYS_NEWS:
        return News.AT_ONCE
    same = [t.urgency for t in case.told_of if t.subject == str(finding.subject)]
    if same and finding.subject.kind is SubjectKind.DRIVE and finding.urgency <= max(same):
        return News.NONE
    weighs = finding.urgency >= Urgency.TODAY or finding.urgency == told
    return News.AT_ONCE if weighs else News.NONE


def _is_better(case: Case, finding: Finding) -> bool:
    """Tell whether a loss of margin is less than the one that people know of."""
    if finding.rule not in _LOSS_RULES:
        return False
    worse = _LOSS_RULES[_LOSS_RULES.index(finding.rule) + 1 :]
    keys = {f"{rule}/{finding.subject}" for rule in worse}
    return any(t.key in keys and t.urgency > Urgency.NOTE for t in case.told_of)


def fade(draft: Draft) -> None:
    """Forget what people were told where it has been better for long enough."""
    for case in draft.open_cases():
        standing = {finding.key: finding for finding in case.standing}
        known = {t.key: _faded(draft, t, standing.get(t.key)) for t in case.told_of}
        for left in (f for f in case.standing if _is_better(case, f)):
            # what is left of a loss is known to those who knew of the loss
            fresh = ToldOf(key=left.key, urgency=left.urgency, level=left.level)
            was = known.get(left.key, fresh)
            if (was.urgency.rank, was.level) < (left.urgency.rank, left.level):
                was = replace(was, urgency=left.urgency, level=left.level)
            known[left.key] = was
        told_of = tuple(known.values())
        if told_of != case.told_of:
            _say_it_eased(draft, case, draft.put_case(replace(case, told_of=told_of)))


def _say_it_eased(draft: Draft, before: Case, case: Case) -> None:
    """Tell who was woken that what woke them is over, where the case stays open for less.

    Where nothing is left the all-clear says it; of what is silent nothing is said, and where data
    is lost nothing is called eased.
    """
    is_eased = before.told_urgency is Urgency.NOW and case.told_urgency is not Urgency.NOW
    is_broken = any(f.rule == _LOSS_RULES[-1] for f in case.standing)
    if not is_eased or is_broken or not case.is_weighty or case.hushed:
        return
    heard = [t.person for t in case.last_told if t.person in case.told]
    left = case.weightiest.key
    add_pending(draft, case, heard, NoticeKind.EASED, Urgency.NOTE, finding=left, relief=True)
    draft.record(case.number, "told-eased", text=", ".join(heard))


def _faded(draft: Draft, told: ToldOf, finding: Finding | None) -> ToldOf:
    """Bring one memory up to date."""
    urgency, level = (finding.urgency, finding.level) if finding else (Urgency.NOTE, 0)
    lower = urgency < told.urgency or (urgency == told.urgency and level < told.level)
    if not lower:
        return replace(told, low_since=None) if told.low_since is not None else told
    if told.low_since is None:
        return replace(told, low_since=draft.now)
    after = max(FADES_AFTER, draft.policy.settle) * (1 << min(told.returns, _DOUBLINGS_MOST))
    if draft.now - told.low_since < after:
        return told
    return replace(told, urgency=urgency, level=level, low_since=None, returns=told.returns + 1)


def _kind_of(case: Case, heard: Heard) -> NoticeKind:
    """Choose the word for the news that a finding makes."""
    if heard.sound is Sound.BREAKS_SILENCE:
        return NoticeKind.SILENCE_BROKEN
    if heard.sound is Sound.UNEXPECTED:
        return NoticeKind.UNEXPECTED
    was_hushed = any(t.hushed for t in case.told_of if t.key == heard.finding.key)
    if case.hushed or was_hushed:
        return NoticeKind.SILENCE_ENDED
    if not case.told_of:
        return NoticeKind.RETURNED if case.reopens else NoticeKind.OPENED
    return _kind_beside(case, heard.finding)


def _kind_beside(case: Case, finding: Finding) -> NoticeKind:
    """Choose the word for news of a case that people know: worse, one thing more, or again.

    Worse is what costs margin, and more trouble as urgent as what holds. One thing more is what is
    lesser, or comes where something graver was over; that a drive left costs nothing by itself,
    for the pool's own finding says so where it does.
    """
    before = next((t for t in case.told_of if t.key == finding.key), None)
    if before is not None:
        is_back = before.returns > 0 and before.urgency is Urgency.NOTE
        return NoticeKind.RETURNED if is_back else NoticeKind.WORSENED
    known = case.told_urgency or Urgency.NOTE
    if finding.rule in _LOSS_RULES or Urgency.NOTE < known < finding.urgency:
        return NoticeKind.WORSENED
    has_eased = any(told.returns for told in case.told_of) and finding.urgency < Urgency.NOW
    is_lesser = finding.urgency < known or finding.rule in _ALWAYS_NEWS
    return NoticeKind.ADDED if has_eased or is_lesser else NoticeKind.WORSENED


def sound_the_news(draft: Draft) -> None:
    """Make every open case heard in which something is new, worse or no longer silent."""
    for open_case in draft.open_cases():
        heard = heard_of(draft, open_case)
        audible = audible_of(heard)
        case = _with_hushed(draft, open_case, heard)
        if not audible:
            if case.is_weighty and not (case.hushed and case.climb is None):
                case = replace(case, hushed=True, climb=None)
            if case.grows_at is not None:
                case = replace(case, grows_at=None)
            draft.put_case(case)
            continue
        loud = [h for h in heard if h.finding in audible]
        if case.hushed:
            _sound(draft, case, loud, audible)
            continue
        news = [h for h in loud if weigh(case, h.finding) is News.AT_ONCE]
        if news:
            _sound(draft, case, news, audible)
            continue
        _grow(draft, case, loud, audible)


def _with_hushed(draft: Draft, case: Case, heard: tuple[Heard, ...]) -> Case:
    """Mark what people were told of and what is hushed now, so that its end is heard."""
    hushed = {h.finding.key for h in heard if not h.is_audible}
    told_of = tuple(
        replace(t, hushed=True) if t.key in hushed and not t.hushed else t for t in case.told_of
    )
    return case if told_of == case.told_of else draft.put_case(replace(case, told_of=told_of))


def _grow(draft: Draft, case: Case, loud: list[Heard], audible: tuple[Finding, ...]) -> None:
    """Let a growth sound when people were told long enough ago, else remember to."""
    grown = [h for h in loud if weigh(case, h.finding) is News.LATER]
    at: datetime | None = None
    if grown:
        at = (case.told_at or draft.now) + GROWTH_GAP[case.urgency]
        if draft.now >= at:
            _sound(draft, case, grown, audible)
            return
    if at != case.grows_at:
        draft.put_case(replace(case, grows_at=at))


def _sound(draft: Draft, case: Case, news: list[Heard], audible: tuple[Finding, ...]) -> None:
    """Sound a case for its weightiest news; an answer that it had is over."""
    top = min(news, key=lambda h: (h.sound is Sound.PLAIN, not h.about, -h.finding.urgency.rank))
    kind = _kind_of(case, top)
    if case.answer is not None:
        draft.record(case.number, "answer-broken", by=case.answer.by, text=top.finding.sentence)
        case = draft.put_case(replace(case, answer=None))
    sound(draft, case, kind, audible, top.about, lead=top.finding.key)
