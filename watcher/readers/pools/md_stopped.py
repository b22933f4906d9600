"""Software arrays that do not run: their members are there, and nothing is put together of them.

Such an array stands nowhere in ``/proc/mdstat``. Only the signatures on the devices tell of it, by
its UUID (lsblk shows it, and the array's name as label). Its data cannot be reached: after a start
with too many members missing, or because a person stopped it.

A single device that no array wants may be a leftover of an array that is no more; so may be a
member that was taken out of an array that runs, and that one is not told at all. Two or more of
one array are no leftover (our choice: disks of a discarded array rarely stay in a box by pairs,
and who keeps them wipes the signature once and is done).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
)
from watcher.readers.pools.md_sysfs import usual_uuid
from watcher.readers.pools.shape import Blocks, on_device


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """A block device with the signature of a software array."""

    name: str  # kernel name
    uuid: str = ""  # of the array, however written
    label: str | None = None  # the array's name
    in_use: bool = False  # something rests on it


def stopped(
    carriers: Iterable[Carrier],
    running: frozenset[PoolId],
    blocks: Blocks,
    *,
    observed_at: datetime,
    previous: Iterable[Pool] = (),
) -> Iterator[Pool]:
    """Give a pool for each array of which there are members and that does not run."""
    found: dict[PoolId, list[Carrier]] = {}
    for carrier in carriers:
        uuid = usual_uuid(carrier.uuid)
        if uuid is not None and not carrier.in_use:
            found.setdefault(PoolId(f"md:{uuid}"), []).append(carrier)
    before = {pool.pool: pool for pool in previous}
    for pool, parts in found.items():
        if pool not in running:
            yield _stopped(pool, parts, blocks, observed_at, before.get(pool))


def _stopped(
    pool: PoolId,
    parts: list[Carrier],
    blocks: Blocks,
    observed_at: datetime,
    before: Pool | None,
) -> Pool:
    here = tuple(
        on_device(
            Member(name=part.name, state=MemberState.UNKNOWN, said="not put together"),
            part.name,
            blocks,
        )
        for part in sorted(parts, key=lambda part: part.name)
    )
    names = ", ".join(member.name for member in here)
    label = next((part.label for part in parts if part.label), None)
    sure = len(here) > 1 or before is not None
    note = Noted(
        remark=Remark.INACTIVE,
        text=f"The array does not run, though {names} belong{'' if len(here) > 1 else 's'} to it: "
        "its data cannot be reached."
        if sure
        else f"{names} belongs to an array that does not run: either its other members are gone, "
        "or this is a leftover of an array that is no more.",
        at_most=Protection.BROKEN if sure else Protection.UNKNOWN,
    )
    tree = _known_tree(before, here)
    return judge_pool(
        pool=pool,
        name=before.name if before else label or pool.removeprefix("md:"),
        kind=PoolKind.MD,
        layout=before.layout if before else "unknown",
        observed_at=observed_at,
        tree=tree,
        others=() if tree else here,
        notes=(note,),
        said=f"{f'{label}: ' if label else ''}not running",
        capacity_bytes=before.capacity_bytes if before else None,
        node=before.node if before else None,
    )


def _known_tree(before: Pool | None, here: tuple[Member, ...]) -> RedundancySet | None:
    """Give the tree of the last look, each member as it is now: by its drives, or missing."""
    if before is None or before.tree is None:
        return None
    by_drives = {member.drives: member for member in here if member.drives}

    def now(part: RedundancySet | Member) -> RedundancySet | Member:
        if isinstance(part, Member):
            member = by_drives.get(part.drives)
            if member is not None:
                return member
            return replace(part, state=MemberState.MISSING, node=None, said="no device")
        return replace(part, parts=tuple(now(below) for below in part.parts))

    tree = now(before.tree)
    return tree if isinstance(tree, RedundancySet) else None
