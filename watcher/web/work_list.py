"""The shop's work list: cases by urgency and chance of loss, drives, readiness, what falls due.

What is open comes from the books and is always whole. The rest is worked out box by box from its
last survey, and kept until there is a new one or an hour has passed; one page works out at most
``MOST_ANEW`` boxes, and says how many are still to be looked at: a page of a shop with a thousand
boxes must not take a minute.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from watcher.exposure.figure import say_chance
from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection
from watcher.hub.quiet import is_quiet
from watcher.hub.spares import Need, SizeLine, Stock, size_lines, stock_of
from watcher.hub.work import Piece, work_of
from watcher.service.card import Standing as Ready
from watcher.service.card import card_of
from watcher.service.desk import Standing, last_view
from watcher.service.prospects import exposure_of
from watcher.store.hub import BoxState, EnrolledBox
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Reply, not_found
from watcher.web.due import Due, falls_due
from watcher.web.prospect import say
from watcher.web.site import Site, draw
from watcher.web.words import address, say_standing

MOST_ANEW = 100
"""Boxes that one page works out anew: two or three seconds on a small machine. Our choice."""

SERVES = timedelta(hours=1)
"""How long what was worked out for a box serves without a new survey; its dates are days."""

DUE_WITHIN = timedelta(days=14)
"""What falls due later is left for later; our choice: two weeks can be planned."""

MOST_DUE, MOST_NEEDS, MOST_CASES = 60, 40, 200
"""Lines of each part that are written; the rest is counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What was worked out for one box."""

    box: BoxId
    client: str
    at: datetime
    survey: str
    stock: Stock
    lacks: tuple[str, ...]  # topics of readiness
    unjudged: tuple[str, ...]  # topics that cannot be judged
    told: bool  # whether the box told of its own shelf, its drills and its restores
    dues: tuple[Due, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkList:
    """All of it."""

    pieces: tuple[Piece, ...]
    quiet: tuple[EnrolledBox, ...]
    never: tuple[EnrolledBox, ...]  # joined and never heard of
    needs: tuple[Need, ...]
    sizes: tuple[SizeLine, ...]
    not_ready: tuple[Looked, ...]
    dues: tuple[tuple[Looked, Due], ...]
    looked: int  # boxes that were worked out
    waiting: int  # boxes that were not yet
    untold: tuple[Looked, ...]  # boxes that told nothing of their own shelf and drills
    unread: int  # drives that say nothing now, of which nothing is expected either


@dataclass(slots=True)
class Kept:
    """What was worked out before, by box."""

    boxes: dict[BoxId, Looked] = field(default_factory=dict)


def look_at(tx: Transaction, box: EnrolledBox, standing: Standing, now: datetime) -> Looked | None:
    """Work one box out; None when it was never surveyed."""
    view = last_view(tx, box.box, now, standing)
    if view is None:
        return None
    short = [p for p in view.survey.pools if p.protection in {Protection.THINNED, Protection.BARE}]
    prospects = tuple(say(exposure_of(view, pool, standing.plan, now)) for pool in short)
    dues = falls_due(tx.load_book(box.box), view, standing.tuning, prospects, now)
    card = card_of(view, standing.tuning)
    named = {ready: [x.topic.value for x in card.lines if x.standing is ready] for ready in Ready}
    return Looked(
        box=box.box,
        client=box.client,
        at=now,
        survey=view.survey.survey,
        stock=stock_of(view, box.client, standing.tuning),
        lacks=tuple(dict.fromkeys(named[Ready.LACKS])),
        unjudged=tuple(dict.fromkeys(named[Ready.UNSEEN])),
        told=view.ready is None or view.ready.is_told,
        dues=tuple(due for due in dues if due.at <= now + DUE_WITHIN),
    )


def gather(
    site: Site, tx: Transaction, now: datetime, *, kept: Kept, most_anew: int | None = None
) -> WorkList:
    """Put the list together; with ``most_anew`` at most so many boxes are worked out anew."""
    watched = [b for b in tx.enrolled_boxes() if b.state is BoxState.WATCHED]
    anew, waiting = 0, 0
    looked: list[Looked] = []
    for box in watched:
        before = kept.boxes.get(box.box)
        seen = tx.box_seen(box.box)
        if seen is None:
            continue
        fresh = before is not None and before.survey == seen.last_survey
        if before is None or not fresh or now - before.at > SERVES:
            if most_anew is not None and anew >= most_anew:
                waiting += 1
                if before is not None:
                    looked.append(before)
                continue
            anew += 1
            before = look_at(tx, box, site.standing(tx, box.box), now)
            if before is None:
                continue
            kept.boxes[box.box] = before
        looked.append(before)
    needs = [need for one in looked for need in one.stock.needs]
    shelf = tx.shelf(site.box)
    return WorkList(
        pieces=work_of(tx, site.terms.standing.plan, now),
        quiet=tuple(b for b in watched if b.heard_at and is_quiet(b, now, timedelta(0))),
        never=tuple(b for b in watched if b.heard_at is None),
        needs=tuple(sorted(needs, key=lambda n: (not n.lost, n.client, n.box, n.label))),
        sizes=size_lines([one.stock for one in looked], shelf, now),
        not_ready=tuple(one for one in looked if one.lacks or one.unjudged),
        dues=tuple(
            sorted(
                ((one, due) for one in looked for due in one.dues),
                key=lambda item: (item[1].at, item[0].box, item[1].key),
            )
        ),
        looked=len(looked),
        waiting=waiting,
        untold=tuple(one for one in looked if not one.told),
        unread=sum(one.stock.unread for one in looked),
    )


def lacking(looked: WorkList) -> Mapping[str, list[Looked]]:
    """Give the boxes by what they lack, what is lacking most often first."""
    found: dict[str, list[Looked]] = {}
    for one in looked.not_ready:
        for topic in one.lacks:
            found.setdefault(topic, []).append(one)
    return dict(sorted(found.items(), key=lambda item: (-len(item[1]), item[0])))


def page(site: Site, ask: Ask) -> Reply:
    """Show the list, to the shop only."""
    if site.terms.clients is None or ask.who.client or ask.who.boxes is not None:
        raise not_found("page")
    clock = site.clockwork(ask)
    kept: Kept = site.kept.get("work list") or Kept()
    site.keep("work list", kept)
    with site.store.snapshot() as tx:
        found = gather(site, tx, ask.now, kept=kept, most_anew=MOST_ANEW)
    words: dict[str, Any] = {
        "list": found,
        "pieces": [
            (
                piece,
                address(f"/case/{piece.case.number}", box=piece.box),
                say_standing(piece.case, clock),
                say_chance(piece.chance) if piece.chance is not None else "",
            )
            for piece in found.pieces[:MOST_CASES]
        ],
        "pieces_more": max(0, len(found.pieces) - MOST_CASES),
        "needs": found.needs[:MOST_NEEDS],
        "needs_more": max(0, len(found.needs) - MOST_NEEDS),
        "lacking": lacking(found),
        "dues": found.dues[:MOST_DUE],
        "dues_more": max(0, len(found.dues) - MOST_DUE),
    }
    return draw(site, ask, "work_list.html", words)
