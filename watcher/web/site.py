"""What all pages work with: the store, what the settings say, the clock, and their drawing."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from watcher.cases.observations import Observation
from watcher.facts.identity import BoxId
from watcher.hub.clients import Clients
from watcher.hub.quiet import is_quiet
from watcher.service.desk import KEY_BYTES, Desk, Outcome, Standing
from watcher.service.mark import is_in_memory
from watcher.store.accounts import AuditLine, Role
from watcher.store.database import Store
from watcher.store.history import KnownBox
from watcher.store.hub import BoxState, EnrolledBox
from watcher.store.signing import KEY_SERVES, SigningKey
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Holder, Refusal, Reply, not_found
from watcher.web.files import HERE, stamp
from watcher.web.tickets import new_ticket
from watcher.web.tries import Tries
from watcher.web.words import FILTERS, Clockwork, local_path

MOST_KEPT = 400
"""How much of what was computed is kept at one time, the latest; our choice: the glances and the
exposures of a shop's boxes that somebody looks at, some 20 MiB."""

MISSED = 3
"""A box that was not looked at for so many rounds is shown as not heard of."""

AHEAD = timedelta(minutes=5)
"""A last look that is dated farther ahead says that a clock was wrong; our choice: between a desk
and its pages, which share a machine, a second would do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What the settings say about the pages; replaced when they are read again."""

    standing: Standing
    zone: tzinfo
    public_url: str = ""  # how people reach the pages from outside; "" when they do not
    listen_address: str = "127.0.0.1"
    survey_minutes: int = 10
    hub_url: str = ""  # how boxes reach this hub; "" when the settings do not say
    clients: Clients | None = None  # at a hub: whose box is whose

    @property
    def late(self) -> timedelta:
        """How old a look may be before nobody should take it for one of now."""
        return timedelta(minutes=MISSED * self.survey_minutes)

    @property
    def is_secure(self) -> bool:
        """Whether the pages are reached through TLS, as far as the settings say."""
        return self.public_url.startswith("https://")


@dataclass(slots=True)
class Site:
    """The pages' world."""

    store: Store
    terms: Terms
    now: Callable[[], datetime]
    tries: Tries = field(default_factory=Tries)
    trouble: Callable[[str], None] = lambda _: None  # a sentence about a fault of ours
    kept: dict[str, Any] = field(default_factory=dict)  # what was computed, see ``keep``
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def keep(self, key: str, found: object) -> None:
        """Keep what was computed for a last survey; the oldest beyond ``MOST_KEPT`` goes."""
        with self._lock:
            self.kept.pop(key, None)
            self.kept[key] = found
            while len(self.kept) > MOST_KEPT:
                del self.kept[next(iter(self.kept))]

    @property
    def box(self) -> BoxId:
        """The box that this desk stands on."""
        return self.terms.standing.box

    def boxes_of(self, tx: Transaction, holder: Holder) -> tuple[BoxId, ...]:
        """Give the boxes that somebody may see, by name."""
        known = {known.box for known in tx.boxes()} | {self.box}
        if self.terms.clients is not None:
            known |= {enrolled.box for enrolled in tx.enrolled_boxes()}
        return tuple(sorted(box for box in known if holder.may_see(box)))

    def watched_of(self, tx: Transaction, holder: Holder) -> tuple[BoxId, ...]:
        """Give the boxes that somebody may see and that are watched: none that was given back."""
        if self.terms.clients is None:
            return self.boxes_of(tx, holder)
        gone = {b.box for b in tx.enrolled_boxes() if b.state is BoxState.RETURNED}
        return tuple(box for box in self.boxes_of(tx, holder) if box not in gone)

    def box_asked(self, tx: Transaction, ask: Ask, given: str | None = None) -> BoxId:
        """Give the box that a page is about: the one named, else the only one there is.

        Raises Refusal when there is none of that name, or it is not theirs to see.
        """
        mine = self.boxes_of(tx, ask.who)
        named = ask.query.get("box", "") if given is None else given
        if named:
            if named not in mine:
                raise not_found("box of that name")
            return BoxId(named)
        if self.box in mine:
            return self.box
        if len(mine) == 1:
            return mine[0]
        raise not_found("box of that name")

    def standing(self, tx: Transaction, box: BoxId) -> Standing:
        """Give what the desk works by for a box: at a hub by whose box it is."""
        clients = self.terms.clients
        if clients is None:
            return replace(self.terms.standing, box=box)
        enrolled = None if box == self.box else tx.enrolled(box)
        return replace(clients.own, box=box) if enrolled is None else clients.of(enrolled)

    def unheard_since(self, tx: Transaction, box: BoxId, now: datetime) -> datetime | None:
        """Give since when a box was not heard of, None while it reports as it should.

        What its pages show is as it was then.
        """
        enrolled = tx.enrolled(box) if self.terms.clients is not None and box != self.box else None
        if enrolled is not None:
            return self.unheard_at_hub(enrolled, now)
        seen = tx.box_seen(box)
        if seen is None or now - seen.last_survey_at <= self.terms.late:
            return None
        return seen.last_survey_at

    def unheard_elsewhere(self, tx: Transaction, box: BoxId, now: datetime) -> datetime | None:
        """Give since when another box was not heard of.

        None for this desk's own, of which the head of every page says it (``notice_of``).
        """
        return None if box == self.box else self.unheard_since(tx, box, now)

    def unheard_at_hub(self, box: EnrolledBox, now: datetime) -> datetime | None:
        """Give since when an enrolled box was not heard of, by its own rhythm."""
        return box.heard_at if is_quiet(box, now, timedelta(0)) else None

    def hear(self, box: BoxId, observation: Observation, ask: Ask, what: str) -> Outcome:
        """Hand to the desk what somebody said, and write down who said it from where."""
        with self.store.transaction() as tx:
            outcome = self.hear_within(tx, box, observation, ask)
        self.audit(ask, what, about=f"{box} {observation.kind}", outcome=outcome.refused or "done")
        return outcome

    def hear_within(
        self, tx: Transaction, box: BoxId, observation: Observation, ask: Ask
    ) -> Outcome:
        """Hand it to the desk within a transaction that does more."""
        desk = Desk(self.store, self.standing(tx, box))
        outcome = desk.hear_within(tx, observation, ask.now)
        if self.terms.clients is not None and not outcome.refused:
            tx.set_due(box, outcome.deadline)  # a quiet box sends nothing that would set it
        return outcome

    def audit(
        self, ask: Ask, what: str, *, who: str = "", about: str = "", outcome: str = "done"
    ) -> None:
        """Write a line into the audit trail."""
        name = who or (ask.holder.name if ask.holder else "")
        if ask.holder is not None and ask.holder.link is not None:
            name = f"{name} (by link)"
        with self.store.transaction() as tx:
            tx.add_audit(
                AuditLine(
                    at=ask.now,
                    who=name,
                    address=ask.address,
                    what=what,
                    about=about,
                    outcome=outcome,
                )
            )

    def sign_key(self, now: datetime) -> SigningKey:
        """Give the key to sign forms and links with; a new one when its time has come."""
        with self._lock:
            with self.store.snapshot() as tx:
                keys = tx.signing_keys(now)
            if keys and keys[0].made_at > now - KEY_SERVES:
                return keys[0]
            with self.store.transaction() as tx:
                return tx.key_to_sign(now, secrets.token_bytes(KEY_BYTES))

    def ticket(self, bond: str, now: datetime) -> str:
        """Make the ticket of a form."""
        return new_ticket(bond, self.sign_key(now), now)

    def clockwork(self, ask: Ask) -> Clockwork:
        """Give how moments are said to whoever asks."""
        person = self.terms.standing.policy.person(ask.holder.by) if ask.holder else None
        zone = ZoneInfo(person.zone) if person else self.terms.zone
        return Clockwork(now=ask.now, zone=zone)


_TURNS = dict.fromkeys(map(ord, "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"))


def in_reading_order(words: object) -> object:
    """Take out Unicode's signs that turn the order in which letters are shown.

    A name with some of them looks like another name, and so may the sentence around it.
    """
    if isinstance(words, str) and not words.isascii():
        return words.translate(_TURNS)
    return words


def make_templates() -> Environment:
    """Make the drawing of pages: everything is escaped, and a missing word is an error."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=in_reading_order,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(FILTERS)
    return made


_templates = make_templates()


def draw(
    site: Site, ask: Ask, template: str, words: Mapping[str, Any], *, status: int = 200
) -> Reply:
    """Draw a page."""
    holder = ask.holder
    done = DONE.get(ask.query.get("done", ""), "") if _is_just_done(ask) else ""
    base = {
        "holder": holder,
        "signed_in": holder is not None and holder.link is None,
        "at_hub": site.terms.clients is not None,
        "for_shop": holder is not None and not holder.client and holder.boxes is None,
        "may_act": holder is not None and holder.role.covers(Role.ACT),
        "may_manage": holder is not None
        and holder.link is None
        and holder.role.covers(Role.MANAGE),
        "home": f"/a/{holder.link_text}" if holder is not None and holder.link is not None else "",
        "ticket": site.ticket(holder.bond, ask.now) if holder is not None else "",
        "clock": site.clockwork(ask),
        "done": done,
        "notice": notice_of(site, ask),
        "path": ask.path,
        "stamp": stamp(),
    }
    return Reply(body=_templates.get_template(template).render(base | dict(words)), status=status)


DONE_LASTS = timedelta(minutes=2)
"""How long a page says what was done: a phone opens the same address again the next day."""


def _is_just_done(ask: Ask) -> bool:
    at = ask.query.get("at", "")
    known = at.isascii() and at.isdigit() and len(at) <= 12
    return known and abs(ask.now.timestamp() - int(at)) <= DONE_LASTS.total_seconds()


NOT_ALL = (
    "The watch goes on in memory now, because its disk takes nothing: these pages show what was "
    "written last, and an answer given here may be lost. Messages come as ever."
)
SEE = "See on the box whether the watch runs: systemctl status 'midwatch*'"


def notice_of(site: Site, ask: Ask) -> str:
    """Say why the pages do not show how things are now, "" while they do.

    Whoever opens a page at night reads its first lines only: a margin of yesterday must not stand
    there as if it were of now. What a hub knows of its boxes is said box by box.
    """
    holder, box = ask.holder, site.box
    if holder is None:
        return ""
    if site.terms.clients is not None or not holder.may_see(box):
        return NOT_ALL if _is_in_memory(site.store) else ""
    with site.store.snapshot() as tx:
        seen = tx.box_seen(box)
        late = site.unheard_since(tx, box, ask.now)
    clock = site.clockwork(ask)
    if _is_in_memory(site.store):
        return NOT_ALL if seen is None else f"{NOT_ALL} Last written {_at(clock, seen)}."
    if seen is None:
        return (
            f"{box} has not been looked at yet: nothing is known about it. The first look may "
            f"still be under way. {SEE}"
        )
    if late is not None:
        return (
            f"{box} has not been looked at since {_at(clock, seen)}, {clock.ago(late)}. This is "
            f"how it was then. Since then nothing is watched, and nothing new is told. {SEE}"
        )
    if seen.last_survey_at - ask.now > AHEAD:
        return (
            f"The last look at {box} is dated {_at(clock, seen)}, which lies ahead: a clock is or "
            f"was wrong, and how old this is cannot be told. {SEE}"
        )
    return ""


def _at(clock: Clockwork, seen: KnownBox) -> str:
    return clock.when(seen.last_survey_at)


def _is_in_memory(store: Store) -> bool:
    return store.path is not None and is_in_memory(store.path)


DONE = {
    "taken": "It is yours until then. Nobody is told again before, unless it gets worse.",
    "beside": "Somebody has this case already. Your answer is written down beside it.",
    "handed": "They are told now. Without an answer from them, others are told again.",
    "silenced": "Quiet from now on. A pool that breaks sounds all the same.",
    "lifted": "That silence is over; what still holds sounds.",
    "announced": "The work is written down. What you did not announce sounds at once.",
    "look": "It is asked with the answer to its next survey. That is all a hub can ask of a box.",
    "ended": "That work is over; you are told how the pools stand.",
    "password": "The password is changed, and every other session is ended.",
    "sessions": "Those sessions are ended.",
}
"""What a page says after a form was taken; the address holds only the word."""


def refuse_page(site: Site, ask: Ask, refusal: Refusal) -> Reply:
    """Draw the page that says why something was not done or not shown, with the way on."""
    words = {
        "sentence": refusal.sentence,
        "status": refusal.status,
        "was_form": ask.method == "POST",
        "back": _came_from(ask),
    }
    reply = draw(site, replace(ask, query={}), "refused.html", words, status=refusal.status)
    return replace(reply, headers=refusal.headers)


def _came_from(ask: Ask) -> str:
    """Give the page of ours on which the form stood, the overview when it is not told."""
    _, slash, path = ask.headers.get("referer", "").partition("://")[2].partition("/")
    return local_path(slash + path)
