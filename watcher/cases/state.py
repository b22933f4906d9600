"""The case book of one box: what is open, who answered, what is silent, what waits to be said."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from watcher.facts.checks import require_utc
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId, DriveId, PoolId, Subject
from watcher.facts.pool import Protection

BOOK_FORMAT = 1  # version of the shape in which the book is kept


class BrokenInvariant(Exception):
    """The book is in a state that cannot come about: a fault of ours, never of the owner's."""


class NoticeKind(StrEnum):
    """Why a person hears of a case."""

    OPENED = "opened"
    WORSENED = "worsened"
    ADDED = "added"  # one thing more, and no worse than what people know of
    RETURNED = "returned"  # what was over for a while is there again
    REMINDER = "reminder"  # nobody has answered
    TAKEN = "taken"  # somebody answered; those told before hear who
    ANSWER_ENDED = "answer-ended"  # the term of an acknowledgement passed
    HANDED_OVER = "handed-over"
    SILENCE_ENDED = "silence-ended"  # what was silent still holds
    SILENCE_BROKEN = "silence-broken"  # so bad that the silence does not count
    UNEXPECTED = "unexpected"  # during maintenance, something that was not announced
    WORK_OVERRUNS = "work-overruns"  # maintenance ends soon and the pool is not whole
    WORK_ENDED = "work-ended"  # maintenance is over: what came of it
    EASED = "eased"  # what woke people is over; something lesser is left
    ALL_CLEAR = "all-clear"
    DIGEST = "digest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Somebody took the case, until a time."""

    by: str
    at: datetime
    until: datetime
    note: str = ""

    def __post_init__(self) -> None:
        """Check the times."""
        require_utc(self.at, "at")
        require_utc(self.until, "until")
        if self.until <= self.at:
            raise ValueError("an answer ends after it begins")


@dataclass(frozen=True, slots=True, kw_only=True)
class Climb:
    """Where on its ladder an unanswered case stands."""

    rung: int  # the rung that was told last
    next_at: datetime  # when the next rung, or the same again, is told
    repeats: int = 0  # how often the last rung was told again
    since: datetime | None = None  # when the first rung was told
    urgency: Urgency | None = None  # for which ``next_at`` was chosen; None: not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A finding of a case, and whether it holds now."""

    finding: Finding
    since: datetime
    seen_at: datetime  # last time the facts said so
    cleared_at: datetime | None = None  # the facts said that it holds no more


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldOf:
    """How bad a finding was when people were told of it.

    What has been better for long enough is forgotten, so that a true return is news again.
    """

    key: str  # of the finding
    urgency: Urgency
    level: int
    low_since: datetime | None = None  # it is better than what was told since then
    returns: int = 0  # how often that was forgotten; each time it takes twice as long
    hushed: bool = False  # silenced or announced since then; when that ends it sounds anew

    @property
    def subject(self) -> str:
        """The subject of the finding, as it is written in keys."""
        return self.key.partition("/")[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class LastTold:
    """When a person was last sent something about a case."""

    person: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One trouble, from first finding to all-clear."""

    number: int
    locus: Subject  # where the trouble is: the pool, or the drive or source that stands alone
    label: str  # what the owner calls that
    opened_at: datetime
    held: tuple[Held, ...]
    told_of: tuple[ToldOf, ...] = ()  # what people were told, to see it grow
    told: tuple[str, ...] = ()  # people who were told, or will be when their night ends, in order
    last_told: tuple[LastTold, ...] = ()  # when a message really left
    told_at: datetime | None = None  # when it last sounded
    grows_at: datetime | None = None  # something grew that waits until then to sound
    climb: Climb | None = None  # None: answered, silent, or only a note
    answer: Answer | None = None
    hushed: bool = False  # everything weighty in it is silenced or expected
    calm_since: datetime | None = None  # nothing holds since then
    closed_at: datetime | None = None
    notices: int = 0  # how many were decided; numbers their keys
    reopens: int = 0  # how often it came back after an all-clear
    only_notes: bool = False  # opened for things to know; what must be acted on has its own case
    answers: tuple[Answer, ...] = ()  # all that were given, oldest first

    @property
    def standing(self) -> tuple[Finding, ...]:
        """Findings that hold now, most urgent first; the place itself before its parts."""
        now = [held.finding for held in self.held if held.cleared_at is None]
        return tuple(
            sorted(
                now,
                key=lambda f: (-f.urgency.rank, f.subject != self.locus, f.rule, str(f.subject)),
            )
        )

    @property
    def urgency(self) -> Urgency:
        """The highest urgency of what holds now, ``NOTE`` when nothing does."""
        return max((f.urgency for f in self.standing), key=lambda u: u.rank, default=Urgency.NOTE)

    @property
    def weightiest(self) -> Finding:
        """The finding that the case is named for: what holds now, else what held last."""
        standing = self.standing
        return standing[0] if standing else self.gravest

    @property
    def gravest(self) -> Finding:
        """The gravest finding that it ever held, of several the one seen last."""
        return max(
            self.held,
            key=lambda h: (h.finding.urgency.rank, h.finding.subject == self.locus, h.seen_at),
        ).finding

    @property
    def says(self) -> str:
        """What the case is about, in a sentence; of what no longer holds, that it was so."""
        sentence = self.weightiest.sentence
        return sentence if self.standing else f"It was: {sentence}"

    def holds(self, key: str) -> bool:
        """Tell whether a finding stands in this case."""
        return any(h.finding.key == key and h.cleared_at is None for h in self.held)

    @property
    def told_urgency(self) -> Urgency | None:
        """The highest urgency that people were told, None when they were not told at all."""
        return max((t.urgency for t in self.told_of), key=lambda u: u.rank, default=None)

    @property
    def is_weighty(self) -> bool:
        """Whether anything above a note holds now."""
        return self.urgency is not Urgency.NOTE

    @property
    def is_open(self) -> bool:
        """Whether the trouble still lasts."""
        return self.closed_at is None


class ScopeKind(StrEnum):
    """What a silence covers."""

    BOX = "box"
    CLIENT = "client"
    DRIVE = "drive"
    POOL = "pool"
    RULE = "rule"


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """Something is not to sound, until a time, by somebody, for a reason."""

    number: int
    scope: ScopeKind
    key: str  # a drive id, a pool id, a rule's name, a box
    by: str
    reason: str
    begins: datetime
    until: datetime

    def __post_init__(self) -> None:
        """Refuse an endless or unexplained silence."""
        require_utc(self.begins, "begins")
        require_utc(self.until, "until")
        if self.until <= self.begins:
            raise ValueError("a silence ends after it begins")
        if not (self.by and self.reason):
            raise ValueError("a silence needs a name and a reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stands:
    """A drive that holds its share of a pool."""

    drive: DriveId
    label: str  # what the owner calls it


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolSeen:
    """What the last survey saw of a pool; maintenance compares with it."""

    pool: PoolId
    name: str
    protection: Protection
    lost: int  # members of the tree that do not stand
    lost_drives: tuple[DriveId, ...]  # those of them that can be named
    stands: tuple[Stands, ...] = ()
    margin: int | None = None
    full_margin: int | None = None

    @property
    def standing_drives(self) -> frozenset[DriveId]:
        """The drives that hold their share."""
        return frozenset(one.drive for one in self.stands)


def unseen(pools: tuple[PoolSeen, ...]) -> tuple[PoolSeen, ...]:
    """Give pools that the last survey did not show: how they stand is not known any more."""
    return tuple(replace(pool, protection=Protection.UNKNOWN, margin=None) for pool in pools)


class ExpectKind(StrEnum):
    """What a piece of planned work will cause."""

    REPLACE = "replace"  # this drive goes, another comes, the pool rebuilds
    DRIVE_OFF = "drive-off"  # this drive is gone for a while
    DEGRADED = "degraded"  # this pool may lose margin by one
    REBUILD = "rebuild"  # this pool rebuilds
    BOX_OFF = "box-off"  # the box does not report


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """One change that is announced."""

    kind: ExpectKind
    drive: DriveId | None = None
    said: str = ""  # in the owner's words: "replace bay 3"


@dataclass(frozen=True, slots=True, kw_only=True)
class Maintenance:
    """Planned work on a pool or a box."""

    number: int
    by: str
    reason: str
    begins: datetime
    ends: datetime
    expects: tuple[Expectation, ...]
    pool: PoolId | None = None  # None: any pool of the box
    pool_name: str = ""
    repeat: str = ""  # a recurrence rule (RFC 5545) when it comes again, see recurrence.py
    zone: str = "UTC"  # in which the repeated time of day holds
    first: datetime | None = None  # when the first of the repeated works began
    begun: tuple[PoolSeen, ...] | None = None  # how its pools stood when it began; None: not yet
    came: tuple[str, ...] = ()  # keys of findings that were announced and came
    surprises: tuple[str, ...] = ()  # sentences of what sounded because it was not announced
    warned: bool = False  # the overrun was told
    over: bool = False

    def __post_init__(self) -> None:
        """Refuse work without an end or without anything announced."""
        require_utc(self.begins, "begins")
        require_utc(self.ends, "ends")
        if self.ends <= self.begins:
            raise ValueError("planned work ends after it begins")
        if not self.expects:
            raise ValueError("planned work announces what it expects")

    def is_on(self, now: datetime) -> bool:
        """Tell whether the work is going on."""
        return not self.over and self.begins <= now < self.ends


@dataclass(frozen=True, slots=True, kw_only=True)
class Pending:
    """Something decided that still waits to be said to one person."""

    person: str
    kind: NoticeKind
    case: int  # 0: not about a case
    urgency: Urgency
    not_before: datetime
    number: int  # of the case's notices, for the key
    about: str = ""  # a word more: who took it, which silence was broken
    finding: str = ""  # the key of the finding that it names; "": the case's weightiest


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A message that left lately, for the budget of messages."""

    person: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """All that the case side of one box remembers. Complete and serialisable."""

    box: BoxId
    cases: tuple[Case, ...] = ()  # open ones, and those closed within the last day
    silences: tuple[Silence, ...] = ()
    works: tuple[Maintenance, ...] = ()
    pending: tuple[Pending, ...] = ()
    pools: tuple[PoolSeen, ...] = ()
    sent: tuple[Sent, ...] = ()  # within the span of the budget
    digest_at: datetime | None = None
    last_survey_at: datetime | None = None  # when the newest survey was taken
    decided_at: datetime | None = None  # the last decision, to notice a clock that was set back
    next_case: int = 1
    next_mark: int = 1  # numbers silences and works
    format: int = BOOK_FORMAT

    def case(self, number: int) -> Case | None:
        """Give the case of that number, or None."""
        return next((case for case in self.cases if case.number == number), None)

    @property
    def open_cases(self) -> tuple[Case, ...]:
        """Cases that are not closed, most urgent first."""
        still = [case for case in self.cases if case.is_open]
        return tuple(sorted(still, key=lambda c: (-c.urgency.rank, c.number)))
