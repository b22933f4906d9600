"""Commands for Linux software RAID. Checked against mdadm(8) 4.2 and md(4)."""

from __future__ import annotations

from typing import Final

from watcher.facts.pool import Remark
from watcher.recovery.ground import Command, Ground
from watcher.recovery.record import Step

MDADM: Final = "mdadm(8) 4.2"
KERNEL: Final = "md(4); Documentation/admin-guide/md.rst"


def commands(ground: Ground) -> tuple[Command, ...]:
    """Give the commands of the step."""
    if ground.broken:
        return _beyond(ground)
    by_step = {
        Step.MAKE_SURE: _make_sure,
        Step.SWAP: _swap,
        Step.REBUILD: _rebuild,
        Step.VERIFY: _verify,
    }
    make = by_step.get(ground.step)
    own = make(ground) if make is not None else ()
    back = _take_back(ground) if ground.old_is_back and ground.step is not Step.VERIFY else ()
    return (*own, *back)


def _detail(ground: Ground) -> Command:
    return Command(
        line=f"mdadm --detail {ground.at}",
        does="Shows the array, its members and which place is empty.",
        source=MDADM,
    )


def _beyond(ground: Ground) -> tuple[Command, ...]:
    return (
        Command(
            line="cat /proc/mdstat",
            does="Shows what the kernel has of the array.",
            source=KERNEL,
        ),
        Command(
            line=f"mdadm --examine {ground.good_member or ground.old}",
            does="Shows what is written on one member: compare “Events” and “Device Role” over "
            "all members and keep the answers. It only reads.",
            source=MDADM,
        ),
    )


def _make_sure(ground: Ground) -> tuple[Command, ...]:
    found = [_detail(ground)]
    if ground.old_here:
        found.append(
            Command(
                line=f"mdadm --examine {ground.old}",
                does="Shows what the member remembers of the array, and when it was last in step.",
                source=MDADM,
            )
        )
    return tuple(found)


def _take_back(ground: Ground) -> tuple[Command, ...]:
    return (
        Command(
            line=f"mdadm {ground.at} --re-add {ground.old}",
            does="Takes the old member back where it was, if its signs are clean: with a "
            "write-intent bitmap only what changed meanwhile is copied.",
            no_way_back="overwrites on it what changed since it left",
            source=MDADM,
        ),
    )


def _swap(ground: Ground) -> tuple[Command, ...]:
    found: list[Command] = []
    if ground.part:
        found.append(_copy_table(ground))
    new = ground.new + ground.part
    if ground.planned:
        found += [_add(ground, new), _replace(ground, new)]
        return tuple(found)
    if ground.old_here:
        found.append(
            Command(
                line=f"mdadm {ground.at} --fail {ground.old} --remove {ground.old}",
                does="Puts the lost member out of the array, so that its drive can be pulled.",
                no_way_back="the array stops using that drive; if it was a good one, margin is "
                "lost at once",
                source=MDADM,
            )
        )
    else:
        found.append(
            Command(
                line=f"mdadm {ground.at} --fail detached --remove detached",
                does="Clears members whose device is gone from the array's list.",
                no_way_back="touches only members that have no device any more",
                source=MDADM,
            )
        )
    found.append(_add(ground, new))
    return tuple(found)


def _add(ground: Ground, new: str) -> Command:
    does = (
        "Adds the new drive as a spare."
        if ground.planned
        else "Gives the array the new drive; the rebuild begins at once."
    )
    return Command(
        line=f"mdadm {ground.at} --add {new}",
        does=does,
        no_way_back="overwrites the new drive: check its serial number first",
        source=MDADM,
    )


def _replace(ground: Ground, new: str) -> Command:
    return Command(
        line=f"mdadm {ground.at} --replace {ground.old} --with {new}",
        does="Fills the new drive while the old one stays in service: the margin is kept. At the "
        "end the old one is marked faulty.",
        no_way_back="overwrites the new drive",
        source=MDADM,
    )


def _copy_table(ground: Ground) -> Command:
    good = ground.good or "/dev/disk/by-id/WORKING-MEMBER"
    return Command(
        line=f"sfdisk -d {good} | grep -v ^label-id | sed 's/, *uuid=[^,]*//' | sfdisk "
        f"{ground.new}",
        does="Copies the partition table of a working member to the new drive, with new ids.",
        no_way_back="replaces the partition table of the new drive: the drive on the left is "
        "read, the one on the right is overwritten",
        source="from memory (sfdisk of util-linux)",
    )


def _rebuild(ground: Ground) -> tuple[Command, ...]:
    found = [
        Command(line="cat /proc/mdstat", does="Shows how far the rebuild is.", source=KERNEL),
    ]
    held = ground.rebuild_is_held or Remark.FROZEN in ground.remarks
    if held and Remark.CANNOT_FINISH not in ground.remarks:
        found.append(
            Command(
                line=f"mdadm --action=idle {ground.at}",
                does="Lets a held rebuild go on: from idle the kernel starts it by itself.",
                no_way_back="ends whatever held it; find out first who did and why",
                source=MDADM,
            )
        )
    return tuple(found)


def _verify(ground: Ground) -> tuple[Command, ...]:
    array = ground.node.rsplit("/", 1)[-1]
    read = Command(
        line=f"cat /sys/block/{array}/md/mismatch_cnt",
        does="After the check: how many sectors did not match. 0 is what you want.",
        source=KERNEL,
    )
    if ground.checking:
        return (
            Command(line="cat /proc/mdstat", does="Shows how far the check is.", source=KERNEL),
            read,
        )
    return (
        Command(
            line=f"mdadm --action=check {ground.at}",
            does="Reads all members and compares them. It writes only where a sector cannot be "
            "read, and then puts back what belongs there.",
            no_way_back="nothing but time: the pool is slower until it ends (--action=idle "
            "stops it)",
            source=MDADM,
        ),
        read,
    )
