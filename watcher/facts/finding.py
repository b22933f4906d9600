"""A rule that holds now for one subject, with its evidence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.facts.checks import require_utc
from watcher.facts.identity import DriveId, PoolId, Subject


class Urgency(StrEnum):
    """How soon a person must act. Orders from ``NOTE`` (least) to ``NOW``."""

    NOTE = "note"
    THIS_WEEK = "this-week"
    TODAY = "today"
    NOW = "now"

    @property
    def rank(self) -> int:
        """Give 0 for a note, up to 3 for now."""
        return _RANK[self]

    def __lt__(self, other: object) -> bool:
        """Compare by how soon, not by spelling."""
        if not isinstance(other, Urgency):
            return NotImplemented
        return self.rank < other.rank

    def __gt__(self, other: object) -> bool:
        """Compare by how soon, not by spelling."""
        if not isinstance(other, Urgency):
            return NotImplemented
        return self.rank > other.rank

    def __le__(self, other: object) -> bool:
        """Compare by how soon, not by spelling."""
        return not self > other

    def __ge__(self, other: object) -> bool:
        """Compare by how soon, not by spelling."""
        return not self < other


_RANK = {
    urgency: rank
    for rank, urgency in enumerate((Urgency.NOTE, Urgency.THIS_WEEK, Urgency.TODAY, Urgency.NOW))
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One fact that a finding rests on."""

    what: str  # "pending sectors", "kernel log", "array state"
    value: str  # "8, was 0 three days ago"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One rule that holds now for one subject.

    ``sentence`` is what happened and ``next_step`` what to do, both for the owner and complete
    without the evidence; counters belong in ``evidence``.
    """

    rule: str  # kebab-case id in the catalogue
    subject: Subject
    label: str  # what the owner calls the subject: "bay 3 (Altair A8, 8 TB, serial …)"
    urgency: Urgency
    sentence: str
    next_step: str
    observed_at: datetime
    evidence: tuple[Evidence, ...] = ()
    pool: PoolId | None = None  # the pool it endangers, when there is one
    drives: tuple[DriveId, ...] = ()  # every drive it points at
    level: int = 0  # grows when the same finding gets worse, so that a worsening is seen

    def __post_init__(self) -> None:
        """Check the time and the words."""
        require_utc(self.observed_at, "observed_at")
        if not (self.rule and self.label and self.sentence and self.next_step):
            raise ValueError("a finding needs a rule, a label, a sentence and a next step")

    @property
    def key(self) -> str:
        """The same for the same rule about the same subject, at any time."""
        return f"{self.rule}/{self.subject}"
