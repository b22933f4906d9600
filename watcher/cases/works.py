"""Planned work in time: it is warned of before it overruns, and compared when it ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from watcher.cases.draft import Draft
from watcher.cases.state import Book, ExpectKind, Maintenance, NoticeKind, Pending, PoolSeen
from watcher.facts.finding import Urgency
from watcher.facts.pool import Protection

WARN_BEFORE_END = timedelta(minutes=15)
"""How long before its end the overrun of planned work is told, or a quarter of the work's length
where that is shorter. Our choice: enough to ask for more time, late enough to be true."""


def _warn_at(work: Maintenance) -> datetime:
    """Give when the overrun is told."""
    return work.ends - min(WARN_BEFORE_END, (work.ends - work.begins) / 4)


def _unfinished(book: Book, work: Maintenance) -> tuple[PoolSeen, ...]:
    """Give the pools of the work that are not whole (or cannot be seen)."""
    about_pools = any(e.kind is not ExpectKind.BOX_OFF for e in work.expects)
    if not about_pools:
        return ()
    return tuple(
        seen
        for seen in book.pools
        if (work.pool is None or seen.pool == work.pool) and seen.protection is not Protection.WHOLE
    )


def _say(unfinished: tuple[PoolSeen, ...]) -> str:
    """Say how the pools stand."""
    return ", ".join(f"{seen.name} is {seen.protection.value}" for seen in unfinished)


def _tell(draft: Draft, work: Maintenance, kind: NoticeKind, urgency: Urgency, about: str) -> None:
    """Tell the person who does the work, or everybody when that is nobody we can reach."""
    known = draft.policy.person(work.by)
    names = (work.by,) if known else tuple(p.name for p in draft.policy.people)
    words = tuple(
        Pending(
            person=name,
            kind=kind,
            case=0,
            urgency=urgency,
            not_before=draft.now,
            number=work.number,
            about=about,
        )
        for name in names
    )
    draft.book = replace(draft.book, pending=(*draft.book.pending, *words))


def close_work(draft: Draft, work: Maintenance) -> None:
    """End planned work: compare with what should be, and say what came of it."""
    name = work.pool_name or "the box"
    unfinished = _unfinished(draft.book, work)
    if unfinished:
        about = f"{work.reason or name}: {_say(unfinished)}"
        urgency = Urgency.TODAY
    else:
        about = f"{work.reason or name}: nothing is left open"
        urgency = Urgency.NOTE
    done = replace(work, over=True)
    works = tuple(done if w.number == work.number else w for w in draft.book.works)
    draft.book = replace(draft.book, works=works)
    draft.record(0, "work-over", by=work.by, text=about)
    _tell(draft, done, NoticeKind.WORK_ENDED, urgency, about)


def run_works(draft: Draft) -> None:
    """Warn of and end planned work that is due, and forget what is long over."""
    now = draft.now
    for work in draft.book.works:
        if work.over:
            continue
        if now >= work.ends:
            close_work(draft, work)
        elif now >= _warn_at(work) and not work.warned:
            unfinished = _unfinished(draft.book, work)
            warned = replace(work, warned=True)
            works = tuple(warned if w.number == work.number else w for w in draft.book.works)
            draft.book = replace(draft.book, works=works)
            if unfinished:
                about = f"{work.reason}: {_say(unfinished)}" if work.reason else _say(unfinished)
                _tell(draft, warned, NoticeKind.WORK_OVERRUNS, Urgency.TODAY, about)
    kept = tuple(w for w in draft.book.works if not w.over or now - w.ends < timedelta(days=1))
    draft.book = replace(draft.book, works=kept)


def works_deadline(book: Book) -> Iterator[datetime]:
    """Give the moments at which planned work needs attention."""
    for work in book.works:
        if work.over:
            continue
        yield work.ends
        if not work.warned:
            yield _warn_at(work)
