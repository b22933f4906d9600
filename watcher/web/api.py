"""For other programs: the same facts as JSON, and the same answers to cases.

Every address and every shape is in the document that ``openapi.py`` writes; a test holds the two
together.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from watcher.cases.observations import Acknowledged, HandedOver, Observation
from watcher.cases.state import Case
from watcher.facts.identity import BoxId
from watcher.facts.pool import Pool
from watcher.store.hub import BoxState
from watcher.store.transaction import Transaction
from watcher.web.ask import JSON, Ask, Refusal, Reply, not_found
from watcher.web.calendar import due_on
from watcher.web.case_page import LONGEST_NOTE, shown_records
from watcher.web.glance import Glance, Seat
from watcher.web.openapi import document
from watcher.web.overview import glance_at, open_cases
from watcher.web.site import Site

MOST_CASES = 500


def say(value: object, status: int = 200) -> Reply:
    """Answer with JSON."""
    return Reply(body=json.dumps(value, ensure_ascii=False), status=status, kind=JSON)


def openapi(site: Site, ask: Ask) -> Reply:
    """Give the document that describes all of this."""
    del ask
    return say(document(site.terms.public_url))


def _box(site: Site, tx: Transaction, ask: Ask) -> BoxId:
    return site.box_asked(tx, ask)


def boxes(site: Site, ask: Ask) -> Reply:
    """List the boxes."""
    with site.store.snapshot() as tx:
        found = []
        for box in site.boxes_of(tx, ask.who):
            cases = open_cases(tx, box)
            glance = glance_at(site, tx, box, cases, ask)
            enrolled = tx.enrolled(box) if site.terms.clients is not None else None
            found.append(
                {
                    "box": box,
                    "client": enrolled.client if enrolled is not None else None,
                    "is_watched": enrolled is None or enrolled.state is BoxState.WATCHED,
                    "not_heard_since": _iso(site.unheard_since(tx, box, ask.now)),
                    "surveyed_at": _iso(glance.taken_at),
                    "open_cases": sum(not case.only_notes for case in cases),
                    "pools": len(glance.pools),
                    "drives": len(glance.seats),
                    "cannot_see": [h.detail for h in glance.hidden],
                }
            )
    return say(found)


def _glance(site: Site, ask: Ask) -> Glance:
    with site.store.snapshot() as tx:
        box = _box(site, tx, ask)
        return glance_at(site, tx, box, open_cases(tx, box), ask)


def pools(site: Site, ask: Ask) -> Reply:
    """List the pools of a box."""
    return say([pool_as_data(pool) for pool in _glance(site, ask).pools])


def pool_as_data(pool: Pool) -> dict[str, Any]:
    """Give a pool for programs."""
    return {
        "pool": pool.pool,
        "name": pool.name,
        "kind": pool.kind.value,
        "layout": pool.layout,
        "protection": pool.protection.value,
        "margin": pool.margin,
        "full_margin": pool.full_margin,
        "at_stake": pool.at_stake.value,
        "observed_at": _iso(pool.observed_at),
        "work": None
        if pool.work is None
        else {
            "kind": pool.work.kind.value,
            "state": pool.work.state.value,
            "done_fraction": pool.work.done_fraction,
        },
        "notes": [note.text for note in pool.notes],
        "drives": sorted(pool.drives),
    }


def drives(site: Site, ask: Ask) -> Reply:
    """List the drives of a box."""
    return say([seat_as_data(seat) for seat in _glance(site, ask).seats])


def seat_as_data(seat: Seat) -> dict[str, Any]:
    """Give a drive for programs."""
    return {
        "drive": seat.drive,
        "place": seat.name,
        "model": seat.model,
        "serial": seat.serial,
        "capacity_bytes": seat.capacity_bytes,
        "look": seat.look.value,
        "says": seat.says,
        "temperature_celsius": seat.temperature,
        "pools": list(seat.pools),
    }


def cases(site: Site, ask: Ask) -> Reply:
    """List the cases of a box."""
    with site.store.snapshot() as tx:
        box = _box(site, tx, ask)
        found = tx.list_cases(box, open_only=ask.query.get("all") != "yes", limit=MOST_CASES)
    return say([case_as_data(case) for case in found])


def case(site: Site, ask: Ask) -> Reply:
    """Give one case."""
    with site.store.snapshot() as tx:
        box = _box(site, tx, ask)
        found = _case(tx, box, ask)
        records = shown_records(site, ask.who, tx.records(box, found.number))
    told = [{"at": _iso(r.at), "what": r.what, "by": r.by, "text": r.text} for r in records]
    return say(case_as_data(found) | {"record": told})


def _case(tx: Transaction, box: BoxId, ask: Ask) -> Case:
    number = int(ask.parts["number"][:9])
    found = tx.load_book(box).case(number) or tx.case(box, number)
    if found is None:
        raise not_found("case of that number")
    return found


def case_as_data(case: Case) -> dict[str, Any]:
    """Give a case for programs."""
    answer = case.answer
    return {
        "number": case.number,
        "place": str(case.locus),
        "label": case.label,
        "urgency": case.urgency.value,
        "is_open": case.is_open,
        "opened_at": _iso(case.opened_at),
        "closed_at": _iso(case.closed_at),
        "answered_by": answer.by if answer else None,
        "answered_until": _iso(answer.until) if answer else None,
        "is_silent": case.hushed,
        "only_notes": case.only_notes,
        "findings": [
            {
                "rule": held.finding.rule,
                "subject": str(held.finding.subject),
                "urgency": held.finding.urgency.value,
                "sentence": held.finding.sentence,
                "next_step": held.finding.next_step,
                "since": _iso(held.since),
                "cleared_at": _iso(held.cleared_at),
            }
            for held in case.held
        ],
    }


def due(site: Site, ask: Ask) -> Reply:
    """List what falls due on a box."""
    with site.store.snapshot() as tx:
        found = due_on(site, tx, _box(site, tx, ask), ask)
    return say(
        [
            {
                "key": one.key,
                "kind": one.kind,
                "at": _iso(one.at),
                "ends": _iso(one.ends),
                "again": [_iso(at) for at in one.again],
                "what": one.what,
                "more": one.more,
            }
            for one in found
        ]
    )


# --- answers -----------------------------------------------------------------------------------


def take(site: Site, ask: Ask) -> Reply:
    """Take a case until a time."""
    said = body_of(ask, {"until", "note"})
    until = _moment(said.get("until", ""), ask.now)
    note = _note(said)
    with site.store.snapshot() as tx:
        box = _box(site, tx, ask)
        number = _case(tx, box, ask).number
    return _hear(
        site,
        ask,
        box,
        Acknowledged(case=number, by=ask.who.by, until=until, note=note),
        "took-case",
    )


def hand_over(site: Site, ask: Ask) -> Reply:
    """Give a case to somebody else."""
    said = body_of(ask, {"to", "note"})
    to, note = said.get("to", ""), _note(said)
    with site.store.snapshot() as tx:
        box = _box(site, tx, ask)
        number = _case(tx, box, ask).number
        policy = site.standing(tx, box).policy
    if policy.person(to) is None:
        raise Refusal(422, "“to” names nobody who is told of cases.")
    return _hear(
        site, ask, box, HandedOver(case=number, by=ask.who.by, to=to, note=note), "handed-over-case"
    )


def _hear(site: Site, ask: Ask, box: BoxId, said: Observation, what: str) -> Reply:
    outcome = site.hear(box, said, ask, what)
    if outcome.refused:
        raise Refusal(422, outcome.refused)
    with site.store.snapshot() as tx:
        return say(case_as_data(_case(tx, box, ask)))


def body_of(ask: Ask, known: set[str]) -> Mapping[str, str]:
    """Read the body: one JSON object with texts under known names. Raises Refusal."""
    kind = ask.headers.get("content-type", "").partition(";")[0].strip().casefold()
    if kind != JSON:
        raise Refusal(415, "The body is to be JSON (content-type: application/json).")
    try:
        found = json.loads(ask.body)
    except (ValueError, RecursionError) as error:
        raise Refusal(400, "The body is not JSON.") from error
    if not isinstance(found, dict):
        raise Refusal(422, "The body is to be one JSON object.")
    for name, value in found.items():
        if name not in known or not isinstance(value, str):
            raise Refusal(422, f"The body holds texts under: {', '.join(sorted(known))}.")
    return found


def _note(said: Mapping[str, str]) -> str:
    return " ".join(said.get("note", "").split())[:LONGEST_NOTE]


def _moment(text: str, now: datetime) -> datetime:
    wrong = Refusal(422, "“until” is to be a moment with its zone (RFC 3339).")
    try:
        given = datetime.fromisoformat(text)
        moment = given.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise wrong from error
    if given.tzinfo is None:
        raise wrong
    if moment - now < timedelta(minutes=1):
        raise Refusal(422, "“until” is to lie ahead.")
    return moment


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
