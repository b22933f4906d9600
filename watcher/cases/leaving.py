"""What leaves now: from words that wait for a person to one message.

``sounding.py`` puts the words into the book. Between them and a message stand the gathering of
things that come together, the flood limit, and that some words lose their point while they wait.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from watcher.cases.draft import Draft
from watcher.cases.effects import Item, Tell
from watcher.cases.state import Book, Case, LastTold, NoticeKind, Pending, Sent
from watcher.facts.finding import Urgency

FLOOD_MESSAGES = 10
"""More than ten alarms in ten minutes is a flood (EEMUA 191 key figures, as given by published
summaries): so many may leave at once, and what is beyond waits and is gathered."""

FLOOD_GAP = timedelta(minutes=12)
"""In a storm that goes on, so often one gathered message leaves: five an hour, 120 a day, with at
most fifteen in any hour. These are the same key figures' long-run average and peak (as given by
a published grid). If it is shorter people stop reading; if longer, they hear late."""

FLOOD_MESSAGES_NOW = 20
"""For messages of urgency ``now`` so many may leave at once. Our choice: a second pool that breaks
in the middle of a flood must still be heard at once. Beyond it they too are gathered."""

BUDGET_SPAN = timedelta(hours=24)
"""How long a message counts against what may still leave. So no day has more than 140 messages
(120 and the twenty), whatever happens."""

_KEY_LONGEST = 80  # characters of a readable key; longer ones are hashed

# While a case is open, a later word about it replaces an earlier one that was not said yet, except
# that "opened", or who handed it over and with which note, stays what it is until it was said.
_FIRST_WORDS = frozenset(
    {
        NoticeKind.OPENED,
        NoticeKind.RETURNED,
        NoticeKind.HANDED_OVER,
        NoticeKind.UNEXPECTED,
        NoticeKind.SILENCE_BROKEN,
    }
)
_NEWS_BESIDE = frozenset({NoticeKind.WORSENED, NoticeKind.ADDED, NoticeKind.RETURNED})
_LATER_WORDS = _NEWS_BESIDE | {NoticeKind.REMINDER}


def _has_lost_its_point(word: Pending, case: Case) -> bool:
    """Tell whether a word that waited is not true any more: above all what calms people."""
    match word.kind:
        case NoticeKind.REMINDER:
            return case.answer is not None or not case.is_open
        case NoticeKind.ALL_CLEAR:
            return case.is_open  # it came back while the word waited
        case NoticeKind.TAKEN:
            return case.is_open and case.answer is None
        case NoticeKind.EASED:
            return not case.is_open or case.told_urgency is Urgency.NOW
        case _:  # whoever has taken the case knows of it; news would have ended their answer
            return case.answer is not None and case.answer.by == word.person


def _keeps_name(before: NoticeKind, later: NoticeKind) -> bool:
    """Tell whether a word that was not said yet stays what it is beside a later one.

    That it got worse, as when margin was lost in the night, is hidden neither by that something
    came back before nor by a lesser thing behind it.
    """
    if later is NoticeKind.WORSENED and before is NoticeKind.RETURNED:
        return False
    if before is NoticeKind.WORSENED:
        return later in {NoticeKind.ADDED, NoticeKind.RETURNED}
    return before in _FIRST_WORDS and later in _LATER_WORDS


def _collapse(cases: Mapping[int, Case], waiting: list[Pending]) -> list[Pending]:
    """Keep one word per case, and drop words that have lost their point."""
    kept: dict[int, Pending] = {}
    loose: list[Pending] = []
    ended = {word.number for word in waiting if word.kind is NoticeKind.WORK_ENDED}
    for word in waiting:
        if word.kind is NoticeKind.WORK_OVERRUNS and word.number in ended:
            continue  # that it ends soon waited until it had ended
        case = cases.get(word.case)
        if case is None:
            loose.append(word)
            continue
        if _has_lost_its_point(word, case):
            continue
        before = kept.get(word.case)
        if before is None:
            kept[word.case] = word
            continue
        keeps_name = _keeps_name(before.kind, word.kind)
        is_lesser = before.kind is NoticeKind.WORSENED and keeps_name
        kept[word.case] = replace(
            word,
            kind=before.kind if keeps_name else word.kind,
            about=word.about or (before.about if keeps_name else ""),
            urgency=max(before.urgency, word.urgency) if keeps_name else word.urgency,
            finding=before.finding if is_lesser else word.finding,
        )
    return [*kept.values(), *loose]


def _recent(book: Book, person: str, now: datetime) -> list[datetime]:
    """Give when this person was sent messages that still count, oldest first."""
    return sorted(s.at for s in book.sent if s.person == person and s.at > now - BUDGET_SPAN)


def _within_budget(recent: list[datetime], at_once: int) -> Iterator[datetime]:
    """Give the moments before which one more message would be beyond the budget.

    In any span there are at most ``at_once`` messages and one more for each ``FLOOD_GAP`` in it.
    """
    for place, first in enumerate(recent):
        beyond = len(recent) - place + 1 - at_once
        if beyond > 0:
            yield first + beyond * FLOOD_GAP


def ready_at(book: Book, person: str, gather: timedelta, now: datetime) -> datetime:
    """Give when the next message may leave to a person for whom something waits.

    The answer may lie in the past. Quiet hours are in each word's ``not_before``, and hold no word
    for ``now``; on top, words below that keep ``gather`` distance from the last message, and the
    flood limit holds.
    """
    waiting = [word for word in book.pending if word.person == person]
    first = min(word.not_before for word in waiting)
    recent = _recent(book, person, now)
    urgent = any(word.urgency is Urgency.NOW for word in waiting)
    at_once = FLOOD_MESSAGES_NOW if urgent else FLOOD_MESSAGES
    holds = [first, *_within_budget(recent, at_once)]
    if recent and not urgent:
        holds.append(recent[-1] + gather)
    return max(holds)


def _key(box: str, person: str, words: list[Pending]) -> str:
    """Derive the key of a message from what it says; the same words give the same key."""
    parts = "+".join(f"{w.case or w.kind.value}.{w.number}" for w in words)
    key = f"{box}/{person}/{parts}"
    if len(key) <= _KEY_LONGEST:
        return key
    return f"{box[:20]}/{person[:20]}/{hashlib.sha256(key.encode()).hexdigest()[:24]}"


def _has_heard(draft: Draft, word: Pending) -> bool:
    """Tell whether a person was sent something about the case of a word before."""
    case = draft.cases.get(word.case)
    return case is None or any(told.person == word.person for told in case.last_told)


def _first_word(draft: Draft, word: Pending) -> Pending:
    """Let the first word that a person hears of a case not be that it got worse."""
    if word.kind in _NEWS_BESIDE and not _has_heard(draft, word):
        return replace(word, kind=NoticeKind.OPENED)
    return word


def _note_told(draft: Draft, person: str, words: list[Pending]) -> None:
    """Remember in each case that something about it was sent to a person now."""
    for number in {word.case for word in words}:
        case = draft.cases.get(number)
        if case is not None:
            others = tuple(t for t in case.last_told if t.person != person)
            mark = LastTold(person=person, at=draft.now)
            draft.put_case(replace(case, last_told=(*others, mark)))


def flush(draft: Draft) -> None:
    """Turn what is due into one message per person."""
    now = draft.now
    for person in sorted({word.person for word in draft.book.pending}):
        at = ready_at(draft.book, person, draft.policy.gather, now)
        if at > now:
            continue
        due = [w for w in draft.book.pending if w.person == person and w.not_before <= now]
        newest = {w.case: w.number for w in due if w.case}
        rest = tuple(
            w
            for w in draft.book.pending
            if w not in due and not (w.person == person and w.number < newest.get(w.case, 0))
        )
        words = [
            _first_word(draft, w)
            for w in _collapse(draft.cases, due)
            if w.kind is not NoticeKind.ALL_CLEAR or _has_heard(draft, w)
        ]
        draft.book = replace(draft.book, pending=rest)
        if not words:
            continue
        words.sort(key=lambda w: (-w.urgency.rank, w.case, w.number))
        items = tuple(
            Item(
                kind=w.kind,
                case=w.case,
                number=w.number,
                urgency=w.urgency,
                about=w.about,
                finding=w.finding,
            )
            for w in words
        )
        tell = Tell(
            key=_key(draft.book.box, person, words),
            person=person,
            items=items,
            urgency=words[0].urgency,
        )
        draft.effects.append(tell)
        _note_told(draft, person, words)
        fresh = [s for s in draft.book.sent if s.at > now - BUDGET_SPAN]
        draft.book = replace(draft.book, sent=(*fresh, Sent(person=person, at=now)))
