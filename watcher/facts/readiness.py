"""How well a box is prepared for the next failure: spares, copies, rehearsals, ways to people.

Nothing here is a mark out of ten. Each fact says what was done and when; what that is worth now is
for the rules to say.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Final

from watcher.facts.checks import require_not_negative, require_utc
from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import PoolId

PROOF_LASTS: Final = timedelta(days=730)
"""How long a passed burn-in counts. Our choice: two years on a shelf. Lubricant settles, contacts
tarnish, flash without power loses charge, and boxes get dropped; no maker promises a number that
would fit all drives. If it is too long, the spare fails in the middle of a rebuild; if it is too
short, an evening of burn-in was for nothing."""


DRILL_MARK: Final = "DRILL "
"""Begins the name of everything in a rehearsal, so that no message of one can be taken for real."""


class ProofState(StrEnum):
    """What a spare's burn-in is worth."""

    PROVEN = "proven"  # passed, and not too long ago
    OUTDATED = "outdated"  # passed, too long ago to count
    UNPROVEN = "unproven"  # never tried
    FAILED = "failed"  # tried, and it did not pass: not a spare


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfSpare:
    """A drive that is kept ready outside the pools, or one that was ordered for that."""

    number: int  # given by the store; what a person calls it by
    identity: DriveIdentity | None = None  # None: ordered, and not here yet
    capacity_bytes: int | None = None
    added_at: datetime
    arrives_at: datetime | None = None  # of an ordered one; None: it is here, or nobody said
    ordered: bool = False  # it is on its way
    proven_at: datetime | None = None  # end of the last burn-in that passed
    failed_at: datetime | None = None  # end of the last burn-in that did not
    proof: str = ""  # what that burn-in was, in a sentence
    warranty_until: date | None = None
    place: str = ""  # where it lies, in the owner's words
    note: str = ""

    def __post_init__(self) -> None:
        """Check times and size."""
        require_utc(self.added_at, "added_at")
        for moment in (self.arrives_at, self.proven_at, self.failed_at):
            if moment is not None:
                require_utc(moment, "a time of a spare")
        require_not_negative(self.capacity_bytes, "capacity_bytes")
        if self.identity is None and not self.ordered:
            raise ValueError("a spare that is here has an identity")

    @property
    def label(self) -> str:
        """Name it for the owner."""
        if self.identity is None:
            return f"the ordered drive (spare {self.number})"
        return f"spare {self.number}, {self.identity.model or 'drive'} {self.identity.serial}"

    @property
    def bytes(self) -> int | None:
        """Give its size; None when nobody said."""
        if self.identity is not None and self.identity.capacity_bytes is not None:
            return self.identity.capacity_bytes
        return self.capacity_bytes

    @property
    def prove_by(self) -> datetime | None:
        """Give by when it should be proven again; None when it is not proven."""
        if self.proven_at is None or self.has_failed:
            return None
        return self.proven_at + PROOF_LASTS

    @property
    def has_failed(self) -> bool:
        """Whether the last burn-in did not pass."""
        return self.failed_at is not None and (
            self.proven_at is None or self.failed_at >= self.proven_at
        )

    def proof_at(self, now: datetime) -> ProofState:
        """Say what its burn-in is worth at a moment."""
        if self.has_failed:
            return ProofState.FAILED
        if self.proven_at is None:
            return ProofState.UNPROVEN
        return ProofState.PROVEN if now - self.proven_at < PROOF_LASTS else ProofState.OUTDATED


@dataclass(frozen=True, slots=True, kw_only=True)
class SpareFit:
    """Whether one spare can stand in for every member of one pool."""

    spare: int
    pool: PoolId
    pool_name: str
    places: int  # members that were compared
    too_small_for: tuple[str, ...] = ()  # members it cannot replace, as the owner knows them
    unknown_for: tuple[str, ...] = ()  # members of which that is not known; none counts as fitting
    problems: tuple[str, ...] = ()  # why, a sentence each
    cautions: tuple[str, ...] = ()  # what to look at first, a sentence each

    @property
    def fits_all(self) -> bool:
        """Whether it can replace any member."""
        return self.places > 0 and not self.too_small_for and not self.unknown_for

    @property
    def fits_some(self) -> bool:
        """Whether it can replace at least one member."""
        return len(self.too_small_for) + len(self.unknown_for) < self.places


class HowKnown(StrEnum):
    """By what a copy is recognised."""

    NEWEST_FILE = "newest-file"  # the newest file below a folder
    MARKER = "marker"  # the age of one file that the backup touches
    COMMAND = "command"  # a program's exit status and what it prints


@dataclass(frozen=True, slots=True, kw_only=True)
class CopySeen:
    """One copy of something irreplaceable, as it was found."""

    name: str  # the owner's word for where it is
    how: HowKnown
    fresh_for: timedelta  # older than that is stale
    off_site: bool = False
    medium: str = ""  # in the owner's words: "disk", "tape", "cloud"; "" when not said
    copied_at: datetime | None = None  # when the copy was made; None: none was found, or not known
    could_look: bool = True  # False: nothing is known of it now
    detail: str = ""  # what was seen, one sentence

    def __post_init__(self) -> None:
        """Check the time."""
        if self.copied_at is not None:
            require_utc(self.copied_at, "copied_at")
        if self.fresh_for <= timedelta(0):
            raise ValueError("fresh_for must be longer than nothing")

    def state_at(self, now: datetime) -> CopyState:
        """Say what it is worth at a moment; a copy that was not seen is never fresh."""
        if not self.could_look:
            return CopyState.UNSEEN
        if self.copied_at is None:
            return CopyState.NEVER
        return CopyState.FRESH if now - self.copied_at <= self.fresh_for else CopyState.STALE


class CopyState(StrEnum):
    """What a copy is worth now."""

    FRESH = "fresh"
    STALE = "stale"
    NEVER = "never"
    UNSEEN = "unseen"  # we could not look


@dataclass(frozen=True, slots=True, kw_only=True)
class Irreplaceable:
    """Something the owner cannot get again, and its copies."""

    name: str
    paths: tuple[str, ...]
    bytes: int | None = None  # None: could not be measured, or not within the time
    measured: str = ""  # why it could not be, one sentence
    copies: tuple[CopySeen, ...] = ()

    def fresh_copies(self, now: datetime) -> tuple[CopySeen, ...]:
        """Give the copies that are fresh."""
        return tuple(copy for copy in self.copies if copy.state_at(now) is CopyState.FRESH)


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupsSeen:
    """What a box saw of its own irreplaceable things; None in a survey: it did not look."""

    seen_at: datetime
    things: tuple[Irreplaceable, ...] = ()

    def __post_init__(self) -> None:
        """Check the time."""
        require_utc(self.seen_at, "seen_at")


@dataclass(frozen=True, slots=True, kw_only=True)
class RestoreTried:
    """Somebody tried to get something back from a copy."""

    thing: str
    copy: str
    at: datetime
    by: str
    worked: bool = True
    note: str = ""

    def __post_init__(self) -> None:
        """Check the time."""
        require_utc(self.at, "at")


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillDone:
    """One rehearsal of a failure."""

    number: int
    pool: PoolId
    pool_name: str
    member: str  # what was rehearsed to be lost, as the owner knows it
    by: str
    begun_at: datetime
    answered_at: datetime | None = None  # None: nobody answered
    answered_by: str = ""
    ended_at: datetime | None = None  # None: it goes on
    went_wrong: tuple[str, ...] = ()  # what would have gone wrong, a sentence each
    page: str = ""  # what was written down at its end

    def __post_init__(self) -> None:
        """Check the times."""
        require_utc(self.begun_at, "begun_at")
        for moment in (self.answered_at, self.ended_at):
            if moment is not None:
                require_utc(moment, "a time of a drill")

    @property
    def answer_took(self) -> timedelta | None:
        """Say how long it took until somebody answered."""
        return None if self.answered_at is None else self.answered_at - self.begun_at


MOST_SPARES: Final = 500
MOST_DRILLS: Final = 20
MOST_RESTORES: Final = 500
"""How much of each a box tells its hub, the newest; our choice: far beyond what a box has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldReadiness:
    """What a box keeps beside its surveys of how it is prepared, as it tells its hub."""

    shelf: tuple[ShelfSpare, ...] = ()
    drills: tuple[DrillDone, ...] = ()  # without the page that was written at the end of each
    restores: tuple[RestoreTried, ...] = ()
    watched_since: datetime | None = None  # since when the box watches itself; None: it does not
    own_way: bool | None = None  # a way of its own leads to a person elsewhere; None: not asked

    def __post_init__(self) -> None:
        """Check the time and the counts."""
        if self.watched_since is not None:
            require_utc(self.watched_since, "watched_since")
        for found, most in (
            (self.shelf, MOST_SPARES),
            (self.drills, MOST_DRILLS),
            (self.restores, MOST_RESTORES),
        ):
            if len(found) > most:
                raise ValueError(f"more than {most} of a kind")
        if len({spare.number for spare in self.shelf}) < len(self.shelf):
            raise ValueError("two spares have one number")


class Source(StrEnum):
    """From where we know of a box's shelf, its drills and the restores that were tried."""

    HERE = "here"  # this is the box's own store
    TOLD = "told"  # the box told its hub, which this is
    NOT_TOLD = "not-told"  # this is a hub, and the box has told nothing: they are not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparation:
    """All that is known of how a box is prepared."""

    source: Source = Source.HERE

    shelf: tuple[ShelfSpare, ...] = ()
    fits: tuple[SpareFit, ...] = ()
    things: tuple[Irreplaceable, ...] | None = None  # None: nobody has looked yet
    restores: tuple[RestoreTried, ...] = ()
    drills: tuple[DrillDone, ...] = ()
    watched_since: datetime | None = None
    answered_at: datetime | None = None  # when a person last answered a case
    answered_by: str = ""
    reached_away: bool | None = None  # a way to a person leads away from here; None: not asked
    beats: bool | None = None  # something outside notices when it stops; None: not asked
    own_way: bool | None = None  # of a box at a hub: it reaches a person without it; None: not told
    hot_spares: tuple[tuple[PoolId, int], ...] = field(default=())  # spares inside the pools

    @property
    def is_told(self) -> bool:
        """Whether shelf, drills and restores are known; if not, an empty one says nothing."""
        return self.source is not Source.NOT_TOLD

    def fit(self, spare: ShelfSpare, pool: PoolId) -> SpareFit | None:
        """Give how a spare fits a pool, or None when they were not compared."""
        return next((f for f in self.fits if f.spare == spare.number and f.pool == pool), None)
