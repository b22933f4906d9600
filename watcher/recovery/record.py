"""The record of one recovery: the ordered way of a pool from lost margin to margin proven back.

Complete and serialisable: what is in it is all that the next survey is compared with.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.facts.checks import require_utc
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.pool import PoolKind, Protection, Role

RECOVERY_FORMAT = 1  # version of the shape in which a recovery is kept


class Step(StrEnum):
    """Where a recovery is, in the order of the way."""

    MAKE_SURE = "make-sure"  # is it really that drive, and not its cable or power?
    GET_DRIVE = "get-drive"  # a drive that fits must come
    PROVE = "prove"  # it is here; is it good?
    SWAP = "swap"  # it may go in
    REBUILD = "rebuild"  # it is being filled, or left-overs are being mended
    VERIFY = "verify"  # whole, not yet verified
    WHOLE = "whole"  # over


WAY = tuple(Step)
"""The steps in their order."""

STEP_WORDS = {
    Step.MAKE_SURE: "make sure",
    Step.GET_DRIVE: "get a drive",
    Step.PROVE: "prove it",
    Step.SWAP: "swap",
    Step.REBUILD: "rebuild",
    Step.VERIFY: "verify",
    Step.WHOLE: "whole again",
}


class DetourKind(StrEnum):
    """What came in between."""

    BEYOND_MARGIN = "beyond-margin"  # more is lost than the pool bears, or it has stopped
    SECOND_LOSS = "second-loss"  # another member is lost before the first is back
    WRONG_PULLED = "wrong-pulled"  # a good drive left the box instead of the one meant
    UNREADABLE = "unreadable"  # data that no remaining member can give
    NEW_DIED = "new-died"  # the replacement itself is lost
    OLD_BACK = "old-back"  # the lost drive is here again, not in step
    PARITY_LOST = "parity-lost"  # the lost drive held parity only
    CHECK_DIFFERS = "check-differs"  # whole by count, and something still does not fit


@dataclass(frozen=True, slots=True, kw_only=True)
class Detour:
    """Something that came in between, and whether it still holds."""

    kind: DetourKind
    began_at: datetime
    text: str  # one sentence for the owner
    over_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LostMember:
    """A member that is lost, or that is to be replaced."""

    name: str  # as the stack named it
    role: Role
    since: datetime
    drive: DriveId | None = None  # None: its device is gone and cannot be told from the past
    label: str = ""  # what the owner calls it
    drive_bytes: int | None = None  # of the whole drive
    member_bytes: int | None = None  # of the part that the pool uses
    said: str = ""  # the stack's word
    planned: bool = False  # it works, and is to be replaced ahead of failure
    by_hand: bool = False  # a good drive that a person pulled: it must go back, not be replaced
    waits: bool = False  # planned, and it works while another one is out: it must stay in
    was_away: bool = False  # a survey that lists drives did not list it
    back_at: datetime | None = None  # it is a good member again

    @property
    def where(self) -> str:
        """Name it for the owner."""
        return self.label or self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """One stay at a step: on what evidence it was entered and left."""

    step: Step
    entered_at: datetime
    entered_on: tuple[str, ...]
    left_at: datetime | None = None
    left_on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something to write into the record of the pool's case."""

    what: str  # kebab-case: "recovery-opened", "recovery-step", "recovery-detour", …
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """One recovery of one pool."""

    pool: PoolId
    name: str  # of the pool
    kind: PoolKind
    opened_at: datetime
    seen_at: datetime  # of the last survey that showed something
    step: Step
    stays: tuple[Stay, ...]  # oldest first; the last is the step we are at
    lost: tuple[LostMember, ...] = ()
    drives_then: tuple[DriveId, ...] = ()  # drives known when it opened, in the pool or not
    members_then: tuple[DriveId, ...] = ()  # those the pool rested on
    new_drive: DriveId | None = None
    new_label: str = ""
    new_joined: bool = False  # the pool has taken it
    new_away_since: datetime | None = None  # first of the looks in a row that did not list it
    filled: tuple[str, ...] = ()  # labels of earlier new drives that hold their share
    tried: tuple[DriveId, ...] = ()  # replacements that died
    misfits: tuple[DriveId, ...] = ()  # drives that came and do not fit
    detours: tuple[Detour, ...] = ()
    looks_out: int = 0  # surveys in a row that showed the member out
    short_at: datetime | None = None  # last survey that showed margin missing
    whole_since: datetime | None = None  # first survey that showed it whole, and since then
    unclean_at: datetime | None = None  # last survey that showed it whole, and something not fit
    errors_then: tuple[tuple[str, int], ...] = ()  # the stack's counts when it became whole
    bare_since: datetime | None = None  # with no margin since then
    bare_before: timedelta = timedelta(0)  # with no margin, in spans that are over
    worst: Protection = Protection.WHOLE
    harm: tuple[str, ...] = ()  # what was lost, a sentence each
    closed_at: datetime | None = None
    outcome: str = ""  # how it ended, one sentence
    format: int = field(default=RECOVERY_FORMAT)

    def __post_init__(self) -> None:
        """Check the times and that the step is the last stay."""
        require_utc(self.opened_at, "opened_at")
        require_utc(self.seen_at, "seen_at")
        if not self.stays or self.stays[-1].step is not self.step:
            raise ValueError("a recovery is at its last step")

    @property
    def is_open(self) -> bool:
        """Whether it goes on."""
        return self.closed_at is None

    @property
    def is_planned(self) -> bool:
        """Whether it only replaces a member that still works."""
        return bool(self.lost) and all(m.planned for m in self.lost) and self.short_at is None

    @property
    def missing(self) -> tuple[LostMember, ...]:
        """The members that are not back, nor replaced as far as is known."""
        return tuple(m for m in self.lost if m.back_at is None)

    @property
    def to_replace(self) -> tuple[LostMember, ...]:
        """The missing members that a new drive must stand in for now."""
        return tuple(m for m in self.missing if not m.by_hand and not m.waits)

    @property
    def standing_detours(self) -> tuple[Detour, ...]:
        """What is in the way now, the gravest first."""
        still = [d for d in self.detours if d.over_at is None]
        return tuple(sorted(still, key=lambda d: tuple(DetourKind).index(d.kind)))

    def detour(self, kind: DetourKind) -> Detour | None:
        """Give the standing detour of a kind, or None."""
        return next((d for d in self.detours if d.kind is kind and d.over_at is None), None)

    def bare_for(self, now: datetime) -> timedelta:
        """Give how long the pool has been without margin in this recovery, all spans together."""
        end = self.closed_at or now
        running = max(end - self.bare_since, timedelta(0)) if self.bare_since else timedelta(0)
        return self.bare_before + running

    @property
    def entered_at(self) -> datetime:
        """When the step it is at was entered."""
        return self.stays[-1].entered_at
