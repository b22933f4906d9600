"""What people say to a case: take it, hand it over, silence, announce work.

Each either changes the book or answers with a ``Refuse`` that says what would be right.
"""

from __future__ import annotations

from dataclasses import replace

from watcher.cases.draft import Draft
from watcher.cases.news import audible_of, heard_of
from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Silenced,
    SilenceLifted,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.recurrence import NotUnderstood, check_rule, next_after
from watcher.cases.sounding import add_pending, sound
from watcher.cases.state import Answer, Case, Maintenance, NoticeKind, Silence
from watcher.cases.works import close_work
from watcher.facts.finding import Urgency
from watcher.facts.units import say_span


def _open_case(draft: Draft, number: int) -> Case | None:
    """Give the case when it is open, or refuse with the reason."""
    case = draft.cases.get(number)
    if case is None:
        draft.refuse(f"There is no open case {number}.")
        return None
    if not case.is_open:
        draft.refuse(f"Case {number} is over already; there is nothing to answer.")
        return None
    return case


def acknowledge(draft: Draft, said: Acknowledged) -> None:
    """Let a person take a case until a time; the first answer stands, later ones are recorded."""
    case = _open_case(draft, said.case)
    if case is None:
        return
    now = draft.now
    if not said.by.strip():
        draft.refuse("Say who takes the case.")
        return
    if said.until <= now:
        draft.refuse("The time until which you take the case lies in the past.")
        return
    longest = draft.policy.longest_answer
    if said.until - now > longest:
        draft.refuse(f"A case can be taken for {say_span(longest)} at most; name a nearer time.")
        return
    answer = Answer(by=said.by, at=now, until=said.until, note=said.note)
    answers = (*case.answers, answer)
    if case.answer is not None and case.answer.by != said.by:
        draft.put_case(replace(case, answers=answers))
        draft.record(case.number, "also-answered", by=said.by, text=said.note)
        return
    was_taken = case.answer is not None
    case = draft.put_case(replace(case, answer=answer, answers=answers, climb=None, grows_at=None))
    draft.record(case.number, "acknowledged", by=said.by, text=said.note)
    others = tuple(name for name in case.told if name != said.by)
    if others and not was_taken:
        add_pending(draft, case, others, NoticeKind.TAKEN, Urgency.NOTE, about=said.by, relief=True)


def hand_over(draft: Draft, said: HandedOver) -> None:
    """Give a case to another person, who is told at once; the ladder goes on behind them."""
    case = _open_case(draft, said.case)
    if case is None:
        return
    if draft.policy.people and draft.policy.person(said.to) is None:
        known = ", ".join(person.name for person in draft.policy.people)
        draft.refuse(f"Nobody here is called {said.to}; known are: {known}.")
        return
    audible = audible_of(heard_of(draft, case))
    if not audible:
        draft.refuse(f"Nothing in case {case.number} needs an answer now.")
        return
    case = draft.put_case(replace(case, answer=None))
    draft.record(case.number, "handed-over", by=said.by, text=f"to {said.to}. {said.note}".strip())
    about = f"{said.by}: {said.note}" if said.note else said.by
    sound(draft, case, NoticeKind.HANDED_OVER, audible, about, first=(said.to,), again=False)


def silence(draft: Draft, said: Silenced) -> None:
    """Silence something until a time."""
    now = draft.now
    if not said.by.strip() or not said.reason.strip():
        draft.refuse("A silence needs a name and a reason.")
        return
    if said.until <= now:
        draft.refuse("The end of the silence lies in the past.")
        return
    longest = draft.policy.longest_silence
    if said.until - now > longest:
        draft.refuse(f"A silence lasts {say_span(longest)} at most; name a nearer end.")
        return
    made = Silence(
        number=draft.book.next_mark,
        scope=said.scope,
        key=said.key,
        by=said.by,
        reason=said.reason,
        begins=now,
        until=said.until,
    )
    draft.book = replace(
        draft.book, silences=(*draft.book.silences, made), next_mark=made.number + 1
    )
    draft.record(0, "silenced", by=said.by, text=f"{said.scope.value} {said.key}: {said.reason}")


def lift_silence(draft: Draft, said: SilenceLifted) -> None:
    """End a silence before its time."""
    kept = tuple(s for s in draft.book.silences if s.number != said.number)
    if len(kept) == len(draft.book.silences):
        draft.refuse(f"There is no silence {said.number}.")
        return
    draft.book = replace(draft.book, silences=kept)
    draft.record(0, "silence-lifted", by=said.by, text=str(said.number))


def announce_work(draft: Draft, said: WorkAnnounced) -> None:
    """Write down planned work."""
    if not said.by.strip():
        draft.refuse("Say who does the work.")
        return
    if not said.expects:
        draft.refuse("Say what the work will cause, for instance: replace bay 3.")
        return
    if said.ends <= said.begins or said.ends <= draft.now:
        draft.refuse("The work must end after it begins, and in the future.")
        return
    if said.ends - said.begins > draft.policy.longest_silence:
        draft.refuse(f"Planned work lasts {say_span(draft.policy.longest_silence)} at most.")
        return
    try:
        repeat = check_rule(said.repeat) if said.repeat else ""
    except NotUnderstood as error:
        draft.refuse(f"{error}.")
        return
    again = next_after(repeat, said.begins, said.zone, said.begins) if repeat else None
    if again is not None and again <= said.ends:
        draft.refuse(
            "It would come again before it is over, or at once, and nothing would ever sound: make "
            "it shorter, or let it come less often."
        )
        return
    work = Maintenance(
        number=draft.book.next_mark,
        by=said.by,
        reason=said.reason,
        begins=said.begins,
        ends=said.ends,
        expects=said.expects,
        pool=said.pool,
        pool_name=said.pool_name,
        repeat=repeat,
        zone=said.zone,
        first=said.begins if repeat else None,
    )
    draft.book = replace(draft.book, works=(*draft.book.works, work), next_mark=work.number + 1)
    text = "; ".join(e.said or e.kind.value for e in work.expects)
    draft.record(0, "work-announced", by=said.by, text=text)


def end_work(draft: Draft, said: WorkEnded) -> None:
    """End planned work before its time; what stands sounds from now on."""
    work = next((w for w in draft.book.works if w.number == said.number and not w.over), None)
    if work is None:
        draft.refuse(f"There is no planned work {said.number}.")
        return
    draft.record(0, "work-ended", by=said.by, text=work.reason)
    close_work(draft, work)
