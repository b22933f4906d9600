"""Commands for LVM: its raid kinds, and what has no redundancy, such as thin pools.

Checked against lvmraid(7), lvconvert(8), lvchange(8), pvmove(8), vgreduce(8) and vgextend(8) of LVM
2.03.16.
"""

from __future__ import annotations

from typing import Final

from watcher.facts.pool import Remark
from watcher.recovery.ground import Command, Ground
from watcher.recovery.record import Step

LVM: Final = "LVM 2.03.16"

OLD_MIRROR: Final = "mirror"
"""The older kind of mirror: it can be repaired, but neither checked nor have an image replaced
(lvchange(8), lvconvert(8): "LV1 types: raid")."""


def _is_plain(ground: Ground) -> bool:
    """Tell whether a volume has no redundancy: none of the commands for raid is for it."""
    return bool(ground.layout) and not ground.layout.startswith(("raid", OLD_MIRROR))


def commands(ground: Ground) -> tuple[Command, ...]:
    """Give the commands of the step."""
    by_step = {
        Step.MAKE_SURE: _make_sure,
        Step.SWAP: _swap,
        Step.REBUILD: _rebuild,
        Step.VERIFY: _verify,
    }
    if ground.broken or (_is_plain(ground) and not ground.planned):
        return (_show(ground),)  # of a thin pool "repair" would mean its metadata
    make = by_step.get(ground.step)
    if make is None:
        return (_refresh(ground),) if ground.old_is_back else ()
    return make(ground)


def _group(ground: Ground) -> str:
    return ground.node.split("/", 1)[0]


def _show(ground: Ground) -> Command:
    return Command(
        line=f"lvs -a -o +devices,lv_health_status,sync_percent {_group(ground)}",
        does="Shows the volumes, on which drives they sit, and what LVM says of their health.",
        source=f"lvs(8) of {LVM}",
    )


def _refresh(ground: Ground) -> Command:
    return Command(
        line=f"lvchange --refresh {ground.node}",
        does="Takes a member that was away for a moment back, and brings it in step.",
        no_way_back="overwrites on it what changed since it left",
        source=f"lvmraid(7) of {LVM}",
    )


def _make_sure(ground: Ground) -> tuple[Command, ...]:
    found = [_show(ground)]
    if Remark.REFRESH_NEEDED in ground.remarks or ground.old_is_back:
        found.append(_refresh(ground))
    return tuple(found)


def _swap(ground: Ground) -> tuple[Command, ...]:
    group = _group(ground)
    found = [
        Command(
            line=f"pvcreate {ground.new}",
            does="Makes the new drive usable for LVM.",
            no_way_back="overwrites the beginning of the new drive: check its serial number first",
            source=f"pvcreate(8) of {LVM}",
        ),
        Command(
            line=f"vgextend {group} {ground.new}",
            does="Adds it to the volume group.",
            no_way_back="vgreduce takes it out again while nothing lies on it",
            source=f"vgextend(8) of {LVM}",
        ),
    ]
    if _is_plain(ground):
        found += _move(ground)
    elif ground.planned and ground.layout == OLD_MIRROR:
        found += _copy_and_leave(ground)
    elif ground.planned:
        found.append(
            Command(
                line=f"lvconvert --replace {ground.old} {ground.node} {ground.new}",
                does="Moves the volume's share from the old drive to the new one. The share is "
                "rebuilt from the others, so the margin is lower until that is done.",
                no_way_back="the old drive's share is given up at once",
                source=f"lvconvert(8) of {LVM}",
            )
        )
    else:
        found.append(
            Command(
                line=f"lvconvert --repair {ground.node} {ground.new}",
                does="Fills the lost share of the volume on the new drive. Repeat it for each "
                "volume that lost one.",
                no_way_back="the lost drive is not part of the volume any more",
                source=f"lvmraid(7) of {LVM}",
            )
        )
    return tuple(found)


def _move(ground: Ground) -> tuple[Command, ...]:
    """Empty the old drive onto the new one, and take it out of the group."""
    return (
        Command(
            line=f"pvmove {ground.old} {ground.new}",
            does="Moves all that lies on the old drive to the new one while it is in use. If it is "
            "cut off, pvmove alone goes on with it.",
            no_way_back="overwrites the new drive: check its serial number first",
            source=f"pvmove(8) of {LVM}",
        ),
        Command(
            line=f"vgreduce {_group(ground)} {ground.old}",
            does="Takes the old drive, which is empty then, out of the volume group.",
            no_way_back="vgextend takes it in again",
            source=f"vgreduce(8) of {LVM}",
        ),
    )


def _copy_and_leave(ground: Ground) -> tuple[Command, ...]:
    """Give a mirror one copy more on the new drive before it loses the one on the old."""
    return (
        Command(
            line=f"lvconvert --mirrors +1 {ground.node} {ground.new}",
            does="Gives the mirror one copy more, on the new drive; the old ones stay in service.",
            no_way_back="overwrites the new drive: check its serial number first",
            source=f"lvconvert(8) of {LVM}",
        ),
        Command(
            line=f"lvconvert --mirrors -1 {ground.node} {ground.old}",
            does="Takes the copy on the old drive out. Only when lvs shows the new one to be in "
            "step, at 100%.",
            no_way_back="the copy on the old drive is given up",
            source=f"lvconvert(8) of {LVM}",
        ),
    )


def _reduce(ground: Ground) -> Command:
    return Command(
        line=f"vgreduce --removemissing {_group(ground)}",
        does="Takes the lost drive off the list of the volume group. Only after every volume is "
        "repaired, and never with --force: that removes volumes.",
        no_way_back="the lost drive cannot be brought back into the group as it was",
        source=f"vgreduce(8) of {LVM}",
    )


def _rebuild(ground: Ground) -> tuple[Command, ...]:
    found = [_show(ground)]
    if Remark.REFRESH_NEEDED in ground.remarks:
        found.append(_refresh(ground))
    if Remark.LISTED_MISSING in ground.remarks and not ground.rebuild_is_held:
        found.append(_reduce(ground))
    return tuple(found)


def _verify(ground: Ground) -> tuple[Command, ...]:
    found = [_reduce(ground)] if Remark.LISTED_MISSING in ground.remarks else []
    if ground.layout == OLD_MIRROR or _is_plain(ground):
        return (*found, _show(ground))
    if not ground.checking:
        found.append(
            Command(
                line=f"lvchange --syncaction check {ground.node}",
                does="Reads all members and compares them; it corrects nothing.",
                no_way_back="nothing but time: the pool is slower until it ends",
                source=f"lvmraid(7) of {LVM}",
            )
        )
    found.append(
        Command(
            line=f"lvs -o name,raid_sync_action,sync_percent,raid_mismatch_count {ground.node}",
            does="Shows how far the check is and what did not match. 0 is what you want.",
            source=f"lvmraid(7) of {LVM}",
        )
    )
    return tuple(found)
