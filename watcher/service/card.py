"""The readiness card: how prepared a box is, in sentences, each from a rule with its own term.

There is no mark out of ten: a number would let a good shelf hide a missing backup. What a rule
objects to is said with what to do; what it does not object to is said with its proof.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import SubjectKind
from watcher.facts.pool_past import last_scrub
from watcher.facts.readiness import CopyState, Preparation, ProofState, Source
from watcher.facts.units import say_bytes, say_count, say_span
from watcher.rules.alike import alike, place_of
from watcher.rules.catalogue import judge
from watcher.rules.readiness import guarded
from watcher.rules.tuning import Tuning
from watcher.rules.view import View

OUT_OF_SCOPE: Final = (
    "Not looked at: whether a firmware is known to need an update. No list of such firmware is "
    "kept here; ask the maker's page with model and firmware (midwatch drive shows both)."
)


class Standing(StrEnum):
    """How one line of the card stands."""

    READY = "ready"
    LACKS = "lacks"
    UNSEEN = "unseen"


class Topic(StrEnum):
    """The lines of the card, in their order."""

    SHELF = "shelf"
    COPIES = "copies"
    RESTORES = "restores"
    SCRUBS = "scrubs"
    SELF_TESTS = "self-tests"
    ROUTE = "alert route"
    HEARTBEAT = "heartbeat"
    DRILL = "drill"


RULES_OF: Final[dict[Topic, tuple[str, ...]]] = {
    Topic.SHELF: ("shelf-empty", "spare-too-small", "spare-not-proven", "warranty-ends-soon"),
    Topic.COPIES: (
        "copy-missing",
        "copy-stale",
        "copy-unseen",
        "too-few-copies",
        "no-copy-off-site",
    ),
    Topic.RESTORES: ("restore-never-tried",),
    Topic.SCRUBS: ("scrub-overdue",),
    Topic.SELF_TESTS: ("self-test-overdue",),
    Topic.ROUTE: ("route-unproven", "messages-do-not-arrive"),
    Topic.HEARTBEAT: ("silence-unnoticed",),
    Topic.DRILL: ("drill-overdue",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the card."""

    topic: Topic
    standing: Standing
    sentence: str
    next_step: str = ""
    rule: str = ""  # by which it is judged
    about: tuple[str, ...] = ()  # the drives, pools and the rest that it objects to


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """All lines, and what is not looked at."""

    box: str
    lines: tuple[Line, ...]
    out_of_scope: str = OUT_OF_SCOPE

    @property
    def sentence(self) -> str:
        """Say the whole in one sentence."""
        lacks = [line.topic.value for line in self.lines if line.standing is Standing.LACKS]
        unseen = [line.topic.value for line in self.lines if line.standing is Standing.UNSEEN]
        if not lacks and not unseen:
            return f"{self.box} is prepared for the loss of a drive, as far as can be seen."
        parts = []
        if lacks:
            parts.append(f"lacks something in {', '.join(dict.fromkeys(lacks))}")
        if unseen:
            parts.append(f"cannot be judged in {', '.join(dict.fromkeys(unseen))}")
        return f"{self.box} {' and '.join(parts)}."


def card_of(view: View, tuning: Tuning) -> Card:
    """Make the card of a box. A new box gets no grace here: who asks wants to know."""
    ready = view.ready or Preparation()
    since = min(filter(None, (ready.watched_since, view.now - _LONG)))
    asked = replace(view, ready=replace(ready, watched_since=since))
    found = judge(asked, tuning)
    lines: list[Line] = []
    for topic, rules in RULES_OF.items():
        held = [f for f in found if f.rule in rules]
        lines += [_lacking(topic, some) for some in alike(_most_urgent_first(held))]
        if not held:
            lines += _good(topic, asked, ready)
        if topic is Topic.ROUTE and ready.own_way is False:
            lines.append(_NO_OWN_WAY)
    return Card(box=view.survey.box, lines=tuple(lines))


_NO_OWN_WAY: Final = Line(
    topic=Topic.ROUTE,
    standing=Standing.LACKS,
    sentence="While the hub is away, nobody is reached from the box: it has no way of its own that "
    "leads elsewhere.",
    next_step="Name a person and a way in the settings of the box: midwatch config init.",
    rule="route-unproven",
)

_NOT_TOLD: Final = (
    "Update midwatch on the box, or wait for its next survey: it tells of its shelf, its drills "
    "and its restores by itself."
)

_LONG: Final = timedelta(days=3650)
"""Longer than any grace of a rule."""


def _most_urgent_first(found: list[Finding]) -> list[Finding]:
    """Order findings of one topic."""
    return sorted(found, key=lambda f: (-f.urgency.rank, f.rule, f.subject.key))


def _lacking(topic: Topic, some: list[Finding]) -> Line:
    """Say what a rule objects to, once for all places of which it says the same."""
    finding = some[0]
    soon = " (this week)" if finding.urgency >= Urgency.THIS_WEEK else ""
    sentence = f"{finding.sentence}{soon}"
    if finding.subject.kind is SubjectKind.DRIVE and len(some) == 1:
        sentence = f"{finding.label}: {sentence}"
    elif len(some) > 1:
        places = ", ".join(place_of(one.label) for one in some)
        sentence += f" So it is with {len(some)}: {places}."
    return Line(
        topic=topic,
        standing=Standing.UNSEEN if finding.rule == "copy-unseen" else Standing.LACKS,
        sentence=sentence,
        next_step=finding.next_step,
        rule=finding.rule,
        about=tuple(str(one.subject) for one in some),
    )


def _good(topic: Topic, view: View, ready: Preparation) -> Iterator[Line]:
    """Say what stands well, with its proof; or that it cannot be told."""
    say = {
        Topic.SHELF: _shelf,
        Topic.COPIES: _copies,
        Topic.RESTORES: _restores,
        Topic.SCRUBS: _scrubs,
        Topic.SELF_TESTS: _self_tests,
        Topic.ROUTE: _route,
        Topic.HEARTBEAT: _heartbeat,
        Topic.DRILL: _drill,
    }[topic]
    standing, sentence, step = say(view, ready)
    yield Line(
        topic=topic,
        standing=standing,
        sentence=sentence,
        next_step=step,
        rule=RULES_OF[topic][0],
    )


_Said = tuple[Standing, str, str]


def _ago(view: View, moment: datetime) -> str:
    """Say how long ago."""
    gone = view.now - moment
    return f"{say_span(gone)} ago" if gone >= timedelta(minutes=1) else "just now"


def _shelf(view: View, ready: Preparation) -> _Said:
    proven = [s for s in ready.shelf if s.proof_at(view.now) is ProofState.PROVEN]
    if proven:
        by = min(s.prove_by for s in proven if s.prove_by is not None)
        words = f"{say_count(len(proven), 'proven spare')} ready; prove again by {by:%d %b %Y}."
        return Standing.READY, words, ""
    inside = sum(count for _, count in ready.hot_spares)
    if inside:
        return Standing.READY, f"{say_count(inside, 'hot spare')} in the pools.", ""
    if any(spare.ordered for spare in ready.shelf):
        return Standing.LACKS, "A spare is ordered and not here yet.", "Prove it when it comes."
    if not guarded(view):
        return Standing.UNSEEN, "No pool with redundancy is seen, so no spare is asked for.", ""
    if not ready.is_told:
        return Standing.UNSEEN, "What lies on its shelf: not told by this box.", _NOT_TOLD
    return Standing.LACKS, "No spare is ready.", "Put one on the shelf: midwatch shelf add."


def _copies(view: View, ready: Preparation) -> _Said:
    if ready.things is None:
        return (
            Standing.UNSEEN,
            "Whether there are copies is not known: nothing was looked at yet.",
            (
                "Say in the settings, under irreplaceable, what cannot be got again and where its "
                "copies are."
            ),
        )
    if not ready.things:
        return (
            Standing.UNSEEN,
            "Nothing was declared irreplaceable, so no copy is looked for.",
            (
                "Say in the settings, under irreplaceable, what cannot be got again. Redundancy is "
                "no backup."
            ),
        )
    total = [thing.bytes for thing in ready.things]
    size = None if None in total else sum(count or 0 for count in total)
    fresh = sum(
        copy.state_at(view.now) is CopyState.FRESH for t in ready.things for copy in t.copies
    )
    words = (
        f"{say_count(len(ready.things), 'thing')} that cannot be got again "
        f"({say_bytes(size)}), {say_count(fresh, 'fresh copy', 'fresh copies')}, off-site too."
    )
    return Standing.READY, words, ""


def _restores(view: View, ready: Preparation) -> _Said:
    if not ready.things:
        return Standing.UNSEEN, "No restore is asked for: nothing was declared irreplaceable.", ""
    if not ready.is_told:
        return Standing.UNSEEN, "Whether a restore was tried: not told by this box.", _NOT_TOLD
    last = max((r.at for r in ready.restores if r.worked), default=None)
    words = "A restore worked" + (f" {_ago(view, last)}." if last is not None else ".")
    return Standing.READY, words, ""


def _scrubs(view: View, ready: Preparation) -> _Said:
    del ready
    pools = guarded(view)
    if not pools:
        return Standing.UNSEEN, "No pool with redundancy is seen.", ""
    known = [(pool.name, last_scrub(pool, view.pool_past.get(pool.pool))) for pool in pools]
    never = [name for name, at in known if at is None]
    if never:
        return (
            Standing.UNSEEN,
            f"No scrub of {', '.join(never)} was seen yet.",
            "Let one run, and see that it ends well.",
        )
    parts = [f"{name} {_ago(view, at)}" for name, at in known if at is not None]
    return Standing.READY, f"Last scrubs: {', '.join(parts)}.", ""


def _self_tests(view: View, ready: Preparation) -> _Said:
    del ready
    count = len(view.survey.drives)
    if not count:
        return Standing.UNSEEN, "No drive here tells of its self-tests.", ""
    return Standing.READY, f"No full self-test of {say_count(count, 'drive')} is overdue.", ""


def _route(view: View, ready: Preparation) -> _Said:
    if ready.answered_at is None:
        return (
            Standing.UNSEEN,
            "Nobody has answered a message yet.",
            "Run midwatch drill and see who answers.",
        )
    who = ready.answered_by or "somebody"
    return (
        Standing.READY,
        f"A message was last answered {_ago(view, ready.answered_at)}, by {who}.",
        "",
    )


def _heartbeat(view: View, ready: Preparation) -> _Said:
    del view
    if ready.beats is None:
        return Standing.UNSEEN, "Whether anything outside notices silence is not known.", ""
    if ready.source is not Source.HERE:
        return Standing.READY, "This hub notices when the box falls silent.", ""
    return (
        Standing.READY,
        "Something outside, an address or a hub, is called and notices when the calls stop.",
        "",
    )


def _drill(view: View, ready: Preparation) -> _Said:
    done = [d for d in ready.drills if d.ended_at is not None]
    if not done and not ready.is_told and guarded(view):
        return Standing.UNSEEN, "Whether a loss was rehearsed: not told by this box.", _NOT_TOLD
    if not done:
        return Standing.UNSEEN, "Nothing is rehearsed where no pool has redundancy.", ""
    last = max(done, key=lambda d: d.begun_at)
    took = last.answer_took
    answer = "nobody answered" if took is None else f"answered after {say_span(took)}"
    words = f"Rehearsed {_ago(view, last.begun_at)} on {last.pool_name}: {answer}."
    if took is None:
        return Standing.LACKS, words, "See why nobody answered, and rehearse again."
    return Standing.READY, words, ""
