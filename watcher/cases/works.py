"""Planned work in time: how it began, what came, a warning before it overruns, what came of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from watcher.cases.draft import Draft
from watcher.cases.hush import Sound, hear, is_expected
from watcher.cases.recurrence import next_after
from watcher.cases.state import (
    Book,
    ExpectKind,
    Maintenance,
    NoticeKind,
    Pending,
    PoolSeen,
    Stands,
    unseen,
)
from watcher.facts.finding import Finding, Urgency
from watcher.facts.pool import Protection
from watcher.facts.units import say_count

WARN_BEFORE_END = timedelta(minutes=15)
"""How long before its end the overrun of planned work is told, or a quarter of the work's length
where that is shorter. Our choice: enough to ask for more time, late enough to be true."""

_NOTED_MOST = 200
"""How many signs and surprises of one work are kept; what is beyond is in the record anyway."""

_NAMED_MOST = 3
"""How many drives and surprises a summary names; the rest is counted."""


def _warn_at(work: Maintenance) -> datetime:
    """Give when the overrun is told."""
    return work.ends - min(WARN_BEFORE_END, (work.ends - work.begins) / 4)


def _put(draft: Draft, work: Maintenance) -> Maintenance:
    """Write work into the book in place of the one with its number."""
    works = tuple(work if w.number == work.number else w for w in draft.book.works)
    draft.book = replace(draft.book, works=works)
    return work


def _pools_of(book: Book, work: Maintenance) -> tuple[PoolSeen, ...]:
    """Give the pools that the work is about, as they are seen now.

    One that was there when the work began and is not in the last survey is not known: it may have
    been taken away, be gone, or hide behind a stack that does not answer.
    """
    if all(e.kind is ExpectKind.BOX_OFF for e in work.expects):
        return ()
    here = {seen.pool for seen in book.pools}
    gone = unseen(tuple(then for then in work.begun or () if then.pool not in here))
    mine = (seen for seen in book.pools if work.pool is None or seen.pool == work.pool)
    return (*mine, *gone)


def _unfinished(book: Book, work: Maintenance) -> tuple[PoolSeen, ...]:
    """Give the pools of the work that are not whole (or cannot be seen).

    A pool that was built without margin is as it should be.
    """
    return tuple(
        seen
        for seen in _pools_of(book, work)
        if seen.protection is not Protection.WHOLE
        and not (seen.protection is Protection.BARE and seen.full_margin == 0)
    )


def _say(unfinished: tuple[PoolSeen, ...]) -> str:
    """Say how the pools stand, by their margin where that is known."""
    return ", ".join(f"{seen.name} {_stands(seen)}" for seen in unfinished)


def _stands(seen: PoolSeen) -> str:
    if seen.protection is Protection.UNKNOWN:
        return "cannot be seen"
    if seen.protection is Protection.BROKEN or seen.margin is None or seen.full_margin is None:
        return f"is {seen.protection.value}"
    return f"has margin {seen.margin} of {seen.full_margin}"


def _tell(draft: Draft, work: Maintenance, kind: NoticeKind, urgency: Urgency, about: str) -> None:
    """Tell the person who does the work, or all who are not on leave when that is nobody known.

    Who planned it for this one time is up with it. Everybody else has their quiet hours, and so has
    whoever planned work that comes again by itself.
    """
    known = draft.policy.person(work.by)
    here = tuple(person for person in draft.policy.people if not person.is_away(draft.now))
    people = (known,) if known else here or draft.policy.people
    is_up = known is not None and not work.repeat
    words = tuple(
        Pending(
            person=person.name,
            kind=kind,
            case=0,
            urgency=urgency,
            not_before=(None if is_up else person.held_until(urgency, draft.now)) or draft.now,
            number=work.number,
            about=about,
        )
        for person in people
    )
    draft.book = replace(draft.book, pending=(*draft.book.pending, *words))


def note_for_works(draft: Draft) -> None:
    """Keep for each work that goes on which announced signs came, and which others."""
    client = draft.policy.client
    for work in draft.book.works:
        if not work.is_on(draft.now):
            continue
        came, surprises = list(work.came), list(work.surprises)
        for case in draft.open_cases():
            for finding in case.standing:
                if is_expected(work, finding, draft.book):
                    came.append(finding.key)
                elif hear(finding, draft.book, draft.now, client).sound is Sound.UNEXPECTED:
                    surprises.append(_in_words(finding))
        noted = replace(
            work,
            came=tuple(dict.fromkeys(came))[:_NOTED_MOST],
            surprises=tuple(dict.fromkeys(surprises))[:_NOTED_MOST],
        )
        if noted != work:
            _put(draft, noted)


def _in_words(finding: Finding) -> str:
    """Say a finding with what it is about, once, and without how its pool stood just then."""
    about = finding.label.removeprefix("pool ")
    sentence = finding.sentence.partition(" It belongs to the pool ")[0]
    return sentence if about in sentence else f"{finding.label}: {sentence}"


def _names(drives: list[Stands]) -> str:
    """Name some drives and count the rest."""
    named = ", ".join(one.label for one in drives[:_NAMED_MOST])
    more = len(drives) - _NAMED_MOST
    return f"{named} and {more} more" if more > 0 else named


def _margin(seen: PoolSeen) -> str:
    """Say a margin, or that it is not known."""
    return "not known" if seen.margin is None else str(seen.margin)


def summary_of(work: Maintenance, book: Book) -> tuple[str, ...]:
    """Say what happened during the work: margins, drives that went and came, signs, surprises."""
    lines = []
    before = {seen.pool: seen for seen in work.begun or ()}
    for now in _pools_of(book, work):
        then = before.get(now.pool)
        if then is None:
            continue
        full = f" of {now.full_margin}" if now.full_margin is not None else ""
        lines.append(f"{now.name}: margin was {_margin(then)}, is {_margin(now)}{full}.")
        went = [one for one in then.stands if one.drive not in now.standing_drives]
        came = [one for one in now.stands if one.drive not in then.standing_drives]
        if went:
            lines.append(f"Out: {_names(went)}.")
        if came:
            lines.append(f"In: {_names(came)}.")
    if work.came:
        lines.append(f"{say_count(len(work.came), 'announced sign')} came and stayed quiet.")
    elif work.begun is not None:
        lines.append("Nothing of what was announced was seen.")
    lines += [f"Meanwhile, not announced: {text}" for text in work.surprises[:_NAMED_MOST]]
    if len(work.surprises) > _NAMED_MOST:
        lines.append(f"and {len(work.surprises) - _NAMED_MOST} more that was not announced.")
    return tuple(lines)


def close_work(draft: Draft, work: Maintenance) -> None:
    """End planned work: compare with what should be, and say what came of it."""
    unfinished = _unfinished(draft.book, work)
    name = work.reason or work.pool_name or "the box"
    state = _say(unfinished) if unfinished else "nothing is left open"
    about = "\n".join((f"{name}: {state}", *summary_of(work, draft.book)))
    _put(draft, replace(work, over=True))
    draft.record(0, "work-over", by=work.by, text=about)
    urgency = Urgency.TODAY if unfinished else Urgency.NOTE
    _tell(draft, work, NoticeKind.WORK_ENDED, urgency, about)
    _plan_next(draft, work)


def _plan_next(draft: Draft, work: Maintenance) -> None:
    """Write down the next of repeated works; what was slept through is left out."""
    if not work.repeat:
        return
    first = work.first or work.begins
    at = next_after(work.repeat, first, work.zone, max(work.begins, draft.now))
    if at is None or at - first > draft.policy.longest_repeat:
        draft.record(0, "work-plan-over", by=work.by, text=work.reason)
        return
    following = replace(
        work,
        number=draft.book.next_mark,
        begins=at,
        ends=at + (work.ends - work.begins),
        first=first,
        begun=None,
        came=(),
        surprises=(),
        warned=False,
    )
    draft.book = replace(
        draft.book,
        works=(*draft.book.works, following),
        next_mark=following.number + 1,
    )
    draft.record(0, "work-planned", by=work.by, text=f"{work.reason}, {at:%Y-%m-%d %H:%M} UTC")


def run_works(draft: Draft) -> None:
    """Begin, warn of and end planned work that is due, and forget what is long over."""
    now = draft.now
    for given in draft.book.works:
        work = given
        if work.over:
            continue
        if work.begun is None and now >= work.begins:
            work = _put(draft, replace(work, begun=_pools_of(draft.book, work)))
        if now >= work.ends:
            close_work(draft, work)
        elif now >= _warn_at(work) and not work.warned:
            unfinished = _unfinished(draft.book, work)
            _put(draft, replace(work, warned=True))
            if unfinished:
                about = f"{work.reason}: {_say(unfinished)}" if work.reason else _say(unfinished)
                _tell(draft, work, NoticeKind.WORK_OVERRUNS, Urgency.TODAY, about)
    kept = tuple(w for w in draft.book.works if not w.over or now - w.ends < timedelta(days=1))
    draft.book = replace(draft.book, works=kept)


def works_deadline(book: Book) -> Iterator[datetime]:
    """Give the moments at which planned work needs attention."""
    for work in book.works:
        if work.over:
            continue
        yield work.ends
        if work.begun is None:
            yield work.begins
        if not work.warned:
            yield _warn_at(work)
