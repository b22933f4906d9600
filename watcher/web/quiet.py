"""Silence and planned work: what is quiet now, and the two forms with their preview.

A form is asked for with GET: whatever is filled in comes back with what it would do, and only the
button below that, a POST, does it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from watcher.cases.observations import Silenced, SilenceLifted, WorkAnnounced, WorkEnded
from watcher.cases.policy import Policy
from watcher.cases.recurrence import check_rule
from watcher.cases.state import Case, Expectation, ExpectKind, ScopeKind, Silence
from watcher.facts.identity import BoxId, DriveId, PoolId, SubjectKind
from watcher.rules.catalogue import CATALOGUE
from watcher.rules.view import View
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Refusal, Reply, go_to, not_found
from watcher.web.bays import in_bay_order
from watcher.web.case_page import Asked, asked, find_case, note_of
from watcher.web.preview import Preview, preview
from watcher.web.prospect import view_at
from watcher.web.site import Site, draw
from watcher.web.times import offers, until_of
from watcher.web.words import address

LASTS_HOURS = (1, 3, 6, 12, 24, 48)
"""How long planned work may be said to last in the form."""

MOST_EXPECTED = 24

REPEATS = {"": "once", "daily": "every day", "weekly": "every week", "monthly": "every month"}
"""How often planned work may come again, as the form says it. Anything else by the command."""


class Given(dict[str, str]):
    """What was filled in; what was not is empty."""

    def __missing__(self, name: str) -> str:
        """Give nothing for a field that was not filled in."""
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What a form can be about."""

    box: BoxId
    case: Case | None
    home: str  # the address before /quiet and /work
    back: str  # where one goes back to
    query: str  # the box, where the address needs it
    view: View | None
    policy: Policy  # of whose box it is

    def options(self) -> tuple[tuple[str, str], ...]:
        """Give what can be kept quiet: value and words; what the case is about first."""
        found: list[tuple[str, str]] = []
        if self.view is not None:
            survey = self.view.survey
            found += [(f"pool {p.pool}", f"the pool {p.name}") for p in survey.pools]
            drives = {r.identity.drive for r in survey.drives} | set(self.view.past)
            labels = in_bay_order((self.view.label_of(d), d) for d in drives if self._in_use(d))
            found += [(f"drive {d}", f"the drive {label}") for label, d in labels]
        if self.case is None:
            found += [
                (f"rule {name}", f"the rule “{name.replace('-', ' ')}”") for name in CATALOGUE
            ]
            found.append((f"box {self.box}", "this whole box"))
            return tuple(found)
        about = {str(f.subject).replace(":", " ", 1) for f in self.case.standing}
        about |= {f"pool {f.pool}" for f in self.case.standing if f.pool}
        kept = [option for option in found if option[0] in about]
        rules = sorted({f.rule for f in self.case.standing if f.rule in CATALOGUE})
        kept += [(f"rule {name}", f"the rule “{name.replace('-', ' ')}”") for name in rules]
        return tuple(kept)

    def _in_use(self, drive: DriveId) -> bool:
        past = self.view.past.get(drive) if self.view is not None else None
        return past is None or past.in_use


def place_of(site: Site, tx: Transaction, ask: Ask) -> Place:
    """Say what a form is about: the case of the address, or a whole box."""
    case: Case | None = None
    if ask.who.link is not None or "number" in ask.parts:
        which: Asked = asked(site, tx, ask)
        case = find_case(tx, which)
        if not case.is_open:
            raise Refusal(410, "This case is over; there is nothing to keep quiet.")
        box, home, query = which.box, which.home, which.query
        back = address(home, box=query)
    else:
        box = site.box_asked(tx, ask, ask.query.get("box") or ask.field("box"))
        home, query = "", box if box != site.box else ""
        back = address("/quiet", box=query)
    return Place(
        box=box,
        case=case,
        home=home,
        back=back,
        query=query,
        view=view_at(site, tx, box, ask),
        policy=site.standing(tx, box).policy,
    )


def _words(site: Site, ask: Ask, place: Place) -> dict[str, Any]:
    return {
        "place": place,
        "offers": offers(site.clockwork(ask), longest=place.policy.longest_silence),
        "given": Given(ask.query),
        "preview": None,
        "fault": "",
    }


def page(site: Site, ask: Ask) -> Reply:
    """Show what is quiet now, and what work is planned."""
    with site.store.snapshot() as tx:
        boxes = site.watched_of(tx, ask.who)
        books = [(box, tx.load_book(box)) for box in boxes]
        views = {box: view_at(site, tx, box, ask) for box in boxes if tx.load_book(box).silences}
    silences = [
        (box, silence, say_scope(silence.scope, silence.key, views.get(box)))
        for box, book in books
        for silence in book.silences
        if silence.until > ask.now and not _is_shared(site, silence)
    ]
    shared: dict[tuple[str, str, str, datetime], list[BoxId]] = {}
    for box, book in books:
        for silence in book.silences:
            if silence.until > ask.now and _is_shared(site, silence):
                key = (silence.key, silence.by, silence.reason, silence.until)
                shared.setdefault(key, []).append(box)
    works = [(box, work) for box, book in books for work in book.works if not work.over]
    words = {
        "again": {check_rule(word): text for word, text in REPEATS.items() if word},
        "silences": silences,
        "shared": sorted(shared.items(), key=lambda item: item[0][:3]),
        "works": works,
        "boxes": boxes,
        "own": site.box,
    }
    return draw(site, ask, "quiet.html", words)


def _is_shared(site: Site, silence: Silence) -> bool:
    """Tell whether a silence stands in the books of all boxes of a client."""
    return site.terms.clients is not None and silence.scope is ScopeKind.CLIENT


def say_scope(scope: ScopeKind, key: str, view: View | None) -> str:
    """Say what a silence covers."""
    match scope:
        case ScopeKind.BOX:
            return f"the whole box {key}"
        case ScopeKind.CLIENT:
            return f"all boxes of {key}"
        case ScopeKind.RULE:
            return f"the rule “{key.replace('-', ' ')}”"
        case ScopeKind.DRIVE:
            return view.label_of(DriveId(key)) if view is not None else f"the drive {key}"
        case ScopeKind.POOL:
            pools = view.survey.pools if view is not None else ()
            name = next((pool.name for pool in pools if pool.pool == key), key)
            return f"the pool {name}"


# --- silence -----------------------------------------------------------------------------------


def silence_form(site: Site, ask: Ask) -> Reply:
    """Show the form of a silence, with what it would do as far as it is filled in."""
    with site.store.snapshot() as tx:
        place = place_of(site, tx, ask)
        book = tx.load_book(place.box)
    words = _words(site, ask, place)
    options = place.options()
    words["options"] = options
    given = ask.query
    if options and "scope" in given:
        try:
            said = _silenced(site, ask, place, given)
        except Refusal as refusal:
            words["fault"] = refusal.sentence
        else:
            words["preview"] = preview(book, said, place.policy, place.view, ask.now)
            words["until"] = said.until
    return draw(site, ask, "silence.html", words)


def _silenced(site: Site, ask: Ask, place: Place, given: Mapping[str, str]) -> Silenced:
    """Read what a form says into a silence; Refusal when it cannot be one."""
    scope = given.get("scope", "")
    if scope not in {value for value, _ in place.options()}:
        raise Refusal(422, "Choose what is to be quiet.")
    kind, _, key = scope.partition(" ")
    return silenced(site, ask, ScopeKind(kind), key, given)


def silenced(
    site: Site, ask: Ask, scope: ScopeKind, key: str, given: Mapping[str, str]
) -> Silenced:
    """Read until when and why out of a form; Refusal when it names no time that lies ahead."""
    until = until_of(
        ask,
        site.clockwork(ask),
        chosen=given.get("until", ""),
        written=given.get("until_other", ""),
    )
    reason = " ".join(given.get("reason", "").split())[:500]
    return Silenced(
        scope=scope,
        key=key,
        by=ask.who.by,
        reason=reason or "no reason given",
        until=until,
    )


def silence(site: Site, ask: Ask) -> Reply:
    """Keep something quiet."""
    with site.store.snapshot() as tx:
        place = place_of(site, tx, ask)
    given = {name: ask.field(name) for name in ("scope", "until", "until_other", "reason")}
    if not given["reason"]:
        raise Refusal(422, "Say why, for whoever wonders later.")
    outcome = site.hear(place.box, _silenced(site, ask, place, given), ask, "silenced")
    if outcome.refused:
        raise Refusal(422, outcome.refused)
    return go_to(_with_done(place.back, "silenced"))


def lift(site: Site, ask: Ask) -> Reply:
    """End a silence before its time."""
    return _end(site, ask, "lifted")


def end_work(site: Site, ask: Ask) -> Reply:
    """Say that planned work is done."""
    return _end(site, ask, "ended")


def _end(site: Site, ask: Ask, done: str) -> Reply:
    number = ask.field("mark")
    if not number.isdecimal() or len(number) > 9:
        raise not_found("silence or work of that number")
    with site.store.snapshot() as tx:
        box = site.box_asked(tx, ask, ask.field("box"))
    said: SilenceLifted | WorkEnded
    if done == "lifted":
        said = SilenceLifted(number=int(number), by=ask.who.by)
    else:
        said = WorkEnded(number=int(number), by=ask.who.by)
    outcome = site.hear(box, said, ask, said.kind)
    if outcome.refused:
        raise Refusal(422, outcome.refused)
    return go_to(address("/quiet", done=done))


# --- planned work ------------------------------------------------------------------------------


def work_form(site: Site, ask: Ask) -> Reply:
    """Show the form of planned work, with what it would do as far as it is filled in."""
    with site.store.snapshot() as tx:
        place = place_of(site, tx, ask)
        book = tx.load_book(place.box)
    words = _words(site, ask, place)
    words |= {"pools": _pools(place), "hours": LASTS_HOURS, "repeats": REPEATS}
    expected = [name for name in ask.query if name.startswith("expect ")]
    words["expected"] = set(expected)
    words["chosen_pool"] = ask.query.get("pool", _first_pool(place))
    words["preview"] = None
    if "hours" in ask.query:
        try:
            said = _announced(site, ask, place, ask.query, expected)
        except Refusal as refusal:
            words["fault"] = refusal.sentence
        else:
            found: Preview = preview(book, said, place.policy, place.view, ask.now)
            words["preview"], words["said"] = found, said
    return draw(site, ask, "work.html", words)


def _pools(place: Place) -> list[dict[str, Any]]:
    """Give the pools that can be worked on, each with its drives; the case's own only."""
    view = place.view
    if view is None:
        return []
    wanted = _first_pool(place) if place.case is not None else ""
    found = []
    for pool in view.survey.pools:
        if wanted and pool.pool != wanted:
            continue
        past = view.pool_past.get(pool.pool)
        drives = set(pool.drives) | (set(past.lost) if past is not None else set())
        labels = in_bay_order((view.label_of(drive), drive) for drive in drives)
        found.append({"pool": pool.pool, "name": pool.name, "drives": labels})
    return found


def _first_pool(place: Place) -> str:
    """Give the pool that the case is about, "" when there is none."""
    if place.case is None:
        return ""
    if place.case.locus.kind is SubjectKind.POOL:
        return place.case.locus.key
    return next((f.pool for f in place.case.standing if f.pool), "")


_SIMPLE = {
    "degraded": ExpectKind.DEGRADED,
    "rebuild": ExpectKind.REBUILD,
    "box-off": ExpectKind.BOX_OFF,
}


def _announced(
    site: Site, ask: Ask, place: Place, given: Mapping[str, str], expected: list[str]
) -> WorkAnnounced:
    """Read what a form says into planned work; Refusal when it cannot be any."""
    hours = given.get("hours", "")
    if hours not in {str(h) for h in LASTS_HOURS}:
        raise Refusal(422, "Choose how long the work lasts.")
    repeat = given.get("repeat", "")
    if repeat not in REPEATS:
        raise Refusal(422, "Choose how often the work comes again.")
    begins = ask.now
    if given.get("begins"):
        begins = until_of(ask, site.clockwork(ask), chosen="", written=given["begins"])
    pools = {str(p["pool"]): p for p in _pools(place)}
    chosen = given.get("pool", "")
    if chosen and chosen not in pools:
        raise not_found("pool of that name")
    drives = {d for p in pools.values() for _, d in p["drives"]}
    expects = tuple(_expectation(name, drives, place.view) for name in expected[:MOST_EXPECTED])
    if not expects:
        raise Refusal(422, "Say what the work will cause: everything else sounds.")
    reason = " ".join(given.get("reason", "").split())[:500]
    return WorkAnnounced(
        by=ask.who.by,
        reason=reason or "; ".join(e.said for e in expects),
        begins=begins,
        ends=begins + timedelta(hours=int(hours)),
        expects=expects,
        pool=PoolId(chosen) if chosen else None,
        pool_name=str(pools[chosen]["name"]) if chosen else "",
        repeat=repeat,
        zone=str(site.clockwork(ask).zone),
    )


def _expectation(name: str, drives: set[DriveId], view: View | None) -> Expectation:
    """Read one box that was ticked: ``expect replace DRIVE``, ``expect degraded``."""
    _, word, key, *_ = (*name.split(" ", 2), "", "")
    if word in {"replace", "remove"}:
        drive = DriveId(key)
        if drive not in drives or view is None:
            raise not_found("drive of that name")
        kind = ExpectKind.REPLACE if word == "replace" else ExpectKind.DRIVE_OFF
        label = view.label_of(drive).partition(" (")[0]
        return Expectation(kind=kind, drive=drive, said=f"{word} {label}")
    if word not in _SIMPLE:
        raise Refusal(422, "Say what the work will cause.")
    return Expectation(kind=_SIMPLE[word], said=word.replace("-", " "))


def announce(site: Site, ask: Ask) -> Reply:
    """Write planned work down."""
    with site.store.snapshot() as tx:
        place = place_of(site, tx, ask)
    given = {name: ask.field(name) for name in ("pool", "hours", "begins", "repeat")}
    given["reason"] = note_of(ask, "reason")
    expected = [name for name in ask.form if name.startswith("expect ")]
    said = _announced(site, ask, place, given, expected)
    outcome = site.hear(place.box, said, ask, "announced-work")
    if outcome.refused:
        raise Refusal(422, outcome.refused)
    return go_to(_with_done(place.back, "announced"))


def _with_done(back: str, done: str) -> str:
    return f"{back}{'&' if '?' in back else '?'}done={done}"
