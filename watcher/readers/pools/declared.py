"""Pools that the owner declares: arrays whose own state nothing on the box can tell.

No program is asked. The owner names the members (by drive id, serial number, mount point or
device node), what each is for, how many losses the array bears, and what a further loss would
cost. Which of them exist, answered and are failing was found out already when the drives were
read, and comes in as arguments; so does what is mounted. What the array itself thinks of its
members stays unseen: a member that is there and reads well counts as good, and the pool says that
this is all that is known of it.

Trap: a drive that could not be asked this time is not a lost drive. Its member is unknown, and
the margin is then known only when it does not hang on that member.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    AtStake,
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    RedundancySet,
    Remark,
    Role,
)
from watcher.readers.host import Host
from watcher.readers.pools.btrfs_work import unescaped
from watcher.readers.pools.shape import Blocks, PoolsRead, bare_name

SOURCE = "declared"


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredMember:
    """One member as the owner names it."""

    name: str  # a drive id, a serial number, a mount point ("/mnt/d1") or a node ("/dev/sdb")
    role: Role = Role.DATA

    def __post_init__(self) -> None:
        """Refuse a nameless member, and roles that hold nothing."""
        if not self.name.strip():
            raise ValueError("a member needs a name")
        if self.role not in {Role.DATA, Role.PARITY}:
            raise ValueError(f"{self.name}: a declared member holds data or parity")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredPool:
    """An array as the owner describes it."""

    name: str
    members: tuple[DeclaredMember, ...]
    bears: int  # how many of its members may be lost with no data lost
    at_stake: AtStake = AtStake.POOL

    def __post_init__(self) -> None:
        """Check that it can be what it says."""
        if not self.name.strip():
            raise ValueError("a declared pool needs a name")
        names = [member.name for member in self.members]
        if len(names) != len(set(names)):
            raise ValueError(f"{self.name}: a member is named twice")
        if not 0 <= self.bears < len(self.members):
            raise ValueError(
                f"{self.name}: {len(self.members)} members cannot bear the loss of {self.bears}"
            )
        dedicated = sum(member.role is Role.PARITY for member in self.members)
        if dedicated and self.bears > dedicated:
            raise ValueError(
                f"{self.name}: {dedicated} parity members cannot bear the loss of {self.bears}"
            )

    @property
    def pool(self) -> PoolId:
        """Its identity: the name that the owner gave it."""
        return PoolId(f"{SOURCE}:{self.name}")


class Presence(StrEnum):
    """What was seen of one member."""

    READ = "read"  # it is there and answered
    FAILING = "failing"  # it answered, and its own verdict is that it is failing
    SILENT = "silent"  # it is there, or may be, and could not be read
    ABSENT = "absent"  # it is not there


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """Where a member was seen, and how it is."""

    presence: Presence
    drives: tuple[DriveId, ...] = ()
    node: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivesSeen:
    """What was found out about the drives of the box in this round."""

    present: frozenset[DriveId] = frozenset()  # all that are there
    unseen: frozenset[DriveId] = frozenset()  # there, or may be, and gave no answer this time
    failing: frozenset[DriveId] = frozenset()  # answered, and their own verdict is bad
    serials: tuple[tuple[str, DriveId], ...] = ()  # the drive of each serial number

    def of_serial(self, name: str) -> DriveId:
        """Give the drive that a serial number or a drive id names."""
        return dict(self.serials).get(name, DriveId(name))

    def presence(self, drives: tuple[DriveId, ...]) -> Presence:
        """Tell how the drives below one member are; the worst of them counts."""
        known = self.present | self.unseen
        if any(drive not in known for drive in drives):
            return Presence.ABSENT
        if not self.failing.isdisjoint(drives):
            return Presence.FAILING
        if not drives or not self.unseen.isdisjoint(drives):
            return Presence.SILENT
        return Presence.READ


def read(
    host: Host,
    blocks: Blocks,
    *,
    observed_at: datetime,
    declared: tuple[DeclaredPool, ...] = (),
    drives: DrivesSeen | None = None,
) -> PoolsRead:
    """Judge all declared pools; without ``drives`` nothing is known of any member."""
    mounts = _mounts(host)
    return PoolsRead(
        pools=tuple(
            judge(
                pool,
                lambda member: _find(member, drives, mounts, host, blocks),
                observed_at=observed_at,
            )
            for pool in declared
        ),
        answered=(SOURCE,),
    )


def _mounts(host: Host) -> Mapping[str, str] | None:
    """Give the source of each mount point; None when that cannot be read."""
    try:
        text = host.read_text("/proc/self/mounts")
    except OSError:
        return None
    words = [line.split(" ") for line in text.splitlines()]
    return {unescaped(row[1]): unescaped(row[0]) for row in words if len(row) >= 2}


def _find(
    member: DeclaredMember,
    drives: DrivesSeen | None,
    mounts: Mapping[str, str] | None,
    host: Host,
    blocks: Blocks,
) -> Sighting:
    """Look for one member: by node or mount point when its name is a path, else by drive."""
    if drives is None:
        return Sighting(presence=Presence.SILENT)
    if not member.name.startswith("/"):
        drive = drives.of_serial(member.name)
        return Sighting(presence=drives.presence((drive,)), drives=(drive,))
    at: str | None = member.name
    if not member.name.startswith("/dev/"):
        if mounts is None:
            return Sighting(presence=Presence.SILENT)
        at = mounts.get(member.name)
    name = bare_name(host.real_path(at)) if at else ""
    if not name or not blocks.exists(name):
        return Sighting(presence=Presence.ABSENT)
    below = blocks.drives_below(name)
    return Sighting(presence=drives.presence(below), drives=below, node=f"/dev/{name}")


_STATE = {
    Presence.READ: MemberState.GOOD,
    Presence.FAILING: MemberState.GOOD,  # it still holds its share; the remark tells
    Presence.SILENT: MemberState.UNKNOWN,
    Presence.ABSENT: MemberState.MISSING,
}


def judge(
    declared: DeclaredPool,
    find: Callable[[DeclaredMember], Sighting],
    *,
    observed_at: datetime,
) -> Pool:
    """Give the pool that a declaration and what was seen of its members mean; pure."""
    seen = [(member, find(member)) for member in declared.members]
    members = tuple(
        Member(
            name=member.name,
            state=_STATE[sighting.presence],
            role=member.role,
            drives=sighting.drives,
            node=sighting.node,
            said=sighting.presence.value,
        )
        for member, sighting in seen
    )
    notes = [
        Noted(
            remark=Remark.FEW_CHECKS,
            text="Declared by hand: only whether its members are there and read well is known, "
            "not what the array itself thinks of them",
        )
    ]
    notes.extend(
        Noted(
            remark=Remark.MEMBER_ERRS,
            text=f"The drive {member.name} says that it is failing",
            member=member.name,
        )
        for member, sighting in seen
        if sighting.presence is Presence.FAILING
    )
    bears = declared.bears
    return judge_pool(
        pool=declared.pool,
        name=declared.name,
        kind=PoolKind.DECLARED,
        layout=f"{len(members)} members, bears {bears}",
        observed_at=observed_at,
        tree=RedundancySet(name=declared.name, bears=bears, parts=members),
        at_stake=declared.at_stake,
        notes=tuple(notes),
    )
