"""What the shop does at its hub from a page: invite a box, ask one for a new look.

Asking for a look is all that a hub can ask of a box; it goes out with the answer to the box's next
survey. A code is shown once, as the answer to the form, and is known to nobody here afterwards.
"""

from __future__ import annotations

from markupsafe import Markup

from watcher.facts.identity import BoxId
from watcher.hub.enrolment import CODE_LIVES, invite
from watcher.store.hub import BoxState
from watcher.web.ask import Ask, Refusal, Reply, go_to, not_found
from watcher.web.qr import draw_qr
from watcher.web.shop_page import client_asked
from watcher.web.site import Site, draw
from watcher.web.words import address

LONGEST_NAME = 60


def look(site: Site, ask: Ask) -> Reply:
    """Ask a box for a new survey when it reports next."""
    with site.store.transaction() as tx:
        box = site.box_asked(tx, ask, ask.field("box"))
        known = tx.enrolled(box)
        if known is None or known.state is not BoxState.WATCHED:
            raise not_found("box that reports here")
        tx.want_look(box)
    site.audit(ask, "asked-for-look", about=box)
    return go_to(address("/", box=box, done="look"))


def form(site: Site, ask: Ask) -> Reply:
    """Show the form for a code."""
    return _draw(site, ask, _client(site, ask, ask.query.get("client", "")), code="")


def make(site: Site, ask: Ask) -> Reply:
    """Make a code and show it, once."""
    client = _client(site, ask, ask.field("client"))
    box = " ".join(ask.field("box").split())
    if len(box) > LONGEST_NAME or not box.isprintable():
        raise Refusal(422, f"A box is called by one line of up to {LONGEST_NAME} letters.")
    with site.store.transaction() as tx:
        known = tx.enrolled(BoxId(box)) if box else None
        if known is not None and known.client != client:
            raise Refusal(422, "A box of that name is somebody else's: choose another name.")
        code = invite(tx, client, box, ask.now)
    site.audit(ask, "invited-box", about=f"{client} {box}".strip())
    return _draw(site, ask, client, code=code, box=box)


def _client(site: Site, ask: Ask, name: str) -> str:
    if site.terms.clients is None or ask.who.boxes is not None:
        raise not_found("client of that name")
    found = client_asked(site, ask, name)
    if not found:
        raise not_found("client of that name")
    return found


def _draw(site: Site, ask: Ask, client: str, *, code: str, box: str = "") -> Reply:
    known = bool(site.terms.hub_url)
    hub = site.terms.hub_url or "URL"
    words = f"midwatch join {code} --hub {hub}"
    made = {
        "client": client,
        "box": box,
        "code": code,
        "join": words if code else "",
        "watch": f"midwatch watch --hub {hub}",
        "qr": draw_qr(words, "QR code of the command") if code and known else Markup(""),
        "known": known,
        "ends": ask.now + CODE_LIVES,
    }
    return draw(site, ask, "invite.html", made)
