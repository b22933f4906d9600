"""Who is told now, and when again: from a case that must be heard to messages per person.

Deciding *that* a person is to hear something puts a ``Pending`` into the book; ``flush`` turns
what is due into one message per person. Between the two stand quiet hours, the gathering of
things that come together, and the flood limit.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from watcher.cases.draft import Draft
from watcher.cases.effects import Item, Tell
from watcher.cases.policy import Ladder
from watcher.cases.state import (
    Book,
    Case,
    Climb,
    LastTold,
    NoticeKind,
    Pending,
    Sent,
    ToldOf,
)
from watcher.facts.finding import Finding, Urgency

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

WOKEN_WITHIN = timedelta(hours=2)
"""Who was told of a case so lately is awake with it, and hears at once that it is taken or over,
also in quiet hours. Our choice: after two hours they may sleep again."""

_KEY_LONGEST = 80  # characters of a readable key; longer ones are hashed

# While a case is open, a later word about it replaces an earlier one that was not said yet,
# except that "opened" stays what it is until it was said.
_FIRST_WORDS = frozenset({NoticeKind.OPENED, NoticeKind.UNEXPECTED, NoticeKind.SILENCE_BROKEN})


def _ladder(draft: Draft, case: Case, finding: Finding) -> Ladder:
    """Choose the ladder of a case."""
    return draft.policy.ladder_for(finding, finding.urgency, draft.book.box, case.label)


def _available(draft: Draft, names: Iterable[str]) -> tuple[str, ...]:
    """Leave out people who are on leave."""
    return tuple(
        name
        for name in names
        if (person := draft.policy.person(name)) is None or not person.is_away(draft.now)
    )


def _rung_from(draft: Draft, ladder: Ladder, start: int) -> tuple[int, tuple[str, ...]]:
    """Give the first rung from ``start`` on with somebody on it who is not away.

    When everybody is away the last rung is told all the same: somebody must hear of it.
    """
    last = len(ladder.rungs) - 1
    for index in range(min(start, last), last + 1):
        people = _available(draft, ladder.rungs[index].people)
        if people:
            return index, people
    return last, ladder.rungs[last].people


def add_pending(
    draft: Draft,
    case: Case,
    people: Iterable[str],
    kind: NoticeKind,
    urgency: Urgency,
    *,
    about: str = "",
    finding: str = "",
    relief: bool = False,
) -> Case:
    """Put a word about a case in line for some people, and number it.

    ``relief`` is for a word that lets people sleep again: who was woken hears it at once.
    """
    number = case.notices + 1
    waiting = list(draft.book.pending)
    woken = {t.person for t in case.last_told if draft.now - t.at <= WOKEN_WITHIN}
    for name in dict.fromkeys(people):
        person = draft.policy.person(name)
        held = person.held_until(urgency, draft.now) if person else None
        if relief and name in woken:
            held = None
        waiting.append(
            Pending(
                person=name,
                kind=kind,
                case=case.number,
                urgency=urgency,
                not_before=held or draft.now,
                number=number,
                about=about,
                finding=finding,
            )
        )
    draft.book = replace(draft.book, pending=tuple(waiting))
    return draft.put_case(replace(case, notices=number))


def sound(
    draft: Draft,
    case: Case,
    kind: NoticeKind,
    audible: tuple[Finding, ...],
    about: str = "",
    *,
    first: tuple[str, ...] = (),
    again: bool = True,
    lead: str = "",
) -> Case:
    """Tell the first rung (or ``first``) and everybody told before, and start to climb.

    Without ``again`` those told before are left in peace. ``lead`` is the key of the finding that
    the message is about, where that is not the weightiest.

    ``audible`` are the findings that people are to hear of, most urgent first; they are written
    down as told, so that only what is new or worse sounds again.
    """
    top = audible[0]
    ladder = _ladder(draft, case, top)
    rung, people = _rung_from(draft, ladder, 0)
    if first:
        rung, people = -1, first
    before = _available(draft, case.told) if again else ()
    case = add_pending(
        draft, case, (*people, *before), kind, top.urgency, about=about, finding=lead or top.key
    )
    wait = ladder.rungs[max(rung, 0)].wait
    since = case.climb.since if case.climb is not None else None
    case = replace(
        _with_told(case, audible),
        told=tuple(dict.fromkeys((*case.told, *people))),
        told_at=draft.now,
        grows_at=None,
        climb=Climb(
            rung=rung, since=since or draft.now, next_at=draft.now + wait, urgency=top.urgency
        ),
        hushed=False,
    )
    draft.record(case.number, f"told-{kind.value}", text=", ".join(people))
    return draft.put_case(case)


def _with_told(case: Case, audible: tuple[Finding, ...]) -> Case:
    """Write down how bad the findings are of which people are told now."""
    told_of = {t.key: t for t in case.told_of}
    for finding in audible:
        old = told_of.get(finding.key)
        mark = (finding.urgency.rank, finding.level)
        if old is None:
            told_of[finding.key] = ToldOf(
                key=finding.key, urgency=finding.urgency, level=finding.level
            )
        elif mark > (old.urgency.rank, old.level):
            told_of[finding.key] = replace(
                old, urgency=finding.urgency, level=finding.level, low_since=None, hushed=False
            )
        elif old.hushed:
            told_of[finding.key] = replace(old, hushed=False)
    return replace(case, told_of=tuple(told_of.values()))


def climb(draft: Draft, case: Case, audible: tuple[Finding, ...]) -> Case:
    """Tell the next rung, or the last one again with a longer gap.

    The time to answer counts from when a person was really told: who slept until now is not
    reminded three minutes later, also not because their rung is reached; and a night in which
    nobody could be told counts as no reminder.
    """
    if case.climb is None or not audible:
        return case
    top = audible[0]
    here = replace(case.climb, urgency=top.urgency)
    ladder = _ladder(draft, case, top)
    last = len(ladder.rungs) - 1
    until = _may_answer_until(case, ladder, here)
    if until > draft.now:
        return draft.put_case(replace(case, climb=replace(here, next_at=until)))
    is_repeat = here.rung >= last
    rung, people = _rung_from(draft, ladder, last if is_repeat else here.rung + 1)
    wait = ladder.repeat_gap(here.repeats + 1) if is_repeat else ladder.rungs[rung].wait
    just_told = {} if is_repeat else _just_told(draft, case, ladder, here)
    people_left = tuple(name for name in people if name not in just_told)
    if not people_left:
        at = min(just_told[name] for name in people)
        return draft.put_case(replace(case, climb=replace(here, next_at=at)))
    people = people_left
    asleep = _asleep_with(draft, case, top.urgency)
    if all(name in asleep for name in people):
        at = min(asleep[name] for name in people) if rung == last else draft.now
        following = replace(here, rung=rung, next_at=at + ladder.rungs[rung].wait)
        return draft.put_case(replace(case, climb=following))
    following = replace(
        here, rung=rung, next_at=draft.now + wait, repeats=here.repeats + int(is_repeat)
    )
    case = add_pending(draft, case, people, NoticeKind.REMINDER, top.urgency, finding=top.key)
    case = replace(
        _with_told(case, audible),
        climb=following,
        told=tuple(dict.fromkeys((*case.told, *people))),
        told_at=draft.now,
        grows_at=None,
    )
    draft.record(case.number, "told-reminder", text=", ".join(people))
    return draft.put_case(case)


def hurry(draft: Draft, case: Case, audible: tuple[Finding, ...]) -> Case:
    """Bring the next word forward when the case is more urgent than when its time was chosen.

    A case that sank to this week for one look, and is for now again without being news, must not
    wait for the reminder that was set for this week.
    """
    here = case.climb
    top = audible[0] if audible else None
    if here is None or here.urgency is None or top is None or top.urgency <= here.urgency:
        return case
    ladder = _ladder(draft, case, top)
    rung = ladder.rungs[min(max(here.rung, 0), len(ladder.rungs) - 1)]
    wait = ladder.repeat_gap(here.repeats) if here.repeats else rung.wait
    at = max(draft.now, (case.told_at or draft.now) + wait)
    following = replace(here, next_at=min(here.next_at, at), urgency=top.urgency)
    return draft.put_case(replace(case, climb=following))


def _may_answer_until(case: Case, ladder: Ladder, here: Climb) -> datetime:
    """Give until when those told last may answer before the ladder goes on."""
    rung = ladder.rungs[min(max(here.rung, 0), len(ladder.rungs) - 1)]
    handed = here.rung < 0  # to somebody who need not be on any rung
    heard = [t.at for t in case.last_told if handed or t.person in rung.people]
    return max([here.next_at, *(at + rung.wait for at in heard)])


def _just_told(draft: Draft, case: Case, ladder: Ladder, here: Climb) -> dict[str, datetime]:
    """Name who heard of the case within the wait of the present rung, and until when that is."""
    wait = ladder.rungs[max(here.rung, 0)].wait
    return {t.person: t.at + wait for t in case.last_told if draft.now - t.at < wait}


def _asleep_with(draft: Draft, case: Case, urgency: Urgency) -> dict[str, datetime]:
    """Name who sleeps through this urgency with a word about the case waiting, and until when."""
    asleep = {}
    for word in draft.book.pending:
        person = draft.policy.person(word.person)
        if word.case == case.number and person and person.held_until(urgency, draft.now):
            asleep[word.person] = word.not_before
    return asleep


def _has_lost_its_point(word: Pending, case: Case) -> bool:
    """Tell whether a word that waited is not true any more: above all what calms people."""
    match word.kind:
        case NoticeKind.REMINDER:
            return case.answer is not None or not case.is_open
        case NoticeKind.ALL_CLEAR:
            return case.is_open  # it came back while the word waited
        case NoticeKind.TAKEN:
            return case.is_open and case.answer is None
        case _:  # whoever has taken the case knows of it; news would have ended their answer
            return case.answer is not None and case.answer.by == word.person


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
        keeps_name = before.kind in _FIRST_WORDS and word.kind in {
            NoticeKind.WORSENED,
            NoticeKind.REMINDER,
        }
        kept[word.case] = replace(
            word,
            kind=before.kind if keeps_name else word.kind,
            about=word.about or (before.about if keeps_name else ""),
            urgency=max(before.urgency, word.urgency) if keeps_name else word.urgency,
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

    The answer may lie in the past. Quiet hours are in each word's ``not_before``; on top, words
    below ``now`` keep ``gather`` distance from the last message, and the flood limit holds.
    """
    waiting = [word for word in book.pending if word.person == person]
    first = min(word.not_before for word in waiting)
    at = max(first, now)
    recent = _recent(book, person, at)
    urgent = any(w.urgency is Urgency.NOW and w.not_before <= at for w in waiting)
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
    if word.kind is NoticeKind.WORSENED and not _has_heard(draft, word):
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
            urgency=max((i.urgency for i in items), key=lambda u: u.rank),
        )
        draft.effects.append(tell)
        _note_told(draft, person, words)
        fresh = [s for s in draft.book.sent if s.at > now - BUDGET_SPAN]
        draft.book = replace(draft.book, sent=(*fresh, Sent(person=person, at=now)))
