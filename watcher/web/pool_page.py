"""A pool: its margin, its members, the exposure picture, the choices, and its way back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from watcher.exposure.figure import say_chance
from watcher.facts.identity import BoxId, DriveId, PoolId
from watcher.facts.pool import Member, MemberState, Pool
from watcher.facts.standing import bearers
from watcher.hub.told_words import told_words
from watcher.recovery.advice import advise
from watcher.recovery.record import Recovery
from watcher.recovery.report import bare_sentence, state_of, way_rows, written
from watcher.rules.view import View
from watcher.service.card import card_of
from watcher.service.prospects import exposure_if_lost, losable
from watcher.service.recoveries import bytes_without_backup, seen_of
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Reply, not_found
from watcher.web.bays import in_bay_order
from watcher.web.blocks import draw_margin
from watcher.web.charts import Chart, draw_chart, thin
from watcher.web.glance import pools_of
from watcher.web.prospect import Prospect, is_short, prospect_of, say, view_at
from watcher.web.site import Site, draw
from watcher.web.timebar import draw_choice, draw_window, stretches

HISTORY = timedelta(days=365)
MOST_CHANGES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One member as a page says it."""

    member: Member
    label: str
    drive: DriveId | None


def pool_asked(tx: Transaction, site: Site, ask: Ask) -> tuple[BoxId, View, Pool]:
    """Give the pool that an address names."""
    box = site.box_asked(tx, ask)
    view = view_at(site, tx, box, ask)
    wanted = ask.query.get("pool", "")
    pools = pools_of(view.survey, view.pool_past.values()) if view is not None else ()
    found = next((pool for pool in pools if pool.pool == wanted), None)
    if view is None or found is None:
        raise not_found("pool of that name")
    return box, view, found


def pool(site: Site, ask: Ask) -> Reply:
    """Show a pool."""
    with site.store.snapshot() as tx:
        box, view, found = pool_asked(tx, site, ask)
        unheard = site.unheard_elsewhere(tx, box, ask.now)
        changes = tx.pool_changes(box, found.pool, ask.now - HISTORY, ask.now)
        work = tx.pool_work(box, found.pool, ask.now - timedelta(days=30), ask.now)
        recoveries = tx.recoveries(box, found.pool)
    lost = ask.query.get("if_lost", "")
    prospect, on_paper = _prospect(site, ask, view, found, lost)
    parts = stretches(prospect.exposure.window) if prospect.exposure.window else ()
    choices = prospect.exposure.ranking.choices
    largest = max((choice.measure for choice in choices), default=0.0)
    clock = site.clockwork(ask)
    kind = found.work.kind if found.work else None
    progress = [
        (w.at, timedelta(0), 100 * w.done_fraction)
        for w in work
        if w.kind is kind and w.done_fraction is not None
    ]
    words: dict[str, Any] = {
        "box": box,
        "unheard": unheard,
        "pool": found,
        "bearers": [p.name for p in bearers_of(view, found)],
        "seen_at": view.survey.taken_at,
        "blocks": draw_margin(found, size=1.5),
        "rows": _rows(view, found),
        "prospect": prospect,
        "on_paper": on_paper,
        "stretches": parts,
        "window": draw_window(parts, clock),
        "choices": [
            (choice, draw_choice(choice, largest), say_chance(choice.measure)) for choice in choices
        ],
        "changes": list(reversed(changes))[:MOST_CHANGES],
        "losable": in_bay_order((view.label_of(d), d) for d in losable(view, found)),
        "recovery": next(
            (r for r in recoveries if r.is_open), recoveries[0] if recoveries else None
        ),
        "progress": _progress(progress, ask, clock.zone) if len(progress) > 1 else "",
        "state_of": state_of,
    }
    return draw(site, ask, "pool.html", words)


def bearers_of(view: View, found: Pool) -> tuple[Pool, ...]:
    """Give the pools that bear a loss for one that does not bear it itself."""
    as_seen = next((p for p in view.survey.pools if p.pool == found.pool), None)
    if as_seen is None or as_seen.full_margin != 0:
        return ()
    return bearers(as_seen, view.survey.pools)


def _progress(values: list[tuple[Any, timedelta, float]], ask: Ask, zone: Any) -> Any:  # noqa: ANN401 - drawn
    spans = [(at, lasts, value, value, value) for at, lasts, value in values]
    since = values[0][0]
    chart = Chart(
        title="share done, %",
        since=since,
        until=ask.now,
        columns=thin(spans, since, ask.now),
        band=False,
        reach=100.0,
    )
    return draw_chart(chart, zone)


def _prospect(site: Site, ask: Ask, view: View, found: Pool, lost: str) -> tuple[Prospect, str]:
    """Give the prospect of a pool, as it stands or as if a drive were lost."""
    if not lost:
        return prospect_of(site, view, found, ask.now), ""
    drive = DriveId(lost)
    if drive not in losable(view, found):
        raise not_found("drive of that name in this pool")
    made = exposure_if_lost(view, found, drive, site.terms.standing.plan, ask.now)
    return say(made), view.label_of(drive)


def _rows(view: View, found: Pool) -> list[Row]:
    past = view.pool_past.get(found.pool)
    rows = []
    for member in found.members:
        drive = member.drives[0] if member.drives else None
        label = "; ".join(view.label_of(d) for d in member.drives) or "no drive known"
        rows.append(Row(member=member, label=label, drive=drive))
    gone = (set(past.lost) - found.drives) if past is not None else set()
    rows += [
        Row(member=Member(name="", state=MemberState.MISSING), label=view.label_of(d), drive=d)
        for d in sorted(gone)
    ]
    return rows


def recovery(site: Site, ask: Ask) -> Reply:
    """Show the way of a pool back to its full margin."""
    clock = site.clockwork(ask)
    with site.store.snapshot() as tx:
        box = site.box_asked(tx, ask)
        found = tx.recoveries(box, PoolId(ask.query.get("pool", "")))
        one: Recovery | None = next((r for r in found if r.is_open), found[0] if found else None)
        if one is None:
            raise not_found("recovery of that pool")
        view = view_at(site, tx, box, ask)
        unheard = site.unheard_elsewhere(tx, box, ask.now)
        advice = None
        if one.is_open and view is not None:
            plan = site.terms.standing.plan
            seen = seen_of(tx, view, one, plan, ask.now).seen
            alone = bytes_without_backup(view.ready, ask.now)
            advice = advise(one, seen, without_backup_bytes=alone)
    pools = view.survey.pools if view is not None and one.is_open else ()
    here = next((p for p in pools if p.pool == one.pool), None)
    prospect = None
    if view is not None and here is not None and is_short(here):
        prospect = prospect_of(site, view, here, ask.now)
    words = {
        "box": box,
        "unheard": unheard,
        "recovery": one,
        "working": here,
        "prospect": prospect,
        "seen_at": view.survey.taken_at if view is not None else None,
        "state": state_of(one),
        "way": way_rows(one, ask.now, clock.full),
        "bare": bare_sentence(one, ask.now),
        "advice": advice,
        "written": list(written(one, ask.now, clock.full)),
    }
    return draw(site, ask, "recovery.html", words)


def ready(site: Site, ask: Ask) -> Reply:
    """Show how prepared a box is for the next failure."""
    with site.store.snapshot() as tx:
        box = site.box_asked(tx, ask)
        view = view_at(site, tx, box, ask)
        unheard = site.unheard_elsewhere(tx, box, ask.now)
        told = tx.told_by(box) if site.terms.clients is not None else None
    if view is None:
        raise not_found("survey of that box")
    words = {
        "box": box,
        "card": card_of(view, site.terms.standing.tuning),
        "unheard": unheard,
        "told": told_words(told, ask.now, site.clockwork(ask).full) if told is not None else (),
    }
    return draw(site, ask, "ready.html", words)
