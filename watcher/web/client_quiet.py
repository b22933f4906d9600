"""Quiet for all boxes of a client at once: the form with what it would do, the doing, the ending.

The silence is written into the book of each box that whoever asks may see, all of them in one
transaction or none. A box that joins later is not silent: nobody has looked at it yet.
"""

from __future__ import annotations

from dataclasses import dataclass

from watcher.cases.observations import Silenced, SilenceLifted
from watcher.cases.state import ScopeKind
from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId
from watcher.store.hub import BoxState
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Refusal, Reply, go_to, not_found
from watcher.web.preview import Preview, preview
from watcher.web.quiet import Given, silenced
from watcher.web.shop_page import client_asked
from watcher.web.site import Site, draw
from watcher.web.times import offers
from watcher.web.words import address

MOST_TOLD = 12
"""Findings that the preview tells one by one; of more it gives the number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a silence would do in all boxes together."""

    silent: tuple[tuple[BoxId, Finding], ...]
    sounding: tuple[tuple[BoxId, Finding], ...]

    @property
    def silent_more(self) -> int:
        """How many findings that would be silent are not told one by one."""
        return max(0, len(self.silent) - MOST_TOLD)


def _client(site: Site, ask: Ask) -> str:
    if site.terms.clients is None:
        raise not_found("client of that name")
    name = client_asked(site, ask, ask.query.get("client") or ask.field("client"))
    if not name:
        raise not_found("client of that name")
    return name


def boxes_here(tx: Transaction, ask: Ask, client: str) -> tuple[BoxId, ...]:
    """Give the watched boxes of a client that whoever asks may see."""
    return tuple(
        box.box
        for box in tx.enrolled_boxes(client)
        if box.state is BoxState.WATCHED and ask.who.may_see(box.box)
    )


def form(site: Site, ask: Ask) -> Reply:
    """Show the form, with what it would do as far as it is filled in."""
    client = _client(site, ask)
    told, fault, until = None, "", None
    with site.store.snapshot() as tx:
        boxes = boxes_here(tx, ask, client)
        if "until" in ask.query and boxes:
            try:
                said = silenced(site, ask, ScopeKind.CLIENT, client, ask.query)
                told, until = _told(site, tx, boxes, said, ask), said.until
            except Refusal as refusal:
                fault = refusal.sentence
    longest = site.terms.standing.policy.longest_silence
    words = {
        "client": client,
        "boxes": boxes,
        "offers": offers(site.clockwork(ask), longest=longest),
        "given": Given(ask.query),
        "told": told,
        "most": MOST_TOLD,
        "until": until,
        "fault": fault,
    }
    return draw(site, ask, "client_quiet.html", words)


def _told(site: Site, tx: Transaction, boxes: tuple[BoxId, ...], said: Silenced, ask: Ask) -> Told:
    silent: list[tuple[BoxId, Finding]] = []
    sounding: list[tuple[BoxId, Finding]] = []
    for box in boxes:
        policy = site.standing(tx, box).policy
        found: Preview = preview(tx.load_book(box), said, policy, None, ask.now)
        if found.refused:
            raise Refusal(422, found.refused)
        silent += [(box, heard.finding) for heard in found.silent]
        sounding += [(box, heard.finding) for heard in found.sounding]
    return Told(silent=tuple(silent), sounding=tuple(sounding))


def silence(site: Site, ask: Ask) -> Reply:
    """Keep all boxes of a client quiet."""
    client = _client(site, ask)
    given = {name: ask.field(name) for name in ("until", "until_other", "reason")}
    if not given["reason"]:
        raise Refusal(422, "Say why, for whoever wonders later.")
    said = silenced(site, ask, ScopeKind.CLIENT, client, given)
    with site.store.transaction() as tx:
        boxes = boxes_here(tx, ask, client)
        if not boxes:
            raise Refusal(422, "No box of this client is watched now.")
        for box in boxes:
            outcome = site.hear_within(tx, box, said, ask)
            if outcome.refused:
                raise Refusal(422, outcome.refused)
    site.audit(ask, "silenced-client", about=f"{client}, boxes: {len(boxes)}")
    return go_to(address("/client", client=client, done="silenced"))


def lift(site: Site, ask: Ask) -> Reply:
    """End every silence over all boxes of a client, where whoever asks may see them."""
    client = _client(site, ask)
    ended = 0
    with site.store.transaction() as tx:
        for box in boxes_here(tx, ask, client):
            for held in tx.load_book(box).silences:
                if held.scope is ScopeKind.CLIENT and held.key == client and held.until > ask.now:
                    said = SilenceLifted(number=held.number, by=ask.who.by)
                    ended += not site.hear_within(tx, box, said, ask).refused
    if not ended:
        raise not_found("silence over all boxes of that client")
    site.audit(ask, "lifted-client-silence", about=f"{client}, boxes: {ended}")
    return go_to(address("/quiet", done="lifted"))
