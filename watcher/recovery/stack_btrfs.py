"""Commands for btrfs.

Checked against btrfs-replace(8), btrfs-balance(8), btrfs-scrub(8) and btrfs-device(8) of
btrfs-progs 6.2.
"""

from __future__ import annotations

import re
from typing import Final

from watcher.facts.pool import Remark
from watcher.recovery.ground import Command, Ground
from watcher.recovery.record import Step

PROGS: Final = "btrfs-progs 6.2"
_PROFILE: Final = re.compile(r"(?:raid\w+|dup|single)")


def commands(ground: Ground) -> tuple[Command, ...]:
    """Give the commands of the step."""
    by_step = {
        Step.MAKE_SURE: _make_sure,
        Step.SWAP: _swap,
        Step.REBUILD: _rebuild,
        Step.VERIFY: _verify,
    }
    if ground.broken:
        return (_show(ground), _dry_look(ground))
    make = by_step.get(ground.step)
    return make(ground) if make is not None else ()


def _show(ground: Ground) -> Command:
    return Command(
        line=f"btrfs filesystem show {ground.at}",
        does="Shows the devices by devid, and which are missing.",
        source=PROGS,
    )


def _dry_look(ground: Ground) -> Command:
    return Command(
        line=f"btrfs inspect-internal dump-super {ground.good_member or ground.old}",
        does="Shows the head of the filesystem on one member. It only reads.",
        source=PROGS,
    )


def _make_sure(ground: Ground) -> tuple[Command, ...]:
    return (
        _show(ground),
        Command(
            line=f"btrfs device stats {ground.at}",
            does="Shows the errors that were counted on each device.",
            source=PROGS,
        ),
    )


def _swap(ground: Ground) -> tuple[Command, ...]:
    devid = ground.old_name.removeprefix("devid ")
    devid = devid if devid.isdigit() else "DEVID"
    found = []
    if not ground.node.startswith("/") or ground.node == "/MOUNT-POINT":
        found.append(
            Command(
                line=f"mount -o degraded {ground.good_member or '/dev/disk/by-id/WORKING-MEMBER'} "
                "/MOUNT-POINT",
                does="Mounts the filesystem with a member missing.",
                no_way_back="what is written while degraded may have one copy only, until a "
                "convert balance",
                source=f"{PROGS} (btrfs(5))",
            )
        )
    kept = (
        "copies from the old one, which stays in service"
        if ground.planned
        else "builds its content from the other copies"
    )
    careful = " -r" if ground.old_here and not ground.planned else ""
    found += [
        Command(
            line=f"btrfs replace start{careful} {devid} {ground.new} {ground.at}",
            does=f"Fills the new drive in the place of devid {devid}; it {kept}."
            + (" With -r it reads the old drive only where nothing else has the data."
               if careful else ""),
            no_way_back="overwrites the new drive: check its serial number first",
            source=PROGS,
        ),
        Command(
            line=f"btrfs replace status -1 {ground.at}",
            does="Shows how far it is.",
            source=PROGS,
        ),
    ]  # fmt: skip
    return tuple(found)


def profiles_of(layout: str) -> tuple[str, str]:
    """Give the profiles of data and metadata from a layout: ``raid5, metadata raid1c3``."""
    data, _, rest = layout.partition(",")
    meta = rest.replace("metadata", "").strip() or data
    data = data.strip()
    known = [p if _PROFILE.fullmatch(p) else "PROFILE" for p in (data, meta)]
    return known[0], known[1]


def _rebuild(ground: Ground) -> tuple[Command, ...]:
    found = [
        Command(
            line=f"btrfs replace status -1 {ground.at}",
            does="Shows how far the replacement is.",
            source=PROGS,
        )
    ]
    if Remark.MIXED_PROFILES in ground.remarks:
        data, meta = profiles_of(ground.layout)
        found.append(
            Command(
                line=f"btrfs balance start -dconvert={data},soft -mconvert={meta},soft {ground.at}",
                does="Gives the data that was written while degraded its copies back; without it "
                "the margin is not full. Only when the replacement is through.",
                no_way_back="rewrites those parts; btrfs balance cancel stops it between two "
                "chunks",
                source=PROGS,
            )
        )
        found.append(
            Command(
                line=f"btrfs filesystem df {ground.at}",
                does="Shows the profiles: each kind must stand there once only.",
                source=PROGS,
            )
        )
    return tuple(found)


def _verify(ground: Ground) -> tuple[Command, ...]:
    status = Command(
        line=f"btrfs scrub status {ground.at}",
        does="Shows how far the scrub is and what it found.",
        source=PROGS,
    )
    if ground.checking:
        return (status,)
    return (
        Command(
            line=f"btrfs scrub start {ground.at}",
            does="Reads everything, compares it with its checksums, and mends what it can.",
            no_way_back="nothing but time: the pool is slower until it ends (btrfs scrub cancel "
            "stops it)",
            source=PROGS,
        ),
        status,
    )
