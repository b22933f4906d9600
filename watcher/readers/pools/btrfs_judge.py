"""What the facts of a btrfs filesystem mean: its tree, its margin, its remarks. Pure.

How the margin comes about. Each block group has a profile, and different profiles live side by
side. A pool bears what the weakest of its kinds bears (data, metadata and system: without the
system part nothing can be found any more), where each kind counts with the best profile it has.
A weaker profile beside it is *left over*: after writing with a device missing, new chunks are
``single``, and they stay so when the device has been replaced. Redundancy is back only after a
converting balance, so such a pool is held at what the left-over part bears, even while that part
is empty: the next write may land in it.

Traps, all seen in our own runs:

- A device that was pulled shows ``size 0 … MISSING`` at once, while ``missing`` in sysfs stays 0.
- The counters stay until they are reset, and may stay at zero with every read failing.
- ``scrub status`` is a file that outlives what it tells of. Uncorrectable errors count as damage
  that still stands while the devices' counters stand; once those have been reset somebody took
  care of it, and only a new scrub proves it: then it is told without more.
- While a replacement runs, its progress is also what ``scrub status`` calls a running scrub.
- Write errors on a device that is there mean that its copy is older than the others': btrfs does
  not bring it up to date by itself. Each such device counts as lost until a scrub and a reset.
- raid1 keeps two copies however many devices there are: with three it still bears one.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool, protection_of, relied_margin
from watcher.facts.pool import (
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Work,
    WorkKind,
    WorkState,
    worse_of,
)
from watcher.facts.units import say_count
from watcher.readers.pools.btrfs_parse import (
    BEARS,
    Device,
    Filesystem,
    Group,
)
from watcher.readers.pools.btrfs_work import (
    Balance,
    DeviceErrors,
    Going,
    Mount,
    Replacing,
    Scrub,
)
from watcher.readers.pools.shape import (
    parity,
    unknown_word,
)

MISSING_ROW = "missing"
MOST_ANY_PROFILE_BEARS = 3  # raid1c4: mkfs.btrfs(8), "PROFILES"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What could be learned of one filesystem beside its list of devices; None: not seen."""

    mount: Mount | None = None
    groups: tuple[Group, ...] | None = None
    capacity_bytes: int | None = None
    used_bytes: int | None = None
    errors: tuple[DeviceErrors, ...] | None = None
    scrub: Scrub | None = None
    replacing: Replacing | None = None
    balance: Balance | None = None


def pool_id(one: Filesystem) -> PoolId:
    """Give the identity of a filesystem."""
    return PoolId(f"btrfs:{one.uuid}")


def judge(
    one: Filesystem, seen: Seen, members: tuple[Member, ...], *, observed_at: datetime
) -> Pool:
    """Give the pool that a filesystem is; pure. ``members`` stand in the order of its devices."""
    members = _with_errors(one, seen, members)
    lost = tuple(
        Member(name=f"unlisted {number}", state=MemberState.MISSING, said="missing")
        for number in range(1, one.unlisted_missing + 1)
    )
    notes: list[Noted] = []
    tree, others, layout = None, (*members, *lost), "unknown"
    if seen.groups is None:
        notes.append(_blind_bound(one, members, mounted=seen.mount is not None))
    else:
        parts = (*_holding(one, seen.groups, members), *lost)
        others = tuple(m for m in members if m not in parts)
        layout = layout_of(seen.groups)
        tree = parity(layout, _built_to_bear(seen.groups), parts)
        notes.extend(_profile_notes(one, seen, members))
    notes.extend(_damage_notes(one, seen, tree))
    notes.extend(_state_notes(one, seen, members, tree))
    return judge_pool(
        pool=pool_id(one),
        name=one.label or (seen.mount.target if seen.mount else one.uuid),
        kind=PoolKind.BTRFS,
        layout=layout,
        observed_at=observed_at,
        tree=tree,
        others=others,
        work=_work(seen),
        notes=tuple(notes),
        most=relied_margin(tree, (f"devid {device.devid}" for device, _ in _stale(one, seen))),
        said=_said(one),
        capacity_bytes=seen.capacity_bytes,
        used_bytes=seen.used_bytes,
        scrubbed_at=_scrubbed_at(seen.scrub, observed_at),
        node=seen.mount.target if seen.mount else None,
    )


def _said(one: Filesystem) -> str:
    return f"Total devices {one.total_devices}" + (f", {one.gone} missing" if one.gone else "")


def _with_errors(one: Filesystem, seen: Seen, members: tuple[Member, ...]) -> tuple[Member, ...]:
    if seen.errors is None:
        return members
    counts = {counted.device: counted.total for counted in seen.errors}
    return tuple(
        replace(member, errors=counts.get(device.path or "", counts.get(member.name)))
        for device, member in zip(one.devices, members, strict=True)
    )


def _holding(
    one: Filesystem, groups: tuple[Group, ...], members: tuple[Member, ...]
) -> tuple[Member, ...]:
    """Give the members that hold anything: one that was just added holds nothing yet.

    Rows that call a device missing without a name may be any of the missing ones.
    """
    name_of = {
        device.path: member.name
        for device, member in zip(one.devices, members, strict=True)
        if device.path is not None
    }
    held = {name_of.get(holder, holder) for group in groups for holder in group.holders}
    nameless = MISSING_ROW in held
    own = tuple(member for member in members if member.name != "devid 0")
    holding = tuple(
        m for m in own if m.name in held or (nameless and m.state is MemberState.MISSING)
    )
    return holding if len(holding) > 1 else own


def _bears(group: Group) -> int:
    return BEARS.get(group.profile, 0)


def _built_to_bear(groups: Iterable[Group]) -> int:
    """Give what the weakest kind bears, each kind taken with its best profile."""
    best: dict[str, int] = {}
    for group in groups:
        best[group.kind] = max(best.get(group.kind, 0), _bears(group))
    return min(best.values())


def layout_of(groups: Iterable[Group]) -> str:
    """Name the profile of the data; that of the metadata beside it when it differs."""
    best: dict[str, Group] = {}
    for group in groups:
        known = best.get(group.kind)
        if known is None or _bears(group) > _bears(known):
            best[group.kind] = group
    data = best.get("data") or best.get("data+metadata") or best["metadata"]
    meta = best.get("metadata") or data
    if meta.profile == data.profile:
        return data.profile
    return f"{data.profile}, metadata {meta.profile}"


def _blind_bound(one: Filesystem, members: tuple[Member, ...], *, mounted: bool) -> Noted:
    """Say what holds when the profiles could not be read: never better than the best case.

    With one device lost the best case is looked at (mirrors of all devices, at most raid1c4).
    Two lost devices of a filesystem that is not mounted count as out of reach: few profiles bear
    that, and the kernel refuses to mount the others.
    """
    out = sum(m.state is not MemberState.GOOD and m.name != "devid 0" for m in members)
    out += one.unlisted_missing
    count = one.own_devices
    best = min(MOST_ANY_PROFILE_BEARS, count - 1) - out
    cap = Protection.UNKNOWN
    if out and (best < 0 or (out > 1 and not mounted)):
        cap = Protection.BROKEN
    elif out and best == 0:
        cap = Protection.BARE
    text = "How the data is spread over the devices could not be read"
    if out:
        text += f"; {say_count(out, 'device')} of {count} {'is' if out == 1 else 'are'} missing"
    if not mounted:
        text += "; the filesystem is not mounted"
    return Noted(remark=Remark.FEW_CHECKS, text=f"{text}.", at_most=cap)


def _profile_notes(one: Filesystem, seen: Seen, members: tuple[Member, ...]) -> tuple[Noted, ...]:
    """Tell of block groups in a weaker profile than the rest, and of unknown profiles."""
    groups = seen.groups or ()
    notes = [
        unknown_word("a block group's profile", group.profile)
        for group in groups
        if group.profile not in BEARS
    ]
    best: dict[str, Group] = {}
    for group in groups:
        if group.kind not in best or _bears(group) > _bears(best[group.kind]):
            best[group.kind] = group
    weaker = [g for g in groups if _bears(g) < _bears(best[g.kind])]
    full = _built_to_bear(groups)
    cap: Protection | None = None
    for group in groups:
        out = _lost_holders(one, group, members)
        left = _bears(group) - out
        if left < 0 and group.used_bytes != 0:
            notes.append(
                Noted(
                    remark=Remark.DAMAGED_DATA,
                    text=f"The {group.kind} kept as {group.profile} has lost more devices "
                    "than it bears.",
                    at_most=Protection.BROKEN,
                )
            )
        elif group in weaker:
            cap = worse_of(cap or Protection.WHOLE, protection_of(max(left, 0), full))
    if weaker:
        notes.append(_mixed(weaker, best, seen, cap))
    return tuple(notes)


def _lost_holders(one: Filesystem, group: Group, members: tuple[Member, ...]) -> int:
    """Count the devices a group rests on that are not there."""
    out = group.holders.count(MISSING_ROW)
    here = {m.name for m in members}
    for device, member in zip(one.devices, members, strict=True):
        if device.path in group.holders or member.name in group.holders:
            out += member.state is not MemberState.GOOD
    return out + sum(h.startswith("devid ") and h not in here for h in group.holders)


_FLAG = {"data": "-d", "metadata": "-m", "system": "-s"}


def _mixed(
    weaker: list[Group], best: Mapping[str, Group], seen: Seen, cap: Protection | None
) -> Noted:
    """Tell which parts have less redundancy than the rest, and what would put that right."""
    said = ", ".join(f"{g.kind} as {g.profile}" for g in weaker)
    kinds = sorted({g.kind for g in weaker if g.kind in _FLAG})
    if "metadata" in kinds and "system" in kinds:
        kinds.remove("system")  # converted with the metadata, and without force (btrfs-balance(8))
    flags = [f"{_FLAG[kind]}convert={best[kind].profile},soft" for kind in kinds]
    at = shlex.quote(seen.mount.target) if seen.mount else "MOUNTPOINT"
    text = f"Part of the filesystem has less redundancy than the rest ({said})"
    if seen.balance is not None and seen.balance.going is Going.RUNNING:
        text += "; a balance is running that may put it right."
    elif flags:
        force = " -f" if "system" in kinds else ""
        text += (
            "; once no device is missing, this brings it back: "
            f"btrfs balance start{force} {' '.join(flags)} {at}"
        )
    else:
        text += "; a converting balance brings it back."
    return Noted(
        remark=Remark.MIXED_PROFILES,
        text=text,
        amount=sum(g.used_bytes or 0 for g in weaker) if seen.mount else None,
        at_most=cap,
    )


def _damage_notes(one: Filesystem, seen: Seen, tree: RedundancySet | None) -> tuple[Noted, ...]:
    """Tell of data that no copy could serve, and of copies that are out of date."""
    notes: list[Noted] = []
    scrub = seen.scrub
    if scrub is not None and scrub.uncorrectable:
        stands = seen.errors is None or any(
            counted.read or counted.corruption or counted.generation for counted in seen.errors
        )
        text = f"The last scrub found {say_count(scrub.uncorrectable, 'error')} that no copy heals"
        if stands:
            text += "; the kernel log names the files: restore them, then scrub again."
        else:
            text += "; the devices' counters were reset since. Only a new scrub proves it healed."
        notes.append(
            Noted(
                remark=Remark.DAMAGED_DATA,
                text=text,
                amount=scrub.uncorrectable,
                at_most=Protection.BROKEN if stands else None,
            )
        )
    if seen.replacing is not None and seen.replacing.lost_reads:
        running = seen.replacing.going in {Going.RUNNING, Going.PAUSED}
        notes.append(
            Noted(
                remark=Remark.DAMAGED_DATA,
                text=f"The replacement of a device met {seen.replacing.lost_reads} places that "
                "no copy could serve; scrub to learn which files.",
                amount=seen.replacing.lost_reads,
                at_most=Protection.BROKEN if running else None,
            )
        )
    notes += [_behind(device, counted, tree) for device, counted in _stale(one, seen)]
    return tuple(notes)


def _stale(one: Filesystem, seen: Seen) -> tuple[tuple[Device, DeviceErrors], ...]:
    """Give the devices that are there and lack writes which the others have."""
    return tuple(
        (device, counted)
        for device, counted in _counted(one, seen)
        if counted.write or counted.flush or counted.generation
    )


def _counted(one: Filesystem, seen: Seen) -> tuple[tuple[Device, DeviceErrors], ...]:
    """Give the counters of the devices that are there."""
    by_name = {counted.device: counted for counted in seen.errors or ()}
    return tuple(
        (device, by_name[key])
        for device in one.devices
        for key in (device.path, f"devid {device.devid}")
        if key in by_name and not device.missing
    )


def _behind(device: Device, counted: DeviceErrors, tree: RedundancySet | None) -> Noted:
    """Tell that a device lacks writes which the others have."""
    bears = tree.bears if tree else 1
    return Noted(
        remark=Remark.REFRESH_NEEDED,
        text=f"{device.path} missed writes ({counted.write} write, {counted.flush} flush, "
        f"{counted.generation} generation errors), so its copies may be out of date: scrub, then "
        "reset its counters with btrfs device stats -z",
        member=f"devid {device.devid}",
        amount=counted.write + counted.flush + counted.generation,
        at_most=protection_of(max(bears - 1, 0), max(bears, 1)),
    )


def _state_notes(
    one: Filesystem, seen: Seen, members: tuple[Member, ...], tree: RedundancySet | None
) -> tuple[Noted, ...]:
    """Tell what else is worth a look: counters, lost devices, mounts, things not seen."""
    notes = [
        Noted(
            remark=Remark.MEMBER_ERRS,
            text=f"{device.path}: {counted.write} write, {counted.read} read, {counted.flush} "
            f"flush, {counted.corruption} corruption and {counted.generation} generation errors "
            "since the counters were reset",
            member=f"devid {device.devid}",
            amount=counted.total,
        )
        for device, counted in _counted(one, seen)
        if counted.total
    ]
    notes.extend(
        Noted(
            remark=Remark.DEVICE_GONE,
            text=f"btrfs lists {device.path} as present, and that device is not there any more, or "
            "the kernel has given it up",
            member=member.name,
        )
        for device, member in zip(one.devices, members, strict=True)
        if member.state is MemberState.MISSING and not device.missing
    )
    if seen.mount is None:
        notes.append(
            Noted(remark=Remark.INACTIVE, text="The filesystem is not mounted; its data is idle")
        )
        return tuple(notes)
    if seen.mount.read_only:
        notes.append(
            Noted(
                remark=Remark.READ_ONLY,
                text=f"{seen.mount.target} is read-only: by choice, or because btrfs gave up "
                "writing after an error (the kernel log tells)",
            )
        )
    unseen = [
        word
        for word, value in (("device counters", seen.errors), ("scrub result", seen.scrub))
        if value is None
    ]
    told = {device.devid for device, _ in _counted(one, seen)}
    unseen += [
        f"counters of {device.path}"
        for device in one.devices
        if seen.errors is not None and not device.missing and device.devid not in told
    ]
    if unseen and tree is not None:
        notes.append(
            Noted(
                remark=Remark.FEW_CHECKS,
                text=f"Not seen: {' and '.join(unseen)}",
                at_most=Protection.UNKNOWN,
            )
        )
    return tuple(notes)


_STATE = {Going.RUNNING: WorkState.RUNNING, Going.PAUSED: WorkState.PAUSED}


def _work(seen: Seen) -> Work | None:
    """Give what the filesystem is busy with; a replacement before a balance before a scrub."""
    for kind, what in (
        (WorkKind.REBUILD, seen.replacing),
        (WorkKind.CONVERT, seen.balance),
        (WorkKind.SCRUB, seen.scrub),
    ):
        if what is not None and what.going in _STATE:
            return Work(kind=kind, state=_STATE[what.going], done_fraction=what.fraction)
    return None


def _scrubbed_at(scrub: Scrub | None, observed_at: datetime) -> datetime | None:
    """Give when the last complete scrub began (its end is not printed); never in the future."""
    if scrub is None or scrub.going is not Going.FINISHED or scrub.started is None:
        return None
    return min(scrub.started, observed_at)
