"""A pool of drives, the tree of its redundancy, and its margin.

**Margin** is how many more drives the pool can lose, from now, with no data lost. It is computed
from the tree of members and never read off a state word: several stacks say that all is well
while a member is gone.

Every part of the tree either stands or is lost. A member stands while it is ``GOOD``. A set bears
the loss of ``bears`` of its parts (0 for a stripe, n-1 for a mirror of n, 1 to 3 for parity).
The cheapest way to lose a set is therefore to lose its ``bears + 1`` cheapest parts, and the
margin of a pool is the price of its cheapest total loss, less one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
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
        """Refuse a set with no parts, or one that would bear the loss of all of them."""
        if not self.parts:
            raise ValueError(f"the set {self.name!r} has no parts")
        if not 0 <= self.bears < len(self.parts):
            raise ValueError(f"{self.name!r}: {len(self.parts)} parts cannot bear {self.bears}")


def members_of(part: RedundancySet | Member) -> Iterator[Member]:
    """Walk all members below a part, in order."""
    if isinstance(part, Member):
        yield part
    else:
        for below in part.parts:
            if isinstance(below, Member):
                yield below
            else:
                yield from members_of(below)


_Place = tuple[tuple[int, ...], Member]


def _price(
    part: RedundancySet | Member,
    *,
    unknown_is_good: bool,
    as_built: bool,
    lost: frozenset[DriveId],
) -> int:
    """Give how many members must still be lost before this part is lost; 0 when it is."""
    if isinstance(part, Member):
        stands = as_built or part.state is MemberState.GOOD
        if part.state is MemberState.UNKNOWN and unknown_is_good:
            stands = True
        return 1 if stands and lost.isdisjoint(part.drives) else 0
    prices = sorted(
        _price(below, unknown_is_good=unknown_is_good, as_built=as_built, lost=lost)
        for below in part.parts
    )
    return sum(prices[: part.bears + 1])


def _places(tree: RedundancySet, path: tuple[int, ...] = ()) -> Iterator[_Place]:
    """Walk all members, each with the way to the set that holds it."""
    for number, part in enumerate(tree.parts):
        if isinstance(part, Member):
            yield path, part
        else:
            yield from _places(part, (*path, number))


def _alike(tree: RedundancySet) -> list[list[DriveId]]:
    """Group the drives of a tree so that of each group it only counts how many are lost.

    Drives under the same members stand for each other, so one of them is enough. Members of one set
    in one state that share no drive with any other stand for each other, too.
    """
    places = list(_places(tree))
    under: dict[DriveId, list[int]] = {}
    for index, (_, member) in enumerate(places):
        for drive in set(member.drives):
            under.setdefault(drive, []).append(index)
    sharing = {index for indexes in under.values() if len(indexes) > 1 for index in indexes}
    one_of: dict[tuple[int, ...], DriveId] = {}
    for drive in sorted(under):
        one_of.setdefault(tuple(under[drive]), drive)
    groups: dict[object, list[DriveId]] = {}
    for indexes, drive in one_of.items():
        path, member = places[indexes[0]]
        key = indexes if sharing.intersection(indexes) else (path, member.state)
        groups.setdefault(key, []).append(drive)
    return list(groups.values())


def _choices(alike: list[list[DriveId]], count: int) -> Iterator[tuple[DriveId, ...]]:
    """Give every way to lose some drives, but one only of those that come to the same."""
    if not alike:
        if count == 0:
            yield ()
        return
    first, *others = alike
    for number in range(min(len(first), count) + 1):
        for chosen in _choices(others, count - number):
            yield (*first[:number], *chosen)


def _cheapest_loss(tree: RedundancySet, *, unknown_is_good: bool, as_built: bool) -> int:
    """Give the fewest drives whose loss loses the tree.

    Members that share a drive fall together, so where drives are shared, combinations of drives
    are tried from the smallest up, once for all that come to the same; the count of members is the
    upper bound.
    """
    none: frozenset[DriveId] = frozenset()
    bound = _price(tree, unknown_is_good=unknown_is_good, as_built=as_built, lost=none)
    seen = [drive for member in members_of(tree) for drive in member.drives]
    shared = len(seen) != len(set(seen)) or any(len(m.drives) > 1 for m in members_of(tree))
    if not shared or bound <= 1:
        return bound
    alike = _alike(tree)
    for count in range(1, bound):
        for chosen in _choices(alike, count):
            lost = frozenset(chosen)
            if not _price(tree, unknown_is_good=unknown_is_good, as_built=as_built, lost=lost):
                return count
    return bound


def full_margin_of(tree: RedundancySet) -> int:
    """Give how many drives the pool could lose with every member good."""
    return _cheapest_loss(tree, unknown_is_good=True, as_built=True) - 1


def margin_of(tree: RedundancySet) -> int | None:
    """Give the margin now: -1 when data is lost already, None when unknown members decide it."""
    best = _cheapest_loss(tree, unknown_is_good=True, as_built=False) - 1
    worst = _cheapest_loss(tree, unknown_is_good=False, as_built=False) - 1
    return best if best == worst else None


def hangs_on(tree: RedundancySet) -> tuple[Member, ...]:
    """Name the standing members of which one more loss would lose the tree, in order.

    All of them in a parity set without margin; in a stripe of mirrors only the lone copies. Empty
    while the tree can lose any one of them, and when it is lost already.
    """

    def is_lost(drives: Iterable[DriveId]) -> bool:
        lost = frozenset(drives)
        return not _price(tree, unknown_is_good=True, as_built=False, lost=lost)

    if is_lost(()):
        return ()
    return tuple(
        member
        for member in dict.fromkeys(members_of(tree))
        if member.state is MemberState.GOOD and member.drives and is_lost(member.drives)
    )


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
    UNSYNCED = "unsynced"  # changes that parity does not cover yet
    REFRESH_NEEDED = "refresh-needed"  # a member came back and is not in step
    LISTED_MISSING = "listed-missing"  # a lost device is still listed as part
    UNKNOWN_WORD = "unknown-word"  # the stack used a word we do not know
    EXTERNAL_METADATA = "external-metadata"  # run by a firmware container
    SPARE_IN_USE = "spare-in-use"
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


def worse_of(one: Protection, other: Protection) -> Protection:
    """Give the worse of two; not knowing is worse than thinned and better than bare."""
    return one if _RANK[one] >= _RANK[other] else other


@dataclass(frozen=True, kw_only=True)
class Pool:
    """One pool at one moment. Build it with :func:`judge_pool`."""

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
        require_not_negative(self.margin, "margin")
        require_not_negative(self.full_margin, "full_margin")
        if self.protection is Protection.WHOLE and (
            self.margin is None or self.margin != self.full_margin
        ):
            raise ValueError("a whole pool has its full margin")
        if self.protection in {Protection.BARE, Protection.BROKEN} and self.margin != 0:
            raise ValueError(f"a {self.protection} pool has no margin")

    @cached_property
    def members(self) -> tuple[Member, ...]:
        """All members, those of the tree first; each once, though sets may share one."""
        in_tree = dict.fromkeys(members_of(self.tree)) if self.tree else ()
        return (*in_tree, *self.others)

    @cached_property
    def drives(self) -> frozenset[DriveId]:
        """The physical drives the pool's data rests on (spares and caches left out)."""
        return frozenset(d for m in (members_of(self.tree) if self.tree else ()) for d in m.drives)

    def noted(self, wanted: Remark) -> Noted | None:
        """Give the first remark of a kind, or None."""
        return next((note for note in self.notes if note.remark is wanted), None)


def protection_of(margin: int | None, full_margin: int | None) -> Protection:
    """Name the protection that a margin means.

    A pool built with no redundancy (full margin 0) is ``BARE`` from its first day: the next loss
    costs data, and calling it whole would promise what it does not have.
    """
    if margin is None or full_margin is None:
        return Protection.UNKNOWN
    if margin < 0:
        return Protection.BROKEN
    if margin == 0:
        return Protection.BARE
    return Protection.WHOLE if margin >= full_margin else Protection.THINNED


def judge_pool(  # noqa: PLR0913 - a pool has this many facts
    *,
    pool: PoolId,
    name: str,
    kind: PoolKind,
    layout: str,
    observed_at: datetime,
    tree: RedundancySet | None,
    at_stake: AtStake = AtStake.POOL,
    others: tuple[Member, ...] = (),
    work: Work | None = None,
    notes: tuple[Noted, ...] = (),
    said: str = "",
    capacity_bytes: int | None = None,
    used_bytes: int | None = None,
    scrubbed_at: datetime | None = None,
    node: str | None = None,
) -> Pool:
    """Compute margin and protection from the tree and the remarks, and build the pool.

    A remark with ``at_most`` caps the protection: a suspended pool is broken however many of its
    members stand. A pool capped at ``THINNED`` keeps at most one below its full margin.
    """
    full = full_margin_of(tree) if tree else None
    margin = margin_of(tree) if tree else None
    protection = protection_of(margin, full)
    for note in notes:
        if note.at_most is not None:
            protection = worse_of(protection, note.at_most)
    shown: int | None
    if protection in {Protection.BARE, Protection.BROKEN}:
        shown = 0
    elif protection is Protection.UNKNOWN:
        shown = None
    elif protection is Protection.THINNED and full is not None and margin is not None:
        shown = min(margin, max(full - 1, 0))
    else:
        shown = margin
    if protection is Protection.THINNED and shown == 0:
        protection = Protection.BARE
    return Pool(
        pool=pool,
        name=name,
        kind=kind,
        layout=layout,
        observed_at=observed_at,
        protection=protection,
        full_margin=full,
        margin=shown,
        at_stake=at_stake,
        tree=tree,
        others=others,
        work=work,
        notes=notes,
        said=said,
        capacity_bytes=capacity_bytes,
        used_bytes=used_bytes,
        scrubbed_at=scrubbed_at,
        node=node,
    )
