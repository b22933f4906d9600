"""The shop: every box by client, with its pools by margin and its bays, and what needs somebody.

Made from what is kept of all boxes (a few queries), however many there are; surveys are opened only
for the boxes whose bays are drawn. Somebody of a client sees the client's boxes and nothing that
tells whether there are others.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection
from watcher.facts.units import say_count
from watcher.store.floor import PoolStanding
from watcher.store.hub import BoxState, EnrolledBox
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Holder, Reply, not_found
from watcher.web.blocks import draw_margin
from watcher.web.glance import Glance, Look
from watcher.web.overview import (
    MOST_IN_FULL,
    MOST_WITH_STEP,
    Line,
    glance_at,
    line_of,
    open_cases,
    overview,
)
from watcher.web.site import Site, draw
from watcher.web.words import say_standing

MOST_SHOWN = 40
"""Boxes that have a card each; of more only those that say something have one. Our choice: what
one can look through."""

MOST_CARDS = 120
"""Cards on one page, the most pressing boxes first; our choice: in a storm nobody reads more."""

MOST_DRAWN = 12
"""Boxes whose bays are drawn; a survey of each is opened for that. Our choice."""

MOST_PRESSING = 6
"""Cases that stand first on the page; the work list has all of them."""

MOST_OPENED = 60
"""Books that are opened to find those; our choice: the most urgent boxes first, so that in a storm
the first ones are still right."""

_DANGER = {
    Protection.BROKEN: 4,
    Protection.BARE: 3,
    Protection.UNKNOWN: 2,
    Protection.THINNED: 1,
    Protection.WHOLE: 0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxLine:
    """One box as the shop sees it at a glance."""

    box: BoxId
    client: str
    returned: bool
    seen_at: datetime | None  # when it was heard of last; None: never
    unheard: datetime | None  # since when it was not heard of; None: it reports as it should
    pools: tuple[PoolStanding, ...]
    cases: Mapping[Urgency, int]
    drives: int
    returned_at: datetime | None = None  # None: it was not, or nobody wrote down when
    glance: Glance | None = None  # where its bays are drawn

    @property
    def weighty(self) -> int:
        """How many open cases somebody must act on."""
        return sum(count for urgency, count in self.cases.items() if urgency is not Urgency.NOTE)

    @property
    def urgency(self) -> Urgency:
        """The highest urgency of its open cases, ``NOTE`` when there are none."""
        return max(self.cases, key=lambda u: u.rank, default=Urgency.NOTE)

    @property
    def danger(self) -> int:
        """How badly its least protected pool stands; 0: all whole, or none known."""
        return max((_DANGER[pool.protection] for pool in self.pools), default=0)

    @property
    def says_something(self) -> bool:
        """Whether there is anything about it beyond "nothing that we know of"."""
        if self.returned:
            return False
        unseen = self.unheard is not None or self.seen_at is None
        return bool(self.weighty or self.danger or unseen)

    @property
    def order(self) -> tuple[int, int, int, str]:
        """Give the key by which the box that needs somebody most comes first."""
        return (-self.urgency.rank if self.weighty else 0, -self.danger, -self.weighty, self.box)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientPart:
    """The boxes of one client on the page."""

    client: str
    shown: tuple[BoxLine, ...]
    more: int  # boxes that say something and have no card: there are too many at once
    calm: int  # more boxes of which nothing is known that needs somebody
    returned: int
    says: str


def front(site: Site, ask: Ask) -> Reply:
    """Show what somebody sees first: the shop at a hub, otherwise the boxes in full."""
    if site.terms.clients is None or ask.query.get("box"):
        return overview(site, ask)
    with site.store.snapshot() as tx:
        few = len(site.boxes_of(tx, ask.who)) <= MOST_IN_FULL
    if ask.who.boxes is not None and few:
        return overview(site, ask)
    return shop(site, ask)


def client(site: Site, ask: Ask) -> Reply:
    """Show the boxes of one client."""
    if site.terms.clients is None:
        raise not_found("client of that name")
    return shop(site, ask, client_asked(site, ask))


def client_asked(site: Site, ask: Ask, given: str | None = None) -> str:
    """Give the client that a page is about; Refusal when it is not theirs to see.

    Who sees only some boxes is of a client, or was named boxes one by one; both see no other
    client, and no client's boxes beyond their own.
    """
    name = ask.query.get("client", "") if given is None else given
    holder = ask.who
    if holder.client:
        if name not in {"", holder.client}:
            raise not_found("client of that name")
        return holder.client
    with site.store.snapshot() as tx:
        known = {box.client for box in tx.enrolled_boxes() if holder.may_see(box.box)}
    if holder.boxes is None and site.terms.clients is not None:
        known |= set(site.terms.clients.names)
    if name not in known:
        raise not_found("client of that name")
    return name


def shop(site: Site, ask: Ask, only: str = "") -> Reply:
    """Show all boxes by client, or those of one."""
    clock = site.clockwork(ask)
    with site.store.snapshot() as tx:
        lines = box_lines(site, tx, ask.who, ask.now, only)
        pressing = pressing_cases(site, tx, lines, ask)
        parts = parts_of(lines, whole=bool(only))
        parts = with_bays(site, tx, parts, ask)
        own = () if ask.who.boxes is not None or only else open_cases(tx, site.box)
        invited = tx.open_invitations(ask.now) if ask.who.boxes is None and only else ()
    pools = [pool for line in lines if not line.returned for pool in line.pools]
    words = {
        "only": only,
        "by_client": parts,
        "pressing": pressing,
        "most_with_step": MOST_WITH_STEP,
        "pressing_more": sum(line.weighty for line in lines) - len(pressing),
        "own": [case for case in own if not case.only_notes],
        "own_box": site.box,
        "says": say_shop(lines),
        "pools": len(pools),
        "blocks": draw_margin,
        "Look": Look,
        "standing": lambda case: say_standing(case, clock),
        "invited": [one for one in invited if one.client == only],
        "Urgency": Urgency,
    }
    return draw(site, ask, "shop.html", words)


def box_lines(
    site: Site, tx: Transaction, holder: Holder, now: datetime, only: str = ""
) -> tuple[BoxLine, ...]:
    """Give a line for every enrolled box that somebody may see, the most pressing first."""
    pools: dict[BoxId, list[PoolStanding]] = defaultdict(list)
    for pool in tx.pools_everywhere():
        pools[pool.box].append(pool)
    cases, drives = tx.case_counts(), tx.drive_counts()
    lines = [
        BoxLine(
            box=box.box,
            client=box.client,
            returned=box.state is BoxState.RETURNED,
            returned_at=box.returned_at,
            seen_at=box.heard_at,
            unheard=_unheard(site, box, now),
            pools=tuple(sorted(pools[box.box], key=lambda p: (-_DANGER[p.protection], p.name))),
            cases=cases.get(box.box, {}),
            drives=drives.get(box.box, 0),
        )
        for box in tx.enrolled_boxes(only or None)
        if holder.may_see(box.box)
    ]
    return tuple(sorted(lines, key=lambda line: line.order))


def _unheard(site: Site, box: EnrolledBox, now: datetime) -> datetime | None:
    if box.state is BoxState.RETURNED:
        return None
    return site.unheard_at_hub(box, now)


def pressing_cases(
    site: Site, tx: Transaction, lines: Sequence[BoxLine], ask: Ask
) -> tuple[Line, ...]:
    """Give the most urgent open cases, the oldest of like urgency first."""
    clock = site.clockwork(ask)
    heavy = [line for line in lines if line.weighty and not line.returned][:MOST_OPENED]
    found = [
        (line, case)
        for line in heavy
        for case in tx.load_book(line.box).open_cases
        if case.is_weighty
    ]
    found.sort(key=lambda item: (-item[1].urgency.rank, item[1].opened_at))
    names = len({line.client for line in lines}) > 1
    return tuple(
        line_of(site, line.box, case, clock, client=line.client if names else "")
        for line, case in found[:MOST_PRESSING]
    )


def parts_of(lines: Sequence[BoxLine], *, whole: bool) -> tuple[ClientPart, ...]:
    """Divide boxes by client; those that say something come first, and alone where there are many.

    With ``whole`` every box is shown.
    """
    all_shown = whole or sum(not line.returned for line in lines) <= MOST_SHOWN
    cards = {id(one) for one in [x for x in lines if all_shown or x.says_something][:MOST_CARDS]}
    by_client: dict[str, list[BoxLine]] = defaultdict(list)
    for line in lines:
        by_client[line.client].append(line)
    parts = []
    for name, theirs in by_client.items():
        here = [line for line in theirs if not line.returned]
        listed = theirs if whole else here
        shown = tuple(line for line in listed if id(line) in cards)
        loud = sum(line.says_something and id(line) not in cards for line in here)
        parts.append(
            ClientPart(
                client=name,
                shown=shown,
                more=loud,
                calm=len(here) - loud - sum(not line.returned for line in shown),
                returned=len(theirs) - len(here),
                says=say_client(here),
            )
        )
    return tuple(sorted(parts, key=_part_order))


def _part_order(part: ClientPart) -> tuple[bool, int, str]:
    worst = min((line.order[0] for line in part.shown), default=0)
    silent = not part.more and not any(line.says_something for line in part.shown)
    return (silent, worst, part.client.casefold())


def with_bays(
    site: Site, tx: Transaction, parts: Iterable[ClientPart], ask: Ask
) -> tuple[ClientPart, ...]:
    """Open the surveys of the first boxes, so that their bays can be drawn."""
    left = MOST_DRAWN
    found = []
    for part in parts:
        shown = []
        for line in part.shown:
            if left and line.seen_at is not None:
                left -= 1
                glance = glance_at(site, tx, line.box, open_cases(tx, line.box), ask)
                shown.append(replace(line, glance=glance))
            else:
                shown.append(line)
        found.append(replace(part, shown=tuple(shown)))
    return tuple(found)


def say_client(here: Sequence[BoxLine]) -> str:
    """Say in a sentence how the boxes of a client stand."""
    if not here:
        return "No box is watched now."
    unheard = sum(line.unheard is not None for line in here)
    never = sum(line.seen_at is None for line in here)
    heavy = sum(line.weighty > 0 for line in here)
    told = [say_count(len(here), "box", "boxes")]
    if heavy:
        told.append(f"{heavy} with something to do")
    if unheard:
        told.append(f"{unheard} not heard from")
    if never:
        told.append(f"{never} never heard of")
    if len(told) == 1:
        told.append("nothing that we know of")
    return ", ".join(told) + "."


def say_shop(lines: Sequence[BoxLine]) -> str:
    """Say in a few sentences how all of it stands; what cannot be seen is counted too."""
    here = [line for line in lines if not line.returned]
    if not here:
        return "No box is watched yet."
    clients = len({line.client for line in here})
    seen = [line for line in here if line.unheard is None and line.seen_at is not None]
    told = say_count(len(here), "box", "boxes")
    told += f" of {say_count(clients, 'client')}. " if clients > 1 else ". "
    if len(seen) < len(here):
        told += f"{len(here) - len(seen)} cannot be seen now. "
    return told + _say_pools(
        [p for line in seen for p in line.pools], known=any(b.pools for b in here)
    )


def _say_pools(pools: Sequence[PoolStanding], *, known: bool) -> str:
    """Say how many pools have their full margin, of those of which that can be told."""
    told = [pool for pool in pools if pool.protection is not Protection.UNKNOWN]
    whole = sum(pool.protection is Protection.WHOLE for pool in told)
    if not told:
        return "No pool can be seen now." if known else "No pool is known."
    if len(told) == whole == 1:
        said = "The one pool that can be seen has its full margin."
    elif whole == len(told):
        said = f"All {len(told)} pools that can be seen have their full margin."
    else:
        have = say_count(whole, "has its full margin", "have their full margin")
        said = f"Of {say_count(len(told), 'pool')} that can be seen {have}."
    if len(told) < len(pools):
        said += f" Of {len(pools) - len(told)} it cannot be told."
    return said
