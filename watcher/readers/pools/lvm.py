"""LVM: the logical volumes that have redundancy, thin pools, and what stands on a missing device.

Programs and documents: see lvm_report.py. Needs root. A plain (linear, striped) volume is no pool
of its own while all its devices are there: what its drives bear is told where they are pooled. One
that was told of goes on being told while LVM lists it, for it is not gone when its device is back.

No lvm2 and no physical volume in the block map is a full answer; physical volumes without the tool
or the right to use it are a blind spot.

Traps: a volume group stays "partial" after a repair until the missing device is taken out of it.
After transient errors an image is out of step while its device is well ("refresh needed"). While a
volume is in its first sync, or in one after an unclean stop, all its images say "not in step".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime

from watcher.facts.drive import Unread
from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    Member,
    MemberState,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
)
from watcher.facts.survey import Blindness
from watcher.readers.errors import CannotRead, ReadError
from watcher.readers.host import AS_ROOT, Ended, Host, require_exited
from watcher.readers.pools.lvm_notes import HEALTH, listed_missing, notes_of, work_of
from watcher.readers.pools.lvm_report import (
    LVS,
    PVS,
    STATUS,
    THIN_POOL,
    Device,
    RaidStatus,
    Report,
    Volume,
    dm_name,
    parse_devices,
    parse_last_seen,
    parse_names,
    parse_status,
    parse_volumes,
)
from watcher.readers.pools.lvm_thin import is_at_work, is_complete, thin_notes, used_bytes
from watcher.readers.pools.shape import (
    Blocks,
    PoolsRead,
    blindness_of,
    mirror,
    on_device,
    parity,
    stripe,
)

SOURCE = "lvm"
REMEDY = "install lvm2 and run midwatch as root"
BY_HAND = "run lvs by hand and see what it says"
UNKNOWN = "[unknown]"
PLAIN = frozenset({"linear", "striped", "raid0", "raid0_meta"})


def read(
    host: Host,
    blocks: Blocks,
    *,
    observed_at: datetime,
    previous: Iterable[Pool] = (),
    carriers: Iterable[str] | None = None,
) -> PoolsRead:
    """Look at all logical volumes; raises ``ReadError`` when LVM cannot be asked.

    ``carriers`` names the block devices that hold an LVM signature, None when that is not known.
    """
    known = None if carriers is None else tuple(carriers)
    ran = host.run(LVS, lane=SOURCE)
    if known == () and ran.ended is Ended.MISSING:
        return PoolsRead(answered=(SOURCE,))
    require_exited(SOURCE, ran, remedy=REMEDY)
    if ran.status:
        if known == ():
            return PoolsRead(answered=(SOURCE,))  # the tool fails, and there is nothing to see
        forbidden = "non-root" in ran.stderr or "ermission denied" in ran.stderr
        why = Unread.FORBIDDEN if forbidden else Unread.GARBLED
        said = (ran.stderr.strip().splitlines() or [f"status {ran.status}"])[-1].strip()
        raise CannotRead(
            SOURCE, why, f"lvs failed: {said}", remedy=AS_ROOT if forbidden else BY_HAND
        )
    volumes = parse_volumes(ran.stdout)
    blind: list[Blindness] = []
    devices: tuple[Device, ...] = ()
    listed: frozenset[str] | None = None
    status: dict[str, RaidStatus] | None = None
    try:
        told = require_exited(SOURCE, host.run(PVS, lane=SOURCE), remedy=REMEDY).stdout
        devices, listed = parse_devices(told), parse_names(told)
    except ReadError as error:
        blind.append(blindness_of(SOURCE, error))
    if any(is_redundant(volume) for volume in volumes):
        try:
            status = parse_status(require_exited("dmsetup", host.run(STATUS, lane=SOURCE)).stdout)
        except ReadError as error:
            blind.append(blindness_of(SOURCE, error))
    if listed is not None:
        blind.extend(_unlisted(host, listed, known or ()))
    report = Report(
        volumes=volumes, devices=devices, status=status, last_seen=parse_last_seen(ran.stderr)
    )
    before = {pool.pool: pool for pool in previous}
    return PoolsRead(
        pools=tuple(build(report, blocks, observed_at=observed_at, previous=before)),
        blind=tuple(blind),
        answered=() if blind else (SOURCE,),
    )


_OF_THE_BOX = re.compile(r"(?:sd|hd|vd|xvd|nvme|mmcblk|pmem|dasd|md)[a-z0-9]")
"""Names of drives, arrays and their partitions. What is made of volumes may be a guest's own."""


def _unlisted(host: Host, listed: frozenset[str], carriers: Iterable[str]) -> Iterator[Blindness]:
    """Tell of devices with an LVM signature that LVM does not list: volumes on them are unseen.

    So it is with a device that is not in LVM's own file of devices, that a filter leaves out, or
    that is a copy of another.
    """
    seen = listed | {host.real_path(name) for name in listed if name.startswith("/")}
    for name in carriers:
        if _OF_THE_BOX.match(name) and f"/dev/{name}" not in seen:
            yield Blindness(
                source=SOURCE,
                why=Unread.GARBLED,
                detail=f"/dev/{name} carries an LVM signature, and pvs does not list it",
                remedy="run `pvs -a` and `lvmdevices` by hand, as root: what do they say of it?",
            )


def is_redundant(volume: Volume) -> bool:
    """Tell whether a volume is a set of images that bears losses, also of a kind that is new."""
    if volume.kind in PLAIN:
        return False
    images = any("_rimage_" in name or "_mimage_" in name for name in volume.devices)
    return volume.kind.startswith("raid") or volume.kind == "mirror" or images


def build(
    report: Report,
    blocks: Blocks,
    *,
    observed_at: datetime,
    previous: dict[PoolId, Pool] | None = None,
) -> Iterator[Pool]:
    """Make the pools out of a report. Pure."""
    for volume in report.volumes:
        is_image = bool(volume.roles & {"image", "log"}) or {"raid", "metadata"} <= volume.roles
        pool = PoolId(f"lvm:{volume.uuid}")
        before = (previous or {}).get(pool)
        if is_redundant(volume):
            yield _redundant(report, volume, blocks, pool, observed_at, before)
        elif volume.kind == THIN_POOL:
            yield _thin_pool(report, volume, blocks, pool, observed_at)
        elif not is_image and (UNKNOWN in volume.devices or before is not None):
            yield _plain(report, volume, blocks, pool, observed_at)


def _plain(
    report: Report, volume: Volume, blocks: Blocks, pool: PoolId, observed_at: datetime
) -> Pool:
    """Report a volume without redundancy that lost a device, now or before: its data is there."""
    members = _on_devices(report, volume, blocks)
    return judge_pool(
        pool=pool,
        name=f"{volume.group}/{volume.name}",
        kind=PoolKind.LVM,
        layout=volume.kind,
        observed_at=observed_at,
        tree=stripe(volume.kind, members) if members else None,
        notes=tuple(listed_missing(report, volume)),
        said=_said(volume, None),
        capacity_bytes=volume.size_bytes,
        node=_node(volume),
    )


def _node(volume: Volume) -> str:
    return f"/dev/{volume.group}/{volume.name}"


def _on_devices(report: Report, volume: Volume, blocks: Blocks) -> tuple[Member, ...]:
    """Give a member for each device below a volume without redundancy."""
    members: list[Member] = []
    for i, name in enumerate(report.rests_on(volume)):
        if name == UNKNOWN:
            members.append(Member(name=f"missing {i}", state=MemberState.MISSING, said=name))
            continue
        placed = on_device(Member(name=name, state=MemberState.GOOD), name, blocks)
        members.append(replace(placed, node=name if placed.node else None))
    return tuple(members)


def _thin_pool(
    report: Report, volume: Volume, blocks: Blocks, pool: PoolId, observed_at: datetime
) -> Pool:
    """Report a thin pool: it bears no loss beyond what the volumes below it bear, and may be full.

    Where its data or metadata is a volume with redundancy, that is a pool of its own, and a member
    here.
    """
    parts = report.parts_of_thin_pool(volume)
    members: dict[str, Member] = {}
    for part in parts:
        if is_redundant(part):
            below = _redundant(report, part, blocks, pool, observed_at, None)
            member = Member(
                name=part.name,
                state=_STATE_OF_POOL.get(below.protection, MemberState.GOOD),
                node=_node(part),
                drives=tuple(sorted(below.drives)),
            )
            members[part.name] = member
        else:
            members |= {m.name: m for m in _on_devices(report, part, blocks)}
    is_seen = is_at_work(volume) and is_complete(volume, parts)
    if not is_seen:  # neither its metadata nor its room
        members = {
            name: replace(member, state=MemberState.UNKNOWN)
            if member.state is MemberState.GOOD
            else member
            for name, member in members.items()
        }
    return judge_pool(
        pool=pool,
        name=f"{volume.group}/{volume.name}",
        kind=PoolKind.LVM,
        layout=volume.kind,
        observed_at=observed_at,
        tree=stripe(volume.kind, tuple(members.values())) if members else None,
        notes=tuple(thin_notes(volume, parts)),
        said=_said(volume, None),
        capacity_bytes=volume.size_bytes,
        used_bytes=used_bytes(volume),
        node=_node(volume),
    )


_STATE_OF_POOL = {
    Protection.BROKEN: MemberState.MISSING,
    Protection.UNKNOWN: MemberState.UNKNOWN,
}
"""What a volume below a thin pool is to it; one that lost margin still bears what it bears."""


def _said(volume: Volume, status: RaidStatus | None) -> str:
    words = [f"attr {volume.attributes}"]
    if volume.health:
        words.append(volume.health)
    if status is not None:
        words.append(f"kernel {status.health} {status.action}".strip())
    return ", ".join(words)


def _redundant(
    report: Report,
    volume: Volume,
    blocks: Blocks,
    pool: PoolId,
    observed_at: datetime,
    before: Pool | None,
) -> Pool:
    status = (report.status or {}).get(dm_name(volume))
    members, gone = _members(report, volume, status, blocks, before)
    work = work_of(volume, status, observed_at, members)
    return judge_pool(
        pool=pool,
        name=f"{volume.group}/{volume.name}",
        kind=PoolKind.LVM,
        layout=volume.kind,
        observed_at=observed_at,
        tree=_tree(volume.kind, members),
        work=work,
        notes=tuple(notes_of(report, volume, status, members, gone, work)),
        said=_said(volume, status),
        capacity_bytes=volume.size_bytes,
        node=_node(volume),
    )


def _tree(kind: str, members: tuple[Member, ...]) -> RedundancySet | None:
    """Build the tree of a segment type (lvmraid(7)); None for one that we do not know."""
    if not members:
        return None  # a report without devices
    if kind in {"raid1", "mirror"}:
        return mirror(kind, members)
    level = kind.split("_", maxsplit=1)[0]
    if level in {"raid4", "raid5"}:
        return parity(kind, 1, members)
    if level == "raid6":
        return parity(kind, 2, members)
    if level == "raid10" and len(members) % 2 == 0:  # LVM makes two copies, on adjacent images
        pairs = (members[i : i + 2] for i in range(0, len(members), 2))
        return stripe(kind, tuple(mirror(f"copies {p[0].name}+{p[1].name}", p) for p in pairs))
    return None


def _members(
    report: Report,
    volume: Volume,
    status: RaidStatus | None,
    blocks: Blocks,
    before: Pool | None,
) -> tuple[tuple[Member, ...], tuple[str, ...]]:
    """Give a member for each image, and the names of those whose device is gone unnoticed."""
    old = {m.name: m for m in (before.in_tree if before else ())}
    members: list[Member] = []
    gone: list[str] = []
    all_syncing = _all_syncing(volume, status)
    for i, name in enumerate(volume.devices):
        image = report.volume(volume.group, name)
        if image is None:  # an image that is not there at all
            members.append(Member(name=f"image {i}", state=MemberState.MISSING, said=name))
            continue
        letter = status.health[i] if status and i < len(status.health) else ""
        state = _state(report, volume, image, letter, all_syncing=all_syncing)
        member = Member(
            name=name,
            state=state,
            said=" ".join(w for w in (image.attributes, image.health, letter) if w),
            capacity_bytes=image.size_bytes,
        )
        nodes = [node for node in report.rests_on(image) if node != UNKNOWN]
        for node in nodes:
            placed = on_device(member, node, blocks)
            drives = tuple(sorted({*member.drives, *placed.drives}))
            member = replace(placed, node=node if placed.node else None, drives=drives)
        if member.state is MemberState.MISSING:
            if state is not MemberState.MISSING:
                gone.append(name)
            last = old.get(name)
            said = f"{member.said} {_where(report, volume)}".strip()
            member = replace(member, said=said, drives=last.drives if last else member.drives)
        members.append(member)
    return tuple(members), tuple(gone)


def _where(report: Report, volume: Volume) -> str:
    """Say where the missing device was last seen, when only one is missing."""
    lost = [d.uuid for d in report.devices if d.is_missing and d.group == volume.group]
    seen = (report.last_seen or {}).get(lost[0]) if len(lost) == 1 else None
    return f"last seen on {seen}" if seen else ""


def _all_syncing(volume: Volume, status: RaidStatus | None) -> bool:
    """Tell whether all standing images are being brought in step together."""
    action = (status.action if status else "") or volume.action
    if action != "resync":
        return False
    return status is None or set(status.health) <= {"a", "D"}


def _state(
    report: Report, volume: Volume, image: Volume, letter: str, *, all_syncing: bool
) -> MemberState:
    meta = report.volume(image.group, image.name.replace("_rimage_", "_rmeta_"))
    parts = [part for part in (image, meta) if part is not None]
    health = {part.health for part in parts}
    if any(UNKNOWN in report.rests_on(part) for part in parts) or "partial" in health:
        return MemberState.MISSING
    if letter == "D" or "refresh needed" in health:
        return MemberState.FAILED
    if health - HEALTH or letter == "-" or not volume.is_active:
        return MemberState.UNKNOWN
    if all_syncing:
        return MemberState.GOOD
    if letter == "a" or image.attributes[0] == "I":
        return MemberState.REBUILDING
    return MemberState.GOOD
