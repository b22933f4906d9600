"""What a command is written for: this system, this pool, this drive."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from typing import Final

from watcher.facts.drive import DriveIdentity, Protocol
from watcher.facts.identity import DriveId
from watcher.facts.pool import (
    Member,
    MemberState,
    Pool,
    PoolKind,
    Remark,
    Role,
    WorkKind,
    WorkState,
)
from watcher.recovery.record import DetourKind, LostMember, Recovery, Step
from watcher.recovery.seen import Seen

BY_ID: Final = "/dev/disk/by-id"
NEW_DRIVE: Final = f"{BY_ID}/NEW-DRIVE"
"""Stands for the new drive until it is here: no command must name a drive by guess."""

OLD_DRIVE: Final = f"{BY_ID}/OLD-DRIVE"


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A command that a person may type. It is shown, and never run by us."""

    line: str
    does: str  # what it will do, one sentence
    no_way_back: str = ""  # what it cannot undo; "": it changes nothing
    source: str = ""  # what its words were checked against, or "from memory"

    @property
    def writes(self) -> bool:
        """Whether it changes anything."""
        return bool(self.no_way_back)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """All that the commands of one moment are written for."""

    kind: PoolKind
    name: str
    layout: str
    node: str  # the array's device, the mount point, VG/LV; a word in capitals when not known
    step: Step
    old: str  # device path of the member that is replaced
    old_name: str  # as the stack names it
    old_here: bool  # its device is there
    new: str  # device path of the new drive
    good: str = ""  # a drive of the pool that works, to copy a partition table from
    good_part: str = ""  # "-part1" where the pool's member on it is a partition
    part: str = ""  # "-part1" where all members are partitions of one number
    role: Role = Role.DATA
    planned: bool = False  # the old member still works
    put_back_first: bool = False  # a good drive was pulled: nothing else before it is back
    old_is_back: bool = False
    rebuild_is_held: bool = False
    checking: bool = False
    broken: bool = False
    remarks: frozenset[Remark] = frozenset()

    @property
    def good_member(self) -> str:
        """The member on the drive that works; "" when there is none."""
        return self.good + self.good_part if self.good else ""

    @property
    def at(self) -> str:
        """The node as a shell takes it: a mount point or a pool's name may hold a blank."""
        return shlex.quote(self.node)


def by_id(identity: DriveIdentity) -> str:
    """Give the lasting device path of a drive, as udev names it.

    By World Wide Name where there is one (60-persistent-storage.rules of systemd: ``wwn-0x…``,
    for NVMe ``nvme-eui.…``), otherwise by model and serial number. From memory of those rules;
    who shows it checks that the path is there.
    """
    drive = str(identity.drive)
    if drive.startswith("wwn-"):
        digits = drive.removeprefix("wwn-")
        if identity.protocol is Protocol.NVME:
            return f"{BY_ID}/nvme-eui.{digits}"
        return f"{BY_ID}/wwn-0x{digits}"
    words = f"{identity.model}_{identity.serial}".strip().replace(" ", "_")
    prefix = {Protocol.NVME: "nvme", Protocol.SCSI: "scsi"}.get(identity.protocol, "ata")
    return f"{BY_ID}/{prefix}-{words}"


_PARTITION: Final = re.compile(
    r"(?:(?:sd|vd|hd|xvd)[a-z]+(?P<plain>\d+)|(?:nvme\d+n\d+|mmcblk\d+|loop\d+)p(?P<p>\d+))$"
)


def partition_of(node: str | None) -> str:
    """Give ``-part1`` for a partition's node, "" for a whole drive or none."""
    found = _PARTITION.search((node or "").rsplit("/", 1)[-1])
    return f"-part{found['plain'] or found['p']}" if found else ""


def ground_of(recovery: Recovery, seen: Seen) -> Ground:
    """Put together what the commands are written for."""
    pool = seen.pool
    pulled = next((m for m in recovery.missing if m.by_hand), None)
    replaced = next(iter(recovery.to_replace), recovery.lost[-1] if recovery.lost else None)
    lost = pulled or replaced
    part = _common_part(seen.members)
    member = next(
        (m for m in seen.members if lost is not None and lost.drive in m.drives), None
    ) or next((m for m in seen.members if lost is not None and m.name == lost.name), None)
    old = _path(seen, lost.drive if lost else None, OLD_DRIVE)
    work = pool.work if pool is not None else None
    here = lost is not None and lost.drive is not None and lost.drive in seen.present
    good, good_part = next(
        (
            (drive, partition_of(m.node))
            for m in seen.members
            if m.state is MemberState.GOOD
            for drive in m.drives
        ),
        (None, ""),
    )
    own = partition_of(member.node) if member is not None and member.node else part
    return Ground(
        kind=recovery.kind,
        name=recovery.name,
        layout=pool.layout if pool is not None else "",
        node=_node(recovery, pool),
        step=recovery.step,
        old=old + own if old.startswith(BY_ID) else old,
        old_name=member.name if member is not None else lost.name if lost is not None else "",
        old_here=here,
        new=_path(seen, recovery.new_drive, NEW_DRIVE),
        good=_path(seen, good, ""),
        good_part=good_part,
        part=part,
        role=lost.role if lost is not None else Role.DATA,
        planned=lost is not None and still_works(lost, recovery, seen),
        put_back_first=pulled is not None,
        old_is_back=recovery.detour(DetourKind.OLD_BACK) is not None
        or (pulled is not None and here),
        rebuild_is_held=work is not None and work.state is not WorkState.RUNNING,
        checking=work is not None and work.kind in {WorkKind.SCRUB, WorkKind.REPAIR},
        broken=recovery.detour(DetourKind.BEYOND_MARGIN) is not None,
        remarks=frozenset(n.remark for n in pool.notes) if pool is not None else frozenset(),
    )


def still_works(lost: LostMember, recovery: Recovery, seen: Seen) -> bool:
    """Tell whether a member is replaced ahead of its failure."""
    if seen.pool is None:
        return lost.planned and recovery.short_at is None
    return lost.planned and lost.drive in seen.drives_in(MemberState.GOOD)


def is_replaced(recovery: Recovery, seen: Seen) -> bool:
    """Tell whether a drive left its pool for another: where all came back there is no old one."""
    drives = seen.pool.drives if seen.pool is not None else frozenset()
    return any(lost.drive is None or lost.drive not in drives for lost in recovery.lost)


def _node(recovery: Recovery, pool: Pool | None) -> str:
    """Give by what the pool is reached."""
    if recovery.kind is PoolKind.ZFS:
        return recovery.name
    if recovery.kind is PoolKind.LVM:
        return recovery.name
    if pool is not None and pool.node:
        return pool.node
    return {PoolKind.MD: "/dev/ARRAY", PoolKind.BTRFS: "/MOUNT-POINT"}.get(recovery.kind, "")


def _path(seen: Seen, drive: DriveId | None, instead: str) -> str:
    """Give the lasting path of a drive; a loop device has none but its node."""
    if drive is None:
        return instead
    identity = seen.identities.get(drive)
    if identity is None:
        return instead if not str(drive).startswith("wwn-") else f"{BY_ID}/{_wwn(drive)}"
    if str(drive).startswith("loop_"):
        node = next((m.node for m in seen.members if drive in m.drives and m.node), None)
        return node or instead
    return by_id(identity)


def _wwn(drive: DriveId) -> str:
    return f"wwn-0x{str(drive).removeprefix('wwn-')}"


def _common_part(members: tuple[Member, ...]) -> str:
    """Give the partition that all members sit on; "" for whole drives or a mixture."""
    parts = {partition_of(m.node) for m in members if m.node}
    return next(iter(parts)) if len(parts) == 1 else ""
