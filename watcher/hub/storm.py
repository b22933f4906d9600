"""Trouble on many boxes at once: the first messages leave, what is beyond is gathered into few.

Each box has a flood limit of its own (``cases/leaving.py``); a power cut in a street, a bad update
or a hot summer night makes hundreds of boxes speak in one minute. For each way to a person the
first messages of ten minutes leave as they are, whichever boxes they are from. Later ones are put
off for a moment and leave as one message that counts them and names the most urgent. Nothing is
hidden: the cases stand where they stood, and the list of work has all of them.

Should nobody gather (the hub's clock stands still), what was put off leaves by itself, late.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from watcher.cases.leaving import FLOOD_GAP, FLOOD_MESSAGES, FLOOD_MESSAGES_NOW
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.facts.units import say_count
from watcher.notify.messages import LONGEST_BYTES
from watcher.notify.words import WHEN, cut
from watcher.store.outbox import NewNotice, Notice
from watcher.store.transaction import Transaction

FLOOD_SPAN = timedelta(minutes=10)
"""More than ten alarms in ten minutes is a flood (EEMUA 191 key figures, as given by published
summaries)."""

GATHER_FOR = timedelta(seconds=30)
"""How long what was put off is gathered before it leaves; our choice: so that it, too, is heard
within a minute."""

AGAIN_NOW = timedelta(minutes=3)
"""In a storm that goes on, so often one gathered message leaves while it holds something of urgency
``now``; our choice. Otherwise it is ``FLOOD_GAP``."""

BY_ITSELF_AFTER = timedelta(minutes=5)
"""How much later than it should have been gathered a message leaves by itself; our choice."""

NAMED = 8
"""So many boxes are named in a gathered message; our choice: a phone shows about as many lines."""

SHARED = "So many at once often share a cause: power, network, heat, an update. Look there first."


def put_off(tx: Transaction, box: BoxId, now: datetime) -> None:
    """Put off what this box has just said, on each way on which much was said lately."""
    for target, urgency in tx.said_now(box, now):
        most = FLOOD_MESSAGES_NOW if urgency is Urgency.NOW else FLOOD_MESSAGES
        if tx.count_said(target, now - FLOOD_SPAN, most, besides=(box, now)) >= most:
            until = now + GATHER_FOR + gap_for(urgency) + BY_ITSELF_AFTER
            tx.put_off(box, target, now, until)


def gather(tx: Transaction, own: BoxId, now: datetime, link: str = "") -> bool:
    """Send what was put off and has waited long enough; True when there is something to send."""
    sent = False
    for target in tx.ways_put_off(now):
        waiting = tx.notices_put_off(target)
        first = min((notice.created_at for notice in waiting), default=now)
        last = tx.last_gathered(own, target)
        worst = max((notice.urgency for notice in waiting), default=Urgency.NOTE)
        if now - first < GATHER_FOR or (last is not None and last + gap_for(worst) > now >= last):
            continue
        if len(waiting) > 1:
            tx.put_notices([gathered(waiting, own, now, link)])
        tx.end_put_off(target, now, leaves=len(waiting) == 1)
        sent = True
    return sent


def gap_for(urgency: Urgency) -> timedelta:
    """Give how long there is between two gathered messages."""
    return AGAIN_NOW if urgency is Urgency.NOW else FLOOD_GAP


def gathered(waiting: Sequence[Notice], own: BoxId, now: datetime, link: str) -> NewNotice:
    """Write one message in the place of several to one target."""
    ordered = sorted(waiting, key=lambda n: (-n.urgency.rank, n.created_at, n.number))
    worst = ordered[0].urgency
    boxes = len({notice.box for notice in ordered})
    what = f"{say_count(len(ordered), 'message')} from {say_count(boxes, 'box', 'boxes')}"
    lines = [f"{_counted(ordered)}. {SHARED}"]
    ends = [link or "All: midwatch hub work"]
    for place, notice in enumerate(ordered):
        line = cut(f"{notice.box}: {notice.title}", 90)
        left = len(ordered) - place
        rest = [f"and {left} more", *ends]
        if place == NAMED or _bytes([*lines, line, *rest]) > LONGEST_BYTES - 100:
            ends = rest
            break
        lines.append(line)
    return NewNotice(
        key=f"gathered/{ordered[0].number}-{ordered[-1].number}/{now:%Y-%m-%dT%H:%M:%S}",
        box=own,
        person=ordered[0].person,
        target=ordered[0].target,
        urgency=worst,
        title=f"{WHEN[worst]}: {what}",
        body="\n".join([*lines, *ends]),
        created_at=now,
        link=link,
    )


def _counted(notices: Iterable[Notice]) -> str:
    """Count messages by urgency, the most urgent first."""
    counts = Counter(notice.urgency for notice in notices)
    return ", ".join(
        f"{counts[urgency]} {urgency.value}" for urgency in sorted(counts, reverse=True)
    )


def _bytes(lines: Sequence[str]) -> int:
    return len("\n".join(lines).encode())
