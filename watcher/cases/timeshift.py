"""When the clock was set back: every moment that the book remembers moves with it.

A wall clock can be set back, across a restart or while the watch runs: a dead battery, a time
service that corrects a wrong start. What the book waits for was meant as a span (two hours of
silence, a reminder in fifteen minutes), so the moments move and the spans stay. Otherwise a
silence would last until the clock has caught up, and nobody would be reminded before.

A step ahead needs nothing: time seems to have passed, terms end, and what still holds sounds.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from watcher.cases.state import Answer, Book, Case, Held, Maintenance

STANDS_STILL_FOR = timedelta(seconds=60)
"""A step back that is smaller is no step: two processes that decide in turn, or a clock that is
being slewed. Time stands still for so long. Our choice."""


def follow_clock(book: Book, now: datetime) -> tuple[Book, datetime, timedelta]:
    """Give the book and the time to decide by, and by how much the clock was set back."""
    last = book.decided_at
    if last is None or now >= last:
        return book, now, timedelta(0)
    back = last - now
    if back < STANDS_STILL_FOR:
        return book, last, timedelta(0)
    return moved_back(book, back), now, back


def moved_back(book: Book, back: timedelta) -> Book:
    """Move every moment in the book back by a span; no span in it changes."""
    return replace(
        book,
        cases=tuple(_case(case, back) for case in book.cases),
        silences=tuple(
            replace(s, begins=s.begins - back, until=s.until - back) for s in book.silences
        ),
        works=tuple(_work(work, back) for work in book.works),
        pending=tuple(replace(w, not_before=w.not_before - back) for w in book.pending),
        sent=tuple(replace(s, at=s.at - back) for s in book.sent),
        digest_at=None,  # the time of a day, not a span: it is found anew
        last_survey_at=_moved(book.last_survey_at, back),
        decided_at=_moved(book.decided_at, back),
    )


def _moved(moment: datetime | None, back: timedelta) -> datetime | None:
    return moment - back if moment is not None else None


def _answer(answer: Answer, back: timedelta) -> Answer:
    return replace(answer, at=answer.at - back, until=answer.until - back)


def _held(held: Held, back: timedelta) -> Held:
    return replace(
        held,
        since=held.since - back,
        seen_at=held.seen_at - back,
        cleared_at=_moved(held.cleared_at, back),
    )


def _case(case: Case, back: timedelta) -> Case:
    climb = case.climb
    if climb is not None:
        climb = replace(climb, next_at=climb.next_at - back, since=_moved(climb.since, back))
    return replace(
        case,
        opened_at=case.opened_at - back,
        held=tuple(_held(held, back) for held in case.held),
        told_of=tuple(replace(t, low_since=_moved(t.low_since, back)) for t in case.told_of),
        last_told=tuple(replace(t, at=t.at - back) for t in case.last_told),
        told_at=_moved(case.told_at, back),
        grows_at=_moved(case.grows_at, back),
        climb=climb,
        answer=_answer(case.answer, back) if case.answer is not None else None,
        calm_since=_moved(case.calm_since, back),
        closed_at=_moved(case.closed_at, back),
        answers=tuple(_answer(answer, back) for answer in case.answers),
    )


def _work(work: Maintenance, back: timedelta) -> Maintenance:
    """Move work that is under way; what is only planned keeps its time of day."""
    if work.begun is None:
        return work
    return replace(work, begins=work.begins - back, ends=work.ends - back)
