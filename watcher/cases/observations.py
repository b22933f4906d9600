"""What the case side can be told, one frozen fact at a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from watcher.cases.state import Expectation, PoolSeen, ScopeKind
from watcher.facts.finding import Finding
from watcher.facts.identity import PoolId, Subject


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyJudged:
    """A survey was taken in and the rules were asked.

    ``seen`` names every subject that could really be looked at: only the absence of a finding
    about a subject in ``seen`` clears it. What was not seen stays as it was, except for what is
    named in ``disproved``.
    """

    findings: tuple[Finding, ...]
    seen: frozenset[Subject]
    pools: tuple[PoolSeen, ...] = ()
    hidden: tuple[tuple[PoolId, str], ...] = ()  # known pools that it did not show, by name
    disproved: frozenset[str] = frozenset()  # keys of findings that are cleared in any case
    taken_at: datetime
    kind: Literal["survey-judged"] = "survey-judged"


@dataclass(frozen=True, slots=True, kw_only=True)
class TimePassed:
    """Nothing happened but time."""

    kind: Literal["time-passed"] = "time-passed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledged:
    """A person takes a case until a time."""

    case: int
    by: str
    until: datetime
    note: str = ""
    kind: Literal["acknowledged"] = "acknowledged"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedOver:
    """A person gives a case to another."""

    case: int
    by: str
    to: str
    note: str = ""
    kind: Literal["handed-over"] = "handed-over"


@dataclass(frozen=True, slots=True, kw_only=True)
class Silenced:
    """A person asks for silence."""

    scope: ScopeKind
    key: str
    by: str
    reason: str
    until: datetime
    kind: Literal["silenced"] = "silenced"


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceLifted:
    """A person ends a silence before its time."""

    number: int
    by: str
    kind: Literal["silence-lifted"] = "silence-lifted"


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkAnnounced:
    """A person announces planned work, for now or for later."""

    by: str
    reason: str
    begins: datetime
    ends: datetime
    expects: tuple[Expectation, ...]
    pool: PoolId | None = None
    pool_name: str = ""
    repeat: str = ""  # a recurrence rule in the words of RFC 5545; "": once
    zone: str = "UTC"  # in which the time of day of repeated work holds
    kind: Literal["work-announced"] = "work-announced"


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkEnded:
    """A person says that planned work is done."""

    number: int
    by: str
    kind: Literal["work-ended"] = "work-ended"


Observation = (
    SurveyJudged
    | TimePassed
    | Acknowledged
    | HandedOver
    | Silenced
    | SilenceLifted
    | WorkAnnounced
    | WorkEnded
)
