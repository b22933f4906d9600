"""One thing that a message says, with all that its words are chosen from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo

from watcher.cases.effects import Item
from watcher.cases.state import Case, NoticeKind
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import SubjectKind
from watcher.facts.pool import Protection
from watcher.notify.message_facts import CaseExtras
from watcher.notify.words import clean, cut, gist, say_when, short_label

_PLIGHTS = {
    Protection.BARE: " has no margin left",
    Protection.THINNED: " lost margin",
    Protection.BROKEN: " is broken",
    Protection.UNKNOWN: " cannot be seen",
}

_SAID_BY_THE_TITLE = frozenset({"margin-thinned", "margin-gone"})
"""Rules about a pool that say what its plight in the title says already."""


_HELD_UP = frozenset({"rebuild-stalled", "rebuild-cannot-finish"})
"""Rules about a way back that is blocked: until that is seen to, nothing else brings margin."""

_BESIDE_ANOTHER = frozenset({"same-batch-risk"})
"""Rules that weigh more only through what another one found, which is to be said first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """All that the words are chosen from."""

    item: Item
    case: Case | None
    extras: CaseExtras
    box: str
    zone: tzinfo
    now: datetime

    @property
    def finding(self) -> Finding | None:
        """The finding that the message leads with.

        Where the title already says how the pool stands, what caused it follows; where it does
        not, or where the pool is broken, the pool's own finding leads.
        """
        if self.case is None or not self.case.held:
            return None
        audible = self.audible
        wanted = next((f for f in audible if f.key == self.item.finding), None)
        known = [wanted] if wanted is not None else audible
        top = [f for f in audible if f.urgency is known[0].urgency]
        if wanted is not None and wanted.rule in _BESIDE_ANOTHER:
            wanted = next((f for f in top if f.rule not in _BESIDE_ANOTHER), wanted)
        since = {h.finding.key: h.since for h in self.case.held}
        causes = [f for f in top if f.subject != self.case.locus]
        causes.sort(key=lambda f: since[f.key], reverse=True)  # what came last made it so
        own = [f for f in top if f.subject == self.case.locus]
        says_cause = self.plight and self.extras.protection is not Protection.BROKEN
        is_said = says_cause and wanted in own and wanted.rule in _SAID_BY_THE_TITLE
        held_up = [f for f in own if f.rule in _HELD_UP] if says_cause else []
        if wanted is not None and not (is_said and (causes or held_up)):
            return wanted
        ranked = (*causes, *own) if says_cause else (*own, *causes)
        return (*held_up, *ranked, self.case.weightiest)[0]

    @property
    def audible(self) -> tuple[Finding, ...]:
        """What holds now and people were told of: what is silent, and notes, are left out.

        When nothing is known of what they were told, all that weighs.
        """
        if self.case is None:
            return ()
        told = {t.key for t in self.case.told_of} | {self.item.finding}
        weighty = tuple(f for f in self.case.standing if f.urgency > Urgency.NOTE)
        return tuple(f for f in weighty if f.key in told) or weighty or self.case.standing

    @property
    def pool_finding(self) -> Finding | None:
        """The pool's own finding of the same urgency, when another one leads."""
        lead = self.finding
        if self.case is None or lead is None or lead.subject == self.case.locus:
            return None
        return next(
            (f for f in self.audible if f.subject == self.case.locus and f.urgency is lead.urgency),
            None,
        )

    @property
    def was_short(self) -> bool:
        """Whether the case has been about a loss of margin that is over."""
        held = self.case.held if self.case is not None else ()
        return any(h.cleared_at is not None and h.finding.rule in _SAID_BY_THE_TITLE for h in held)

    @property
    def plight(self) -> str:
        """How the pool stands, for the title; "" when the case is not a pool's."""
        if self.case is None or self.case.locus.kind is not SubjectKind.POOL:
            return ""
        return _PLIGHTS.get(self.extras.protection or Protection.WHOLE, "")

    @property
    def label(self) -> str:
        """What the owner calls the place, shortly."""
        return cut(short_label(self.case.label), 40) if self.case is not None else ""

    @property
    def place(self) -> str:
        """Where it is."""
        if self.label.startswith(f"{self.box}, "):
            return self.label  # it names the box itself
        return self.box if self.label in {"", self.box} else f"{self.label} on {self.box}"

    @property
    def pool(self) -> str:
        """The pool's name, or a word for it."""
        return cut(self.extras.pool_name, 40) or "the pool"

    @property
    def is_calm(self) -> bool:
        """Whether nothing needs to be done by the reader."""
        return self.item.kind in _CALM

    def when(self, moment: datetime) -> str:
        """Say a moment in the reader's zone."""
        return say_when(moment, self.now, self.zone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line below the first, and how badly it is needed (higher: sooner left out)."""

    text: str
    drop: int


_CALM = frozenset(
    {NoticeKind.TAKEN, NoticeKind.EASED, NoticeKind.ALL_CLEAR, NoticeKind.DIGEST},
)


def is_proven(scene: Scene) -> bool:
    """Whether "all clear" may be said: no pool is touched, or the pool is whole.

    It may not when nothing is there any more of which it could be true.
    """
    if scene.extras.is_left:
        return False
    if scene.extras.protection is not None:
        return scene.extras.protection is Protection.WHOLE
    case = scene.case
    if case is None:
        return False
    pools = [h.finding.pool for h in case.held if h.finding.pool is not None]
    return case.locus.kind is not SubjectKind.POOL and not pools


def happening_in(scene: Scene) -> str:
    """Say what happened, and to which part when the case is a wider place."""
    finding, case = scene.finding, scene.case
    if finding is None or case is None:
        return clean(scene.item.about) or _NO_WORDS
    part = short_label(finding.label)
    text = in_short(finding, finding.sentence) or _NO_WORDS
    known = finding.subject == case.locus or part == short_label(case.label)
    if known or part.casefold() in text.casefold():
        return text
    return f"{cut(part, 40)}: {text}"


def in_short(finding: Finding, text: str) -> str:
    """Say a sentence of a finding with the short name of its subject, and without its pool."""
    label = clean(finding.label)
    return gist(text).replace(label, short_label(label)) if label else gist(text)


_NO_WORDS = "Something needs a look."
