"""What falls due as a calendar that a phone can follow: RFC 5545.

Section numbers below are of that document. The feed is asked for with a program's token, in the
address where a calendar program cannot send a header; such a token should look and do no more.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Reply
from watcher.web.due import Due, falls_due
from watcher.web.prospect import Prospect, prospect_of, view_at
from watcher.web.site import Site

LONGEST_LINE = 75
"""Octets of a line, its end not counted: section 3.1."""

SHORT = timedelta(minutes=15)
"""How long an event is drawn that is only a moment; our choice."""

_SHORT_OF_MARGIN = {Protection.THINNED, Protection.BARE}


def due_on(site: Site, tx: Transaction, box: BoxId, ask: Ask) -> tuple[Due, ...]:
    """Give what falls due on a box."""
    view = view_at(site, tx, box, ask)
    prospects: list[Prospect] = []
    if view is not None:
        short = [p for p in view.survey.pools if p.protection in _SHORT_OF_MARGIN]
        prospects = [prospect_of(site, view, pool, ask.now) for pool in short]
    standing = site.terms.standing
    return falls_due(tx.load_book(box), view, standing.tuning, tuple(prospects), ask.now)


def calendar(site: Site, ask: Ask) -> Reply:
    """Give the calendar of all boxes that whoever asks may see."""
    with site.store.snapshot() as tx:
        found = [
            (box, due) for box in site.watched_of(tx, ask.who) for due in due_on(site, tx, box, ask)
        ]
    lines = write(found, ask.now, site.terms.public_url)
    return Reply(body="".join(f"{line}\r\n" for line in lines), kind="text/calendar; charset=utf-8")


def write(found: Iterable[tuple[BoxId, Due]], now: datetime, public_url: str) -> Iterator[str]:
    """Write the lines of a calendar, folded."""
    yield "BEGIN:VCALENDAR"
    yield "VERSION:2.0"
    yield "PRODID:-//midwatch//what falls due//EN"
    yield "CALSCALE:GREGORIAN"
    yield "METHOD:PUBLISH"
    yield "NAME:midwatch"
    for box, due in found:
        for one in _each_date(due):
            for line in _event(box, one, now, public_url):
                yield from fold(line)
    yield "END:VCALENDAR"


def _each_date(due: Due) -> Iterator[Due]:
    """Give what comes again once for each date, with a name that stays when a date has passed.

    Not as a rule (section 3.8.5.3): work holds to the local time of day, so a rule would need the
    whole time zone beside it, and not every program keeps to both.
    """
    if not due.series:
        yield due
        return
    lasts = due.ends - due.at if due.ends is not None else None
    for at in (due.at, *due.again):
        ends = at + lasts if lasts is not None else None
        yield replace(due, key=f"{due.series}-{stamp(at)}", at=at, ends=ends)


def _event(box: BoxId, due: Due, now: datetime, public_url: str) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{escape(f'{due.key}@{box}.midwatch')}"
    yield f"DTSTAMP:{stamp(now)}"
    yield f"DTSTART:{stamp(due.at)}"
    yield f"DTEND:{stamp(due.ends or due.at + SHORT)}"
    yield f"SUMMARY:{escape(f'{box}: {due.what}')}"
    if due.more:
        yield f"DESCRIPTION:{escape(due.more)}"
    if public_url:
        yield f"URL:{public_url}"
    yield f"CATEGORIES:{due.kind.upper()}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def stamp(moment: datetime) -> str:
    """Give a moment in UTC: section 3.3.5, form 2."""
    return f"{moment.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def escape(text: str) -> str:
    """Give a text as a value: section 3.3.11. Control characters are left out."""
    kept = "".join(c for c in text.replace("\r\n", "\n") if c == "\n" or c.isprintable())
    for plain, escaped in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        kept = kept.replace(plain, escaped)
    return kept


def fold(line: str) -> Iterator[str]:
    """Part a line that is too long, never within a character: section 3.1."""
    part, size = "", 0
    for letter in line:
        width = len(letter.encode())
        if size + width > LONGEST_LINE:
            yield part
            part, size = " ", 1
        part += letter
        size += width
    yield part
