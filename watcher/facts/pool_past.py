"""What history knows of one pool, up to but without the survey at hand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.facts.checks import require_fraction, require_utc
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.pool import Pool, PoolKind, Protection, WorkKind


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkSample:
    """How far a work on a pool was at one moment."""

    at: datetime
    kind: WorkKind
    done_fraction: float | None = None  # None: the stack did not say

    def __post_init__(self) -> None:
        """Check the time and the fraction."""
        require_utc(self.at, "at")
        require_fraction(self.done_fraction, "done_fraction")


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolPast:
    """One pool as it was seen before.

    ``work`` holds samples of the work that ran when the pool was last seen, oldest first; it is
    empty when none ran. A shop may thin it out, but keeps the first sample and the last ones.
    """

    pool: PoolId
    name: str
    kind: PoolKind
    first_seen: datetime
    last_seen: datetime
    last_protection: Protection = Protection.UNKNOWN
    full_margin: int | None = None  # as last computed; None: never known
    not_whole_since: datetime | None = None  # None: it was whole, or built without margin
    work: tuple[WorkSample, ...] = ()
    scrubbed_at: datetime | None = None  # end of the last full scrub that the stack or we saw
    members: tuple[str, ...] = ()  # names of the members seen last
    drives: tuple[DriveId, ...] = ()  # the drives they rested on
    lost: tuple[DriveId, ...] = ()  # drives it rested on while whole and has missed since
    member_errors: tuple[tuple[str, int], ...] = ()  # the stack's count for each member, seen last
    in_use: bool = True  # False: retired by the owner, not expected any more

    def __post_init__(self) -> None:
        """Check the times."""
        require_utc(self.first_seen, "first_seen")
        require_utc(self.last_seen, "last_seen")
        for moment in (self.not_whole_since, self.scrubbed_at):
            if moment is not None:
                require_utc(moment, "a time of a pool")

    def errors_of(self, member: str) -> int | None:
        """Give the error count that a member had when it was last seen; None when not known."""
        return next((count for name, count in self.member_errors if name == member), None)


def last_scrub(pool: Pool, past: PoolPast | None) -> datetime | None:
    """Give the end of the last full scrub that is known; None when none is.

    A stack that keeps no date, such as md, is scrubbed too: then it is the last one seen to end.
    """
    known = (pool.scrubbed_at, past.scrubbed_at if past is not None else None)
    return max((at for at in known if at is not None), default=None)
