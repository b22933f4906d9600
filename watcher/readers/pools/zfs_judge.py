"""What a ZFS pool's words and its tree mean together: margin, remarks, work. Pure.

Traps, seen in our own runs or told by the manual pages:

- Damage that nothing could heal leaves every state at ONLINE; only the ``errors:`` line tells.
- When a block cannot be rebuilt, checksum errors are counted on all its drives
  (zpoolconcepts(7)): equal counts on all of a group blame none of them.
- A running resilver is told for the pool; in JSON not for the drive. Which drive is being filled
  is taken from its place in a ``replacing`` or ``spare`` group, and where that does not tell, the
  pool is taken to bear one less. A resilver that was canceled proves nothing.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from watcher.facts.identity import PoolId
from watcher.facts.margin import full_margin_of, judge_pool, protection_of, relied_margin
from watcher.facts.pool import (
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
    members_of,
)
from watcher.facts.units import say_count
from watcher.readers.pools.shape import (
    unknown_word,
)
from watcher.readers.pools.zfs_status import Scan, ScanState, Status, Vdev, leaves_of
from watcher.readers.pools.zfs_tree import Built

IO_FAILED = frozenset({"ZFS-8000-HC", "ZFS-8000-JQ"})
"""Messages that mean that I/O is suspended: zpool-status messages of OpenZFS."""

GONE_POOL = frozenset({"UNAVAIL", "FAULTED", "REMOVED", "OFFLINE"})
POOL_WORDS = frozenset({"ONLINE", "DEGRADED", "SUSPENDED"}) | GONE_POOL


@dataclass(frozen=True, slots=True, kw_only=True)
class Usable:
    """What a pool's own dataset tells: bytes for files, and where it is mounted."""

    used_bytes: int
    available_bytes: int
    mount_point: str | None


def pool_id(status: Status) -> PoolId:
    """Give the identity of a pool: its guid, or its name where the guid is not told."""
    return PoolId(f"zfs:{status.guid or status.name}")


def judge(
    status: Status, built: Built, *, observed_at: datetime, usable: Usable | None = None
) -> Pool:
    """Give the pool that a status means; pure."""
    notes = (
        *built.notes,
        *_state_notes(status),
        *_damage_notes(status),
        *_gone_notes(status, built),
        *_error_notes(status, built.tree),
        *_slow_notes(status),
        *(doubts := _doubts(status, built)),
        *_spare_notes(built),
    )
    done = [s for s in status.scans if s.state is ScanState.FINISHED and not s.resilver]
    ended = done[-1].ended_at if done else None
    return judge_pool(
        pool=pool_id(status),
        name=status.name,
        kind=PoolKind.ZFS,
        layout=built.layout,
        observed_at=observed_at,
        tree=built.tree,
        others=built.others,
        work=_work(status),
        notes=notes,
        most=relied_margin(built.tree, _worn(status), bool(doubts)),
        said=status.said,
        capacity_bytes=usable.used_bytes + usable.available_bytes if usable else None,
        used_bytes=usable.used_bytes if usable else None,
        scrubbed_at=min(ended, observed_at) if ended else None,
        node=usable.mount_point if usable else None,
    )


def _is_suspended(status: Status) -> bool:
    """Tell whether ZFS has stopped all reading and writing of a pool."""
    return status.said == "SUSPENDED" or status.message in IO_FAILED or "IO failures" in status.why


def _state_notes(status: Status) -> tuple[Noted, ...]:
    """Tell what the pool's own words mean when they are bad."""
    notes = []
    if _is_suspended(status):
        notes.append(
            Noted(
                remark=Remark.SUSPENDED,
                text="ZFS has stopped all reading and writing of this pool; its vdevs may still "
                "say ONLINE. See to it that the drives are connected, then: zpool clear "
                f"{shlex.quote(status.name)}",
                at_most=Protection.BROKEN,
            )
        )
    elif status.said in GONE_POOL:
        notes.append(
            Noted(
                remark=Remark.INACTIVE,
                text=f"ZFS says {status.said}: the pool cannot be used",
                at_most=Protection.BROKEN,
            )
        )
    elif status.said not in POOL_WORDS:
        notes.append(unknown_word("the pool's state", status.said))
    if status.unknown_scan:
        notes.append(unknown_word("the scan line", status.unknown_scan))
    return tuple(notes)


def _damage_notes(status: Status) -> tuple[Noted, ...]:
    """Tell of data that could not be healed."""
    if status.data_errors is None:
        because = "the pool has stopped" if _is_suspended(status) else "we lack the rights"
        return (
            Noted(
                remark=Remark.FEW_CHECKS,
                text=f"ZFS does not tell us whether data is damaged: {because}",
                at_most=Protection.UNKNOWN,
            ),
        )
    if status.data_errors:
        first = f", first {status.damaged_files[0]}" if status.damaged_files else ""
        return (
            Noted(
                remark=Remark.DAMAGED_DATA,
                text=f"{say_count(status.data_errors, 'place')} could not be healed{first}: "
                "restore what is named, then scrub",
                amount=status.data_errors,
                at_most=Protection.BROKEN,
            ),
        )
    left = sum(scan.errors for scan in status.scans)
    if left:
        return (
            Noted(
                remark=Remark.DAMAGED_DATA,
                text=f"The last scan could not heal {say_count(left, 'place')}; none is listed "
                "any more. Only a new scrub proves it",
                amount=left,
            ),
        )
    return ()


def _gone_notes(status: Status, built: Built) -> tuple[Noted, ...]:
    """Tell of members that ZFS counts in and whose device is not there."""
    said = {
        leaf.name.rsplit("/", 1)[-1]: leaf.said
        for top in status.everything
        for leaf in leaves_of(top)
    }
    members = (*(members_of(built.tree) if built.tree else ()), *built.others)
    return tuple(
        Noted(
            remark=Remark.DEVICE_GONE,
            text=f"ZFS says {said.get(member.name)} for {member.name}, and that device is not "
            "there any more, or the kernel has given it up",
            member=member.name,
        )
        for member in members
        if member.state is MemberState.MISSING
        and said.get(member.name) in {"ONLINE", "DEGRADED", "AVAIL", "INUSE"}
    )


def _worn(status: Status) -> Iterable[str]:
    """Name the drives that ZFS holds for degraded and goes on using."""
    for top in status.everything:
        for leaf in leaves_of(top):
            if leaf.said == "DEGRADED":
                yield leaf.name.rsplit("/", 1)[-1]


def _one_less(tree: RedundancySet | None, names: Iterable[str] = ()) -> Protection:
    """Give the protection with those members (or, with none named, any one) not relied on."""
    if tree is None:
        return Protection.UNKNOWN
    named = tuple(names)
    return protection_of(relied_margin(tree, named, not named), full_margin_of(tree))


def _error_notes(status: Status, tree: RedundancySet | None) -> tuple[Noted, ...]:
    """Tell of errors that ZFS counted, and blame a drive only where it stands out."""
    notes = []
    for top in status.everything:
        for group in _groups(top):
            leaves = [leaf for leaf in leaves_of(group) if leaf.errors is not None]
            counts = {leaf.checksum for leaf in leaves}
            shared = len(leaves) > 1 and len(counts) == 1 and counts != {0}
            if shared:
                notes.append(
                    Noted(
                        remark=Remark.MEMBER_ERRS,
                        text=f"All drives of {group.name} count the same {leaves[0].checksum} "
                        "checksum errors: that speaks for damage that was there before, or for "
                        "cable, controller or memory, and against none of the drives",
                        amount=leaves[0].checksum,
                    )
                )
            notes.extend(
                note for leaf in leaves if (note := _blame(leaf, tree, shared=shared)) is not None
            )
    return tuple(notes)


def _slow_notes(status: Status) -> Iterable[Noted]:
    """Tell of drives that took very long over some operations (zpool-status(8), option -s)."""
    for top in status.everything:
        for leaf in leaves_of(top):
            if leaf.slow:
                times = say_count(leaf.slow, "operation")
                yield Noted(
                    remark=Remark.MEMBER_SLOW,
                    text=f"{times} took more than 30 seconds, unless another limit is set",
                    member=leaf.name.rsplit("/", 1)[-1],
                    amount=leaf.slow,
                )


def _groups(top: Vdev) -> Iterable[Vdev]:
    """Give the lowest groups: those whose parts are drives; a lone drive is its own."""
    if not any(part.parts for part in top.parts):
        yield top
        return
    for part in top.parts:
        yield from _groups(part)


def _blame(leaf: Vdev, tree: RedundancySet | None, *, shared: bool) -> Noted | None:
    """Tell of one drive's errors; None when there are none that speak against it."""
    own = (leaf.read or 0) + (leaf.write or 0) + (0 if shared else leaf.checksum or 0)
    short = leaf.name.rsplit("/", 1)[-1]
    worn = leaf.said == "DEGRADED"
    if not own and not worn:
        return None
    text = f"{short}: {leaf.read} read, {leaf.write} write and {leaf.checksum} checksum errors"
    if worn:
        text += "; ZFS holds it for degraded and goes on using it"
    return Noted(
        remark=Remark.MEMBER_ERRS,
        text=text,
        member=short,
        amount=leaf.errors,
        at_most=_one_less(tree, (short,)) if worn else None,
    )


def _doubts(status: Status, built: Built) -> tuple[Noted, ...]:
    """Hold the pool down where its words and its tree do not agree, or where a resilver is open."""
    notes = []
    tree = built.tree
    members = (*(members_of(tree) if tree else ()), *built.others)
    fine = {MemberState.GOOD, MemberState.SPARE}
    culprit = any(m.state not in fine or m.said.startswith("DEGRADED") for m in members)
    inner = [g for top in status.everything for g in _inner(top) if g.said != "ONLINE"]
    odd = [g.name for g in inner if all(leaf.said == "ONLINE" for leaf in leaves_of(g))]
    if (status.said == "DEGRADED" and not culprit) or odd:
        where = odd[0] if odd else status.name
        notes.append(
            Noted(
                remark=Remark.FEW_CHECKS,
                text=f"ZFS holds {where} for degraded, and no drive of it shows why",
                at_most=_one_less(tree),
            )
        )
    is_open = (s for s in status.scans if s.resilver and s.state is not ScanState.FINISHED)
    resilver = next(is_open, None)
    if resilver is None:
        return tuple(notes)
    if not any(m.state is MemberState.REBUILDING for m in members):
        word = "canceled" if resilver.state is ScanState.CANCELED else "running"
        notes.append(
            Noted(
                remark=Remark.REFRESH_NEEDED,
                text=f"A resilver is {word}, and it is not told which drive it fills: one of them "
                "may not be in step",
                at_most=_one_less(tree),
            )
        )
    return tuple(notes)


def _inner(top: Vdev) -> Iterable[Vdev]:
    """Walk the groups of a vdev."""
    if top.parts:
        yield top
    for part in top.parts:
        yield from _inner(part)


def _spare_notes(built: Built) -> tuple[Noted, ...]:
    """Tell of hot spares that stand in for a lost drive."""
    return tuple(
        Noted(
            remark=Remark.SPARE_IN_USE,
            text=f"The hot spare {member.name} stands in for another drive",
            member=member.name,
        )
        for member in built.others
        if member.role is Role.SPARE and member.said.startswith("INUSE")
    )


_WORK_STATE = {ScanState.RUNNING: WorkState.RUNNING, ScanState.PAUSED: WorkState.PAUSED}


def _work(status: Status) -> Work | None:
    """Give what the pool is busy with; a resilver before a scrub."""
    going: list[Scan] = [scan for scan in status.scans if scan.state in _WORK_STATE]
    if not going:
        return None
    scan = max(going, key=lambda one: one.resilver)
    return Work(
        kind=WorkKind.REBUILD if scan.resilver else WorkKind.SCRUB,
        state=_WORK_STATE[scan.state],
        done_fraction=scan.fraction,
        done_bytes=scan.done_bytes,
        total_bytes=scan.total_bytes,
        rate_bytes_per_second=scan.rate_bytes_per_second,
    )
