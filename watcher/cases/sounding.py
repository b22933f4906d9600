"""Who is told now, and when again: from a case that must be heard to words for persons.

Deciding *that* a person is to hear something puts a ``Pending`` into the book, at once or for after
their quiet hours; ``leaving.py`` makes messages of what is due.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta

from watcher.cases.draft import Draft
from watcher.cases.policy import Ladder
from watcher.cases.state import (
    Case,
    Climb,
    NoticeKind,
    Pending,
    ToldOf,
)
from watcher.facts.finding import Finding, Urgency

WOKEN_WITHIN = timedelta(hours=2)
"""Who was told of a case so lately is awake with it, and hears at once that it is taken or over,
also in quiet hours. Our choice: after two hours they may sleep again."""


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
