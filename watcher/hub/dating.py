"""When a survey was taken, by the hub's clock: what a box's clock says is not believed either.

A box says with what it sends what its clock shows (``Date``, RFC 9110 section 6.6.1). Where that
and the hub's clock differ, what the box saw is dated anew, by the difference. Boxes hand over in
order, so a survey that comes after another was taken after it, whatever its date: a clock that
was set back must not make a new survey look older than one that is known, for the older of two
changes nothing. Pure.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from email.utils import format_datetime, parsedate_to_datetime
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import Subject, SubjectKind
from watcher.facts.kernel_event import KernelEvent
from watcher.facts.survey import Survey
from watcher.facts.units import say_span
from watcher.store.hub import EnrolledBox

CLOCKS_AGREE: Final = timedelta(minutes=2)
"""So far apart two clocks may be; our choice: far beyond what machines that keep time by a time
service differ by, and beyond what a request takes on its way."""

NEXT_AFTER: Final = timedelta(milliseconds=1)
"""Between two surveys of which only the order is known."""


def say_clock(now: datetime) -> str:
    """Write what a clock shows, as a header of a request."""
    return format_datetime(now, usegmt=True)


def clock_behind(said: str, now: datetime) -> timedelta | None:
    """Give by how much the clock of a box is behind ours; less than zero: it is ahead.

    None when the box said nothing that can be read.
    """
    try:
        shown = parsedate_to_datetime(said)
    except ValueError:
        return None
    return None if shown.tzinfo is None else now - shown


def differs(behind: timedelta | None) -> bool:
    """Tell whether the two clocks differ by more than they may."""
    return behind is not None and abs(behind) > CLOCKS_AGREE


def dated(survey: Survey, behind: timedelta | None, last: datetime | None, now: datetime) -> Survey:
    """Give a survey with what was seen dated by the hub's clock; the same when that agrees.

    ``last`` is when the last survey of the box was taken, by the hub's clock; one from the future
    was dated before that was set back, and says nothing.
    """
    latest = now + CLOCKS_AGREE
    at = survey.taken_at
    if behind is not None and differs(behind):
        at = min(_sum(at, behind), now)
    elif at > latest:
        at = now
    if last is not None and at <= last <= latest:
        at = last + NEXT_AFTER if differs(behind) else max(now, last + NEXT_AFTER)
    if at != survey.taken_at:
        survey = _moved(survey, at - survey.taken_at, at)
    if any(event.at > latest for event in survey.events):
        survey = replace(survey, events=tuple(_not_after(at, e) for e in survey.events))
    return survey


def _moved(survey: Survey, by: timedelta, at: datetime) -> Survey:
    """Move the moments at which something was seen.

    When the last scrub ended and when a copy was made may have been written by a clock that was
    right: these are moved where that makes them older, and never seem fresher than they may be.
    """
    drives = tuple(replace(r, observed_at=_sum(r.observed_at, by)) for r in survey.drives)
    unread = tuple(replace(u, observed_at=_sum(u.observed_at, by)) for u in survey.unread)
    pools = tuple(
        replace(p, observed_at=_sum(p.observed_at, by), scrubbed_at=_older(p.scrubbed_at, by))
        for p in survey.pools
    )
    events = tuple(
        replace(e, at=_sum(e.at, by), last_at=None if e.last_at is None else _sum(e.last_at, by))
        for e in survey.events
    )
    backups = survey.backups
    if backups is not None:
        things = tuple(
            replace(
                thing,
                copies=tuple(replace(c, copied_at=_older(c.copied_at, by)) for c in thing.copies),
            )
            for thing in backups.things
        )
        backups = replace(backups, seen_at=_sum(backups.seen_at, by), things=things)
    return replace(
        survey,
        taken_at=at,
        drives=drives,
        unread=unread,
        pools=pools,
        events=events,
        backups=backups,
    )


def _sum(moment: datetime, by: timedelta) -> datetime:
    """Move a moment; one at the ends of the calendar stays, for it means nothing anyway."""
    try:
        return moment + by
    except OverflowError:
        return moment


def _older(moment: datetime | None, by: timedelta) -> datetime | None:
    return None if moment is None else min(moment, _sum(moment, by))


def _not_after(at: datetime, event: KernelEvent) -> KernelEvent:
    """Give an event that the survey at hand brought, and that cannot be younger than that."""
    last = None if event.last_at is None else min(event.last_at, at)
    return replace(event, at=min(event.at, at), last_at=last)


def clock_differs(box: EnrolledBox, behind: timedelta, now: datetime) -> Finding:
    """Say that the clock of a box and that of the hub differ."""
    way = "behind" if behind > timedelta(0) else "ahead of"
    return Finding(
        rule="clock-differs",
        subject=Subject(kind=SubjectKind.BOX, key=box.box),
        label=box.box,
        urgency=Urgency.THIS_WEEK,
        sentence=f"The clock of this box is {say_span(abs(behind))} {way} the clock of the hub. "
        "The hub dates what the box sees by its own clock.",
        next_step="See on both which clock is wrong (timedatectl) and whether its time service "
        "runs. If many boxes say this, it is the hub's.",
        observed_at=now,
        evidence=(
            Evidence(what="clock of the hub", value=f"{now:%Y-%m-%d %H:%M} UTC"),
            Evidence(what="clock of the box", value=f"{now - behind:%Y-%m-%d %H:%M} UTC"),
        ),
    )
