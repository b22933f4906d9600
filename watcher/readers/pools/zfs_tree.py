"""The tree of a ZFS pool: what it bears, slot by slot.

Rules (zpoolconcepts(7), "Virtual Devices"): a mirror of N bears N-1, raidzP and draidP bear P,
the top vdevs are a stripe, and special and dedup vdevs belong to it: when one is lost, so is the
pool. Logs, caches and waiting spares do not.

A slot that is being replaced counts once: with the drive that holds its data. That is the old
one while it is online. When the new one holds everything the old one is taken out at once, so as
long as both are listed the new one does not (spa_vdev_resilver_done_hunt of the module's sources,
from memory). A hot spare stays listed beside the drive it stands in for, and counts only when a
scan is told of and no resilver is under way or was broken off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from watcher.facts.pool import Member, MemberState, Noted, RedundancySet, Role
from watcher.readers.pools.shape import mirror, parity, stripe, unknown_word
from watcher.readers.pools.zfs_status import ScanState, Status, Vdev, leaves_of, parity_of

STATES = {
    "ONLINE": MemberState.GOOD,
    "DEGRADED": MemberState.GOOD,  # in use, with too many errors: see zfs.py for what that costs
    "FAULTED": MemberState.FAILED,
    "OFFLINE": MemberState.OFFLINE,
    "REMOVED": MemberState.MISSING,
    "UNAVAIL": MemberState.MISSING,
    "CANT_OPEN": MemberState.MISSING,  # the same, by its name in the sources
    "AVAIL": MemberState.SPARE,
    "INUSE": MemberState.SPARE,
}
"""zpoolconcepts(7), "Device Failure and Recovery"; AVAIL and INUSE are those of spares."""

Place = Callable[[Member, Vdev], Member]
"""Puts a member onto the drive it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """A tree with what stands beside it."""

    tree: RedundancySet | None  # None: nothing that holds data was understood
    others: tuple[Member, ...]
    notes: tuple[Noted, ...]
    layout: str


@dataclass(slots=True)
class _Builder:
    """Collects what is found on the way down."""

    place: Place
    filling: bool  # a resilver is under way, or was broken off
    scanned: bool  # there was a scan
    others: list[Member] = field(default_factory=list)
    notes: list[Noted] = field(default_factory=list)

    def member(self, vdev: Vdev, role: Role, *, filled: bool = True) -> Member:
        """Make the member that a drive is; ``filled`` says that it holds its share, if it may."""
        state = STATES.get(vdev.said, MemberState.UNKNOWN)
        short = vdev.name.rsplit("/", 1)[-1]
        if state is MemberState.UNKNOWN:
            self.notes.append(unknown_word("a vdev's state", vdev.said, member=short))
        filled = filled and not (self.filling and "resilver" in vdev.remark)
        if state is MemberState.GOOD and not filled:
            state = MemberState.REBUILDING
        said = f"{vdev.said} ({vdev.remark})" if vdev.remark else vdev.said
        bare = Member(
            name=short,
            state=state,
            role=role,
            said=said,
            errors=vdev.errors,
            capacity_bytes=vdev.size_bytes,
        )
        return self.place(bare, vdev)

    def part(self, vdev: Vdev, role: Role) -> RedundancySet | Member | None:
        """Make the part of the tree that a vdev is; None when it holds nothing."""
        if vdev.kind in {"indirect", "hole"}:
            return None
        if vdev.kind in {"replacing", "spare"}:
            return self.slot(vdev, role)
        if not vdev.parts:
            return self.member(vdev, role)
        parts = tuple(p for below in vdev.parts if (p := self.part(below, role)) is not None)
        if not parts:
            return None
        if vdev.kind == "mirror":
            return mirror(vdev.name, parts)
        if vdev.kind in {"raidz", "draid"}:
            return parity(vdev.name, parity_of(vdev.name), parts)
        self.notes.append(unknown_word("a group", vdev.kind))
        return stripe(vdev.name, parts)

    def slot(self, vdev: Vdev, role: Role) -> Member:
        """Choose the drive that stands for a slot; the others of it are put beside the tree."""
        first, *rest = vdev.parts
        filled = vdev.kind == "spare" and self.scanned and not self.filling
        members = [self.member(leaf, role) for leaf in leaves_of(first)]
        members += [
            self.member(leaf, role, filled=filled) for below in rest for leaf in leaves_of(below)
        ]
        chosen = min(members, key=lambda m: _STAND.get(m.state, len(_STAND)))
        self.others.extend(m for m in members if m is not chosen)
        return chosen


_STAND = {MemberState.GOOD: 0, MemberState.UNKNOWN: 1, MemberState.REBUILDING: 2}


def build(status: Status, place: Place) -> Built:
    """Build the tree of a pool."""
    builder = _Builder(
        place=place,
        filling=any(
            scan.resilver and scan.state is not ScanState.FINISHED for scan in status.scans
        ),
        scanned=bool(status.scans),
    )
    tops = [p for vdev in status.data if (p := builder.part(vdev, Role.DATA)) is not None]
    tops += [
        p
        for vdev in (*status.special, *status.dedup)
        if (p := builder.part(vdev, Role.SPECIAL)) is not None
    ]
    for vdevs, role in (
        (status.spares, Role.SPARE),
        (status.logs, Role.LOG),
        (status.cache, Role.CACHE),
    ):
        for vdev in vdevs:
            builder.others.extend(builder.member(leaf, role) for leaf in leaves_of(vdev))
    tree: RedundancySet | None = None
    if len(tops) == 1 and isinstance(tops[0], RedundancySet):
        tree = tops[0]
    elif tops:
        tree = stripe(status.name, tuple(tops))
    return Built(
        tree=tree,
        others=tuple(builder.others),
        notes=tuple(builder.notes),
        layout=_layout(status),
    )


def _layout(status: Status) -> str:
    """Name the layout in the trade's terms."""
    words = [_kind_word(vdev) for vdev in status.data if vdev.kind not in {"indirect", "hole"}]
    kinds = list(dict.fromkeys(words))
    said = " and ".join(f"{words.count(k)} × {k}" if words.count(k) > 1 else k for k in kinds)
    if status.special or status.dedup:
        extra = dict.fromkeys(_kind_word(v) for v in (*status.special, *status.dedup))
        said += f", special {' and '.join(extra)}"
    return said or "unknown"


def _kind_word(vdev: Vdev) -> str:
    if vdev.kind in {"raidz", "draid"}:
        return f"{vdev.kind}{parity_of(vdev.name)}"
    return vdev.kind if vdev.parts else "single drive"
