"""What the case side asks the shell to do, as values."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.cases.state import NoticeKind
from watcher.facts.finding import Urgency


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing that a message says."""

    kind: NoticeKind
    case: int  # 0: not about a case
    number: int  # of the case's notices
    urgency: Urgency
    about: str = ""
    finding: str = ""  # the key of the finding that it names; "": the case's weightiest


@dataclass(frozen=True, slots=True, kw_only=True)
class Tell:
    """Say something to one person. The key is the same whenever the decision is the same."""

    key: str
    person: str
    items: tuple[Item, ...]
    urgency: Urgency  # the highest of the items


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Write a line into the record of a case (0: of the box)."""

    case: int
    at: datetime
    what: str  # kebab-case: "opened", "finding-joined", "acknowledged", …
    by: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refuse:
    """A person asked for something that cannot be done; nothing changed."""

    reason: str  # a sentence for that person


Effect = Tell | Record | Refuse
