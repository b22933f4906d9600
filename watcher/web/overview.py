"""The overview: what needs somebody, then every box with its pools by margin and its bays."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from watcher.cases.state import Case
from watcher.facts.identity import BoxId, PoolId
from watcher.facts.pool import Pool, Protection
from watcher.hub.told_words import told_in_short
from watcher.notify.scene import in_short
from watcher.notify.words import whole_sentences
from watcher.rules.view import View
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Reply
from watcher.web.blocks import draw_margin
from watcher.web.glance import Glance, Look, danger, glance_of
from watcher.web.prospect import Prospect, is_short, prospect_of, view_at
from watcher.web.site import Site, draw
from watcher.web.words import Clockwork, address, say_standing

MOST_IN_FULL = 3
"""With more boxes than that, a box shows only the bays that say something; our choice."""

MOST_IN_STRIP = 6
"""With more pools than that, only those that have not their full margin come first; our choice."""

MOST_LINES = 20
"""Cases in full on the overview, the most urgent ones; our choice: behind more of them the drives
would not be found on a phone."""

LONGEST_STEP = 400
"""How much of a next step stands beside a case, in characters; our choice: the steps for a lost
drive fit, with the cable before the drive."""

MOST_WITH_STEP = 3
"""Cases with their next step beside them, the most urgent ones; our choice: behind more of them the
next case would not be found on a phone."""

GLANCE_LIVES = timedelta(minutes=1)
"""How long a glance serves without a new survey: a drive that was retired meanwhile shows so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """An open case in a line."""

    box: BoxId
    case: Case
    standing: str
    address: str
    client: str = ""  # whose box it is, where that is to be said

    @property
    def where(self) -> str:
        """Name the box, and whose it is."""
        return f"{self.box}, {self.client}" if self.client else self.box

    @property
    def next_step(self) -> str:
        """Say what to do next in as much as one reads at a glance; "" when nothing holds any more.

        Bay and pool by their short names: the page of the case has model and serial number.
        """
        if not self.case.standing:
            return ""
        top = self.case.weightiest
        step = in_short(top, top.next_step)
        said = whole_sentences(step, LONGEST_STEP)
        return said if said == step or said.endswith("…") else f"{said} …"


def line_of(site: Site, box: BoxId, case: Case, clock: Clockwork, client: str = "") -> Line:
    """Put a case into a line."""
    return Line(
        box=box,
        case=case,
        standing=say_standing(case, clock),
        address=address(f"/case/{case.number}", box=box if box != site.box else ""),
        client=client,
    )


def open_cases(tx: Transaction, box: BoxId) -> tuple[Case, ...]:
    """Give the open cases of a box, most urgent first."""
    return tx.load_book(box).open_cases


def glance_at(site: Site, tx: Transaction, box: BoxId, cases: tuple[Case, ...], ask: Ask) -> Glance:
    """Look at a box, anew only when there is something new."""
    seen = tx.box_seen(box)
    last = seen.last_survey if seen is not None else ""
    key = f"glance {box}"
    kept = site.kept.get(key)
    if kept is not None:
        at, survey, known, glance = kept
        if survey == last and known == cases and ask.now - at < GLANCE_LIVES:
            found: Glance = glance
            return found
    glance = glance_of(tx, box, cases)
    site.keep(key, (ask.now, last, cases, glance))
    return glance


def _backs(
    site: Site, tx: Transaction, pools: Iterable[tuple[BoxId, Pool]], ask: Ask
) -> dict[tuple[BoxId, PoolId], Prospect]:
    """Say of the least protected pools until when their margin is short."""
    views: dict[BoxId, View | None] = {}
    found = {}
    for box, pool in pools:
        if box not in views:
            views[box] = view_at(site, tx, box, ask)
        view = views[box]
        if view is not None:
            found[box, pool.pool] = prospect_of(site, view, pool, ask.now)
    return found


def overview(site: Site, ask: Ask) -> Reply:
    """Show all boxes, or the one that is named."""
    with site.store.snapshot() as tx:
        boxes = site.boxes_of(tx, ask.who)
        if ask.query.get("box"):
            boxes = (site.box_asked(tx, ask),)
        cases = {box: open_cases(tx, box) for box in boxes}
        glances = [glance_at(site, tx, box, cases[box], ask) for box in boxes]
        unheard = {box: site.unheard_elsewhere(tx, box, ask.now) for box in boxes}
        boxes_of_clients = {box: tx.enrolled(box) for box in boxes}
        told = {box: tx.told_by(box) for box in boxes if boxes_of_clients[box] is not None}
        pools = [(g.box, pool) for g in glances for pool in g.pools]
        pools.sort(key=lambda item: danger(item[1]))
        exposed = [one for one in pools if is_short(one[1])][:MOST_IN_STRIP]
        backs = _backs(site, tx, exposed, ask)
    clock = site.clockwork(ask)
    lines = [
        line_of(site, box, case, clock)
        for box in boxes
        for case in cases[box]
        if not case.only_notes
    ]
    lines.sort(key=lambda line: (-line.case.urgency.rank, line.case.opened_at))
    short = [(box, pool) for box, pool in pools if pool.protection is not Protection.WHOLE]
    strip = pools if len(pools) <= MOST_IN_STRIP else short
    return draw(
        site,
        ask,
        "overview.html",
        {
            "lines": lines[:MOST_LINES],
            "most_with_step": MOST_WITH_STEP,
            "lines_more": len(lines) - len(lines[:MOST_LINES]),
            "notes": sum(case.only_notes for box in boxes for case in cases[box]),
            "glances": glances,
            "strip": strip,
            "backs": backs,
            "whole": len(pools) - len(short),
            "all_in_strip": strip is pools,
            "nothing_seen": all(g.taken_at is None for g in glances),
            "hides_pools": any(g.hides_pools for g in glances),
            "in_full": len(glances) <= MOST_IN_FULL,
            "unheard": unheard,
            "enrolled": boxes_of_clients,
            "told": {
                box: told_in_short(row, ask.now, clock.when)
                for box, row in told.items()
                if row is not None
            },
            "blocks": draw_margin,
            "Look": Look,
        },
    )
