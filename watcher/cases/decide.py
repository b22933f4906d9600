"""The one place where it is decided what people hear.

    decide(book, observation, now, policy) -> (book, effects)
    next_deadline(book, policy, now)       -> when to call it again if nothing happens

What there is. A **book** per box holds **cases**. A case is one trouble, told by findings that
hold or held. Four things about a case are independent of each other and kept in separate fields:

* *does it still hold?* Each finding is standing or cleared, and only a survey that really saw the
  finding's subject can clear it. When nothing stands the case is *calm*; after it has been seen
  calm for the settling time it is *closed*, which is the all-clear. Nobody's word closes a case.
* *has somebody answered?* None, or an ``Answer`` with a term. It ends at its term, or at once
  when something in the case becomes news: a new finding that weighs, a higher urgency, a higher
  level than people were told.
* *how far up the ladder?* While nobody has answered, a ``Climb`` says which rung was told and when
  the next is due. The last rung repeats with growing, bounded gaps.
* *does it sound?* Silences and planned work can hush findings. A case whose weighty findings are
  all hushed does not climb; when the hush ends it sounds as if it had just opened.

How they are coupled. News beats an answer; an answer stops the climb; a hush stops the climb; calm
pauses the climb; closing ends all of it. The coupling happens in ``sound_the_news`` (news.py)
and in ``_run_clock`` below, nowhere else.

What is news (news.py). A higher urgency, another drive, one member more that is lost: at once. The
same trouble of the same drive that only grew: when a reminder would come. A further symptom of it,
or less of a loss: never. What was better for long enough, and what was hushed, is news when it
returns; and who was woken hears that what woke them is over, while lesser things hold.

Time. ``now`` may lie before the last decision: then every term moves back with the clock
(timeshift.py). Surveys may come late: one that was taken before the newest clears nothing.

In a conflict: a broken pool beats a silence; what was announced for planned work beats nothing
but itself, everything else in its pool sounds louder; the first answer stands, later ones are
recorded.

What we are not happy with: a case belongs to one pool, so two unlike troubles in one pool share a
case and an all-clear waits for both; the word that it eased has to do until then.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import assert_never

from watcher.cases.draft import Draft
from watcher.cases.effects import Effect
from watcher.cases.intake import COMES_BACK_WITHIN, take_in
from watcher.cases.leaving import flush, ready_at
from watcher.cases.news import audible_of, heard_of, sound_the_news
from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Observation,
    Silenced,
    SilenceLifted,
    SurveyJudged,
    TimePassed,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.people import (
    acknowledge,
    announce_work,
    end_work,
    hand_over,
    lift_silence,
    silence,
)
from watcher.cases.policy import Policy
from watcher.cases.sounding import climb, hurry, sound
from watcher.cases.state import Book, Case, NoticeKind, Pending
from watcher.cases.timeshift import follow_clock
from watcher.cases.works import run_works, works_deadline
from watcher.facts.finding import Urgency
from watcher.facts.units import say_span


def decide(
    book: Book, observation: Observation, now: datetime, policy: Policy
) -> tuple[Book, tuple[Effect, ...]]:
    """Take one observation into the book and say what must be done about it.

    Pure, total and deterministic. ``now`` is aware UTC. When it lies before the last decision the
    machine's clock was set back: by a little, and time stands still; by more, and every term in
    the book moves back with it, so that no silence and no gap grows longer.
    """
    book, now, back = follow_clock(book, now)
    draft = Draft(replace(book, decided_at=now), policy, now)
    if back:
        draft.record(0, "clock-set-back", text=say_span(back))
        _hold_anew(draft)
    match observation:
        case SurveyJudged():
            take_in(draft, observation)
        case TimePassed():
            pass
        case Acknowledged():
            acknowledge(draft, observation)
        case HandedOver():
            hand_over(draft, observation)
        case Silenced():
            silence(draft, observation)
        case SilenceLifted():
            lift_silence(draft, observation)
        case WorkAnnounced():
            announce_work(draft, observation)
        case WorkEnded():
            end_work(draft, observation)
        case _:
            assert_never(observation)
    _run_clock(draft)
    flush(draft)
    return draft.sealed(), tuple(draft.effects)


def _run_clock(draft: Draft) -> None:
    """Do all that has fallen due."""
    now = draft.now
    kept = tuple(s for s in draft.book.silences if now < s.until)
    for over in draft.book.silences:
        if over not in kept:
            draft.record(0, "silence-ended", by=over.by, text=f"{over.scope.value} {over.key}")
    draft.book = replace(draft.book, silences=kept)
    run_works(draft)
    for case in draft.open_cases():
        _end_answer(draft, case)
    sound_the_news(draft)
    for opened in draft.open_cases():
        audible = audible_of(heard_of(draft, opened))
        case = hurry(draft, opened, audible)
        if case.climb is not None and case.climb.next_at <= now:
            climb(draft, case, audible)
    _forget_old(draft)
    _run_digest(draft)


def _hold_anew(draft: Draft) -> None:
    """Let what waits for the end of a night wait for the one that it is by the clock as set."""
    pending = tuple(
        replace(word, not_before=person.held_until(word.urgency, draft.now) or draft.now)
        if word.not_before > draft.now and (person := draft.policy.person(word.person))
        else word
        for word in draft.book.pending
    )
    draft.book = replace(draft.book, pending=pending)


def _end_answer(draft: Draft, case: Case) -> None:
    """End an answer whose term has passed, and start the ladder again once trouble stands.

    What nobody saw at that moment may be back at the next look, without being news: then too.
    """
    if case.answer is not None and case.answer.until <= draft.now:
        draft.record(case.number, "answer-ended", by=case.answer.by)
        case = draft.put_case(replace(case, answer=None))
    if case.answer is not None or case.climb is not None or case.hushed:
        return
    audible = audible_of(heard_of(draft, case))
    over = [answer for answer in case.answers if answer.until <= draft.now]
    if audible and over:
        by = max(over, key=lambda answer: answer.until).by
        sound(draft, case, NoticeKind.ANSWER_ENDED, audible, about=by)


def _forget_old(draft: Draft) -> None:
    """Let cases leave the book a day after their all-clear; the store keeps them."""
    now = draft.now
    for case in tuple(draft.cases.values()):
        if case.closed_at is not None and now - case.closed_at >= COMES_BACK_WITHIN:
            del draft.cases[case.number]


def _run_digest(draft: Draft) -> None:
    """Send the regular message when it is due; when that is next, the settings of today say."""
    digest = draft.policy.digest
    if digest is None:
        draft.book = replace(draft.book, digest_at=None)
        return
    at = draft.book.digest_at
    if at is not None and at <= draft.now:
        words = tuple(
            Pending(
                person=person.name,
                kind=NoticeKind.DIGEST,
                case=0,
                urgency=Urgency.NOTE,
                not_before=person.held_until(Urgency.NOTE, draft.now) or draft.now,
                number=int(at.timestamp()),
            )
            for person in draft.policy.people
            if not person.is_away(draft.now)
        )
        draft.book = replace(draft.book, pending=(*draft.book.pending, *words))
    draft.book = replace(draft.book, digest_at=digest.next_after(draft.now))


def next_deadline(book: Book, policy: Policy, now: datetime) -> datetime | None:
    """Give when ``decide`` must be called again if nothing else happens.

    The answer may lie in the past, which means at once. None: nothing waits for time.
    """
    book, now, _ = follow_clock(book, now)
    times: list[datetime] = []
    for case in book.cases:
        if case.answer is not None:
            times.append(case.answer.until)
        elif case.climb is not None and case.is_weighty:
            times.append(case.climb.next_at)
        if case.grows_at is not None:
            times.append(case.grows_at)
    times.extend(s.until for s in book.silences)
    times.extend(works_deadline(book))
    people = {word.person for word in book.pending}
    times.extend(ready_at(book, person, policy.gather, now) for person in people)
    if policy.digest is not None:
        # a nearer time that the settings name by now is written down at once
        nearer = book.digest_at is not None and book.digest_at > policy.digest.next_after(now)
        times.append(now if nearer else book.digest_at or now)
    return min(times, default=None)
