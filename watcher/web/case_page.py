"""A case: what happened, what is at stake, until when, what to do next, and the answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from markupsafe import Markup

from watcher.cases.effects import Record
from watcher.cases.observations import Acknowledged, HandedOver
from watcher.cases.record_words import say_record
from watcher.cases.state import Case
from watcher.facts.identity import BoxId
from watcher.rules.catalogue import CATALOGUE
from watcher.service.extras import pool_of_case
from watcher.service.links import Link, Purpose, sign
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Holder, Refusal, Reply, go_to, not_found
from watcher.web.blocks import draw_margin
from watcher.web.overview import Line, line_of
from watcher.web.prospect import Prospect, is_short, prospect_of, view_at
from watcher.web.qr import draw_qr
from watcher.web.site import Site, draw
from watcher.web.times import offers, until_of
from watcher.web.words import address, say_standing

LONGEST_NOTE = 500
MOST_LISTED = 200
MOST_OF_A_BOX = 500
"""Cases read of each box, the open ones first; our choice: more than are open at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The case that a page is about."""

    box: BoxId
    number: int
    home: str  # the address of its page
    query: str  # what that address needs besides


def asked(site: Site, tx: Transaction, ask: Ask) -> Asked:
    """Say which case an address means, for somebody signed in or with a link."""
    holder = ask.who
    if holder.link is not None:
        if holder.link.purpose is not Purpose.CASE:
            raise not_found("case behind this link")
        return Asked(
            box=holder.link.box, number=holder.link.case, home=f"/a/{holder.link_text}", query=""
        )
    given = ask.query.get("box") or ask.field("box")
    box = site.box_asked(tx, ask, given)
    number = int(ask.parts["number"][:9])
    named = box if box != site.box else ""
    return Asked(box=box, number=number, home=f"/case/{number}", query=named)


def page_of(which: Asked, **words: str) -> str:
    """Give the address of the page of a case."""
    return address(which.home, box=which.query, **words)


def find_case(tx: Transaction, which: Asked) -> Case:
    """Give the case, from the book or the archive."""
    found = tx.load_book(which.box).case(which.number) or tx.case(which.box, which.number)
    if found is None:
        raise not_found("case of that number")
    return found


def case(site: Site, ask: Ask) -> Reply:
    """Show a case."""
    clock = site.clockwork(ask)
    with site.store.snapshot() as tx:
        which = asked(site, tx, ask)
        found = find_case(tx, which)
        records = tx.records(which.box, which.number)
        view = view_at(site, tx, which.box, ask)
        pool = pool_of_case(found, view)
        policy = site.standing(tx, which.box).policy
        unheard = site.unheard_elsewhere(tx, which.box, ask.now)
        ways = tx.recoveries(which.box, pool.pool) if pool is not None else ()
    prospect: Prospect | None = None
    if view is not None and pool is not None and found.is_open and is_short(pool):
        prospect = prospect_of(site, view, pool, ask.now)
    words: dict[str, Any] = {
        "which": which,
        "unheard": unheard,
        "case": found,
        "top": found.weightiest,
        "others": found.standing[1:],
        "over": [held for held in found.held if held.cleared_at is not None],
        "standing": say_standing(found, clock),
        "pool": pool,
        "way_back": any(way.is_open for way in ways),
        "blocks": draw_margin(pool, size=1.3) if pool else "",
        "prospect": prospect,
        "records": [(one, _say_record(one)) for one in shown_records(site, ask.who, records)],
        "offers": offers(clock, longest=policy.longest_answer),
        "people": [person.name for person in policy.people if person.name != ask.who.by],
        "answers": found.is_open,
        "known_rules": CATALOGUE,
        "qr": _qr(site, which),
        "print_address": _outside(site, which),
        "link_ends": ask.who.link.ends_at if ask.who.link else None,
    }
    return draw(site, ask, "case.html", words)


_NOTED = frozenset({"acknowledged", "also-answered", "handed-over"})
"""Lines that hold what somebody noted with an answer."""


def shown_records(site: Site, holder: Holder, records: Iterable[Record]) -> tuple[Record, ...]:
    """Give the record as whoever asks may read it.

    What the shop noted with its answers is the shop's, unless the settings let the client read it.
    """
    clients = site.terms.clients
    if clients is None or not holder.client or clients.sees_notes(holder.client):
        return tuple(records)
    return tuple(
        replace(record, text=record.text.partition(". ")[0] if record.what == "handed-over" else "")
        if record.what in _NOTED
        and record.by not in {holder.by, holder.name}
        and clients.client_of(record.by) != holder.client
        else record
        for record in records
    )


def _say_record(record: Record) -> str:
    return say_record(record.what)


def _outside(site: Site, which: Asked) -> str:
    """Give the address by which the page of a case is reached from outside, "" when it is not."""
    if not site.terms.public_url:
        return ""
    return site.terms.public_url.rstrip("/") + address(f"/case/{which.number}", box=which.query)


def _qr(site: Site, which: Asked) -> Markup:
    """Draw where the page is found, for print: the plain address, which lets nobody in."""
    outside = _outside(site, which)
    return draw_qr(outside) if outside else Markup("")


def by_link(site: Site, ask: Ask) -> Reply:
    """Show what a signed link opens: its case, or the list of open cases."""
    link = ask.who.link
    if link is None or link.purpose is Purpose.CASE:
        return case(site, ask)
    clock = site.clockwork(ask)
    key = site.sign_key(ask.now)
    with site.store.snapshot() as tx:
        found = [c for c in tx.load_book(link.box).open_cases if not c.only_notes]
    lines = [
        Line(
            box=link.box,
            case=one,
            standing=say_standing(one, clock),
            address="/a/" + sign(_narrowed(link, one.number), key),
        )
        for one in found
    ]
    return draw(site, ask, "cases.html", {"lines": lines, "over": [], "all": False, "cut": False})


def _narrowed(link: Link, number: int) -> Link:
    """Make a link to one case out of that to the list: the same person, the same end."""
    return Link(person=link.person, box=link.box, ends_at=link.ends_at, case=number)


def cases(site: Site, ask: Ask) -> Reply:
    """List the cases of all boxes that somebody may see."""
    clock = site.clockwork(ask)
    also_over = "all" in ask.query
    with site.store.snapshot() as tx:
        boxes = site.boxes_of(tx, ask.who) if also_over else site.watched_of(tx, ask.who)
        if ask.query.get("box"):
            boxes = (site.box_asked(tx, ask),)
        found = [
            (box, one)
            for box in boxes
            for one in tx.list_cases(box, open_only=not also_over, limit=MOST_OF_A_BOX)
        ]
    found.sort(key=lambda item: (not item[1].is_open, -item[1].urgency.rank, -item[1].number))
    lines = [line_of(site, box, one, clock) for box, one in found[:MOST_LISTED]]
    return draw(
        site,
        ask,
        "cases.html",
        {
            "lines": [line for line in lines if line.case.is_open],
            "over": [line for line in lines if not line.case.is_open],
            "all": also_over,
            "cut": len(found) > MOST_LISTED,
        },
    )


def note_of(ask: Ask, name: str = "note") -> str:
    """Give a note as it is written down: one line, bounded."""
    return " ".join(ask.field(name).split())[:LONGEST_NOTE]


def take(site: Site, ask: Ask) -> Reply:
    """Take a case until a time."""
    with site.store.snapshot() as tx:
        which = asked(site, tx, ask)
        find_case(tx, which)
    until = until_of(
        ask, site.clockwork(ask), chosen=ask.field("until"), written=ask.field("until_other")
    )
    said = Acknowledged(case=which.number, by=ask.who.by, until=until, note=note_of(ask))
    outcome = site.hear(which.box, said, ask, "took-case")
    if outcome.refused:
        raise Refusal(422, outcome.refused)
    with site.store.snapshot() as tx:
        now = tx.load_book(which.box).case(which.number)
    mine = now is not None and now.answer is not None and now.answer.by == ask.who.by
    return go_to(page_of(which, done="taken" if mine else "beside"))


def hand_over(site: Site, ask: Ask) -> Reply:
    """Give a case to somebody else."""
    with site.store.snapshot() as tx:
        which = asked(site, tx, ask)
        find_case(tx, which)
        policy = site.standing(tx, which.box).policy
    to = ask.field("to")
    if policy.person(to) is None:
        raise Refusal(422, "Name who takes it over.")
    said = HandedOver(case=which.number, by=ask.who.by, to=to, note=note_of(ask))
    outcome = site.hear(which.box, said, ask, "handed-over-case")
    if outcome.refused:
        raise Refusal(422, outcome.refused)
    return go_to(page_of(which, done="handed"))
