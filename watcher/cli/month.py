"""A client's month at a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from watcher.cli.columns import clean, columns, fold
from watcher.cli.parts import Room
from watcher.facts.units import say_count
from watcher.hub.month_report import BoxMonth, Report, given_back, lacks_of
from watcher.hub.protection_time import say_share
from watcher.web.month_page import STATES
from watcher.web.words import MONTHS

MOST_GAPS = 20


def written_month(report: Report, room: Room, width: int) -> Iterator[str]:
    """Write the month, box by box."""
    month = report.month
    so_far = "" if month.over else ", so far"
    yield f"{report.client}, {MONTHS[month.month - 1]} {month.year}{so_far}"
    yield from fold(clean(report.sentence), width)
    for box in report.boxes:
        yield ""
        yield from _box(box, room, width)
    yield ""
    yield from fold(
        "Three or four in ten drives fail with no sign before. No sign is not a promise, and "
        "redundancy is no backup.",
        width,
    )


def _say(room: Room, moment: datetime) -> str:
    return f"{moment.astimezone(room.zone):%d %b %Y %H:%M}"


def _box(box: BoxMonth, room: Room, width: int) -> Iterator[str]:
    yield clean(box.box)
    if box.returned:
        told = clean(given_back(box, lambda at: _say(room, at)))
        yield from (f"  {line}" for line in fold(told, width - 2))
    if box.seen_at is None:
        yield "  It has reported nothing yet. Nothing is known about it."
        return
    yield "  Protection"
    rows = [
        [
            pool.name,
            ", ".join(
                f"{name} {say_share(pool.shares[state])}"
                for state, name in STATES
                if pool.shares[state] > 0
            ),
        ]
        for pool in box.pools
    ]
    yield from columns(rows, total=width, indent="    ") or ["    No pool that we know of."]
    yield "  What happened"
    rows = [
        [
            _say(room, one.opened_at),
            one.lasted,
            f"answered by {one.answered_by}" if one.answered_at else "not answered",
            f"{one.label}: {one.sentence}",
        ]
        for one in box.cases
    ]
    yield from columns(rows, total=width, indent="    ") or [
        "    Nothing was seen that needed somebody."
    ]
    yield "  What was done"
    rows = [[_say(room, work.at), work.text] for work in box.done]
    yield from columns(rows, total=width, indent="    ") or ["    Nothing was written down."]
    yield from _unseen(box, room)
    if box.card is not None:
        yield "  How prepared it is"
        rows = [
            [topic, word, sentence + (f" And {more} more about it." if more else "")]
            for topic, word, sentence, more in lacks_of(box.card)
        ]
        yield from columns(rows, total=width, indent="    ") or ["    Nothing is lacking."]


def _unseen(box: BoxMonth, room: Room) -> Iterator[str]:
    yield f"  What was not seen: {say_share(box.unseen_share)} of the time"
    for gap in box.gaps[:MOST_GAPS]:
        joined = gap.begun_at < box.joined_at <= gap.ended_at
        told = f" (it joined {_say(room, box.joined_at)})" if joined else ""
        yield f"    {_say(room, gap.begun_at)} to {_say(room, gap.ended_at)}{told}"
    if len(box.gaps) > MOST_GAPS:
        yield f"    and {len(box.gaps) - MOST_GAPS} times more"
    if box.unread:
        told = ", ".join(box.unread)
        yield clean(f"    Of {say_count(box.drives, 'drive')} these told nothing last: {told}")
