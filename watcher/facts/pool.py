"""A pool of drives: its members, the tree of its redundancy, its work, what was remarked of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cached_property

from watcher.facts.checks import require_fraction, require_not_negative, require_utc
from watcher.facts.identity import DriveId, PoolId


class PoolKind(StrEnum):
    """Which stack runs the pool."""

    MD = "md"
    ZFS = "zfs"
    BTRFS = "btrfs"
    LVM = "lvm"
    FILE_PARITY = "file-parity"
    DECLARED = "declared"


class Protection(StrEnum):
    """A pool's state by its margin."""

    WHOLE = "whole"  # margin is full
    THINNED = "thinned"  # below full, above zero
    BARE = "bare"  # zero: the next loss costs data
    BROKEN = "broken"  # data is already lost or unreachable
    UNKNOWN = "unknown"  # we cannot see


class AtStake(StrEnum):
    """Which data a loss beyond the margin would cost."""

    MEMBER = "member"  # only what sits on the lost drive
    POOL = "pool"  # everything


class MemberState(StrEnum):
    """Whether a member holds its share of the data, in our words."""

    GOOD = "good"  # holds its share, in step with the others
    REBUILDING = "rebuilding"  # being filled; not to be relied on yet
    SPARE = "spare"  # waits for a loss
    FAILED = "failed"  # put out by the stack
    MISSING = "missing"  # its device is not there
    OFFLINE = "offline"  # taken out by a person
    UNKNOWN = "unknown"  # a word we do not know, or a state that cannot be read


LOST_STATES = frozenset({MemberState.FAILED, MemberState.MISSING, MemberState.OFFLINE})
"""States of a member that its pool goes on without."""


class Role(StrEnum):
    """What a member is for."""

    DATA = "data"  # a share of the data; in distributed parity, of both
    PARITY = "parity"  # dedicated parity
    SPARE = "spare"
    JOURNAL = "journal"
    LOG = "log"
    CACHE = "cache"
    SPECIAL = "special"


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One device of a pool."""

    name: str  # as the stack names it now: "sdb1", "devid 2"
    state: MemberState
    role: Role = Role.DATA
    drives: tuple[DriveId, ...] = ()  # the physical drives it rests on; usually one
    node: str | None = None  # "/dev/sdb1"; None when there is no device
    stands_on: tuple[str, ...] = ()  # "/dev/md0": the arrays it rests on, if on nothing else
    said: str = ""  # the stack's own word, as evidence
    errors: int | None = None  # the stack's own error count for this member; None: not told
    capacity_bytes: int | None = None

    def __post_init__(self) -> None:
        """Check the numbers."""
        require_not_negative(self.errors, "errors")
        require_not_negative(self.capacity_bytes, "capacity_bytes")


@dataclass(frozen=True, slots=True, kw_only=True)
class RedundancySet:
    """Parts of which some may be lost."""

    name: str  # as the stack names it: "raid5", "mirror-0", "stripe"
    bears: int  # how many of its parts may be lost with no data lost
    parts: tuple[RedundancySet | Member, ...]

    def __post_init__(self) -> None:
        """Refuse a set that would bear the loss of all its parts, as one with none does."""
        if not 0 <= self.bears < len(self.parts):
            raise ValueError(f"{self.name!r}: {len(self.parts)} parts cannot bear {self.bears}")


def _places(tree: RedundancySet, given: Counter[Member]) -> Iterator[Member]:
    """Walk the members of a tree, in order, without those that an earlier set has given."""
    here: Counter[Member] = Counter()
    for part in tree.parts:
        if not isinstance(part, Member):
            yield from _places(part, given)
            continue
        here[part] += 1
        if here[part] > given[part]:
            given[part] += 1
            yield part


def members_of(tree: RedundancySet) -> Iterator[Member]:
    """Walk all members of a tree, in order; one that two sets share comes twice."""
    for part in tree.parts:
        if isinstance(part, Member):
            yield part
        else:
            yield from members_of(part)


class WorkKind(StrEnum):
    """What the pool is busy with."""

    FIRST_BUILD = "first-build"  # a new array fills its parity; not a failure
    REBUILD = "rebuild"  # a member is being filled; also a replacement of a member
    RESYNC = "resync"  # after an unclean stop
    SCRUB = "scrub"  # reads and compares everything
    REPAIR = "repair"  # a scrub that also writes
    RESHAPE = "reshape"  # layout or member count changes
    CONVERT = "convert"  # a balance
    SYNC = "sync"  # file-level parity is brought up to date


class WorkState(StrEnum):
    """How that work goes."""

    RUNNING = "running"
    WAITING = "waiting"  # queued behind other work
    PAUSED = "paused"  # halted: frozen, read-only, suspended by a person


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Work in progress on a pool."""

    kind: WorkKind
    state: WorkState = WorkState.RUNNING
    done_fraction: float | None = None  # 0 to 1; None: the stack does not say
    done_bytes: int | None = None
    total_bytes: int | None = None
    rate_bytes_per_second: int | None = None

    def __post_init__(self) -> None:
        """Check the numbers."""
        require_fraction(self.done_fraction, "done_fraction")
        for what in ("done_bytes", "total_bytes", "rate_bytes_per_second"):
            require_not_negative(getattr(self, what), what)


class Remark(StrEnum):
    """What a cross-check of a pool found, beside its tree."""

    DEVICE_GONE = "device-gone"  # the array says well, a member's device is not there
    SUSPENDED = "suspended"  # the pool stopped all writing
    INACTIVE = "inactive"  # assembled in part, not running
    READ_ONLY = "read-only"
    FROZEN = "frozen"  # repairs are held by a person or a program
    MIXED_PROFILES = "mixed-profiles"  # some data has less redundancy than the rest
    DIRTY_DEGRADED = "dirty-degraded"  # parity may be wrong just where it is needed
    PARITY_STALE = "parity-stale"  # parity is being brought in step after an unclean stop
    CANNOT_FINISH = "cannot-finish"  # a rebuild that meets unreadable data
    COPIES_DIFFER = "copies-differ"  # a scrub counted mismatches
    DAMAGED_DATA = "damaged-data"  # data is known to be lost or wrong
    MEMBER_ERRS = "member-errs"  # the stack counted errors on a member
    MEMBER_SLOW = "member-slow"  # a member took very long over some operations
    UNSYNCED = "unsynced"  # changes that parity does not cover yet
    REFRESH_NEEDED = "refresh-needed"  # a member came back and is not in step
    LISTED_MISSING = "listed-missing"  # a lost device is still listed as part
    UNKNOWN_WORD = "unknown-word"  # the stack used a word we do not know
    EXTERNAL_METADATA = "external-metadata"  # run by a firmware container
    SPARE_IN_USE = "spare-in-use"
    SPACE_LOW = "space-low"  # of a thin pool: how full its space for data is
    METADATA_LOW = "metadata-low"  # of a thin pool: how full its space for metadata is
    FEW_CHECKS = "few-checks"  # parts of the state could not be read


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """One remark with what was seen."""

    remark: Remark
    text: str  # one sentence for the owner
    member: str | None = None  # the member's name, when it is about one
    amount: int | None = None  # sectors, files, errors: as the text says
    at_most: Protection | None = None  # the pool is no better than this, whatever the tree says


_RANK = {
    Protection.WHOLE: 0,
    Protection.THINNED: 1,
    Protection.UNKNOWN: 2,
    Protection.BARE: 3,
    Protection.BROKEN: 4,
}


def how_bad(protection: Protection) -> int:
    """Give how bad a protection is, from 0 for whole on."""
    return _RANK[protection]


def worse_of(one: Protection, other: Protection) -> Protection:
    """Give the worse of two; not knowing is worse than thinned and better than bare."""
    return one if how_bad(one) >= how_bad(other) else other


@dataclass(frozen=True, kw_only=True)
class Pool:
    """One pool at one moment. Build it with :func:`~watcher.facts.margin.judge_pool`."""

    pool: PoolId
    name: str  # as the owner knows it: the volume's label or the array's name
    kind: PoolKind
    layout: str  # the trade's term: "raid6", "raidz2", "raid1"
    observed_at: datetime
    protection: Protection
    full_margin: int | None  # None: not known
    margin: int | None  # 0 or more; None: not known; 0 also when broken
    at_stake: AtStake
    tree: RedundancySet | None = None  # None: the structure could not be read
    others: tuple[Member, ...] = ()  # spares, logs, caches, journals
    work: Work | None = None
    notes: tuple[Noted, ...] = ()
    said: str = ""  # the stack's own state words, as evidence
    capacity_bytes: int | None = None  # usable
    used_bytes: int | None = None
    scrubbed_at: datetime | None = None  # end of the last full scrub, when the stack keeps it
    node: str | None = None  # block device or mount point by which it is reached

    def __post_init__(self) -> None:
        """Check that margin and protection do not contradict each other."""
        require_utc(self.observed_at, "observed_at")
        if self.scrubbed_at is not None:
            require_utc(self.scrubbed_at, "scrubbed_at")
        require_not_negative(self.margin, "margin")
        require_not_negative(self.full_margin, "full_margin")
        if self.protection is Protection.WHOLE and (
            self.margin is None or self.margin != self.full_margin
        ):
            raise ValueError("a whole pool has its full margin")
        if self.protection in {Protection.BARE, Protection.BROKEN} and self.margin != 0:
            raise ValueError(f"a {self.protection} pool has no margin")

    @cached_property
    def in_tree(self) -> tuple[Member, ...]:
        """The members of the tree, each once, though sets may share one; none without a tree.

        Two of one set that look the same, such as places without a drive, are two.
        """
        if self.tree is None:
            return ()
        alone = tuple(part for part in self.tree.parts if isinstance(part, Member))
        if len(alone) == len(self.tree.parts):
            return alone  # one set shares with none; comparing members whole costs a hub dear
        return tuple(_places(self.tree, Counter()))

    @property
    def members(self) -> tuple[Member, ...]:
        """All members, those of the tree first."""
        return (*self.in_tree, *self.others)

    @cached_property
    def drives(self) -> frozenset[DriveId]:
        """The physical drives the pool's data rests on (spares and caches left out)."""
        return frozenset(d for m in self.in_tree for d in m.drives)

    @property
    def offers_check(self) -> bool:
        """Whether its stack can read and compare everything itself.

        Of a declared pool nothing is known; LVM does so for its raid kinds only (lvchange(8): "LV1
        types: raid"), and not for its older mirror, for plain volumes and thin pools.
        """
        if self.kind is PoolKind.LVM:
            return self.layout.startswith("raid")
        return self.kind is not PoolKind.DECLARED

    def noted(self, wanted: Remark) -> Noted | None:
        """Give the first remark of a kind, or None."""
        return next((note for note in self.notes if note.remark is wanted), None)
