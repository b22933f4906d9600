"""Commands for ZFS.

zpool is not installed where this was written: those that our own recorded runs used (zfs 2.3.2)
are marked as such, the others are from memory.
"""

from __future__ import annotations

import re
from typing import Final

from watcher.facts.pool import Remark
from watcher.recovery.ground import Command, Ground
from watcher.recovery.record import Step

RUN: Final = "used in our own runs with zfs 2.3.2"
MEMORY: Final = "from memory (zpool of OpenZFS 2.x)"


def commands(ground: Ground) -> tuple[Command, ...]:
    """Give the commands of the step."""
    by_step = {
        Step.MAKE_SURE: _make_sure,
        Step.SWAP: _swap,
        Step.REBUILD: _rebuild,
        Step.VERIFY: _verify,
    }
    if ground.broken:
        return (_status(ground),)
    make = by_step.get(ground.step)
    own = make(ground) if make is not None else ()
    return (*own, *(_take_back(ground) if ground.old_is_back else ()))


_FIRST_PART: Final = re.compile(
    r"(?P<disk>(?:sd|vd|hd|xvd)[a-z]+)1|(?P<flash>(?:nvme\d+n|mmcblk)\d+)p1|(?P<id>.+)-part1"
)
"""The partition that ZFS makes on a disk that it was given whole. Its commands take such a member
without it, as ``zpool status`` shows it without ``-P`` (our own runs with zfs 2.3.2)."""


def _member(ground: Ground) -> str:
    """Name the member that is lost as the commands of ZFS take it."""
    found = _FIRST_PART.fullmatch(ground.old_name)
    return next(filter(None, found.groups())) if found else ground.old_name


def _naming(ground: Ground) -> str:
    """Say where its name is to be looked up, where it may be another one."""
    if _member(ground) == ground.old_name:
        return ""
    return f" Should it know no such member: zpool status {ground.at} shows the name to use."


def _status(ground: Ground) -> Command:
    return Command(
        line=f"zpool status -P -v {ground.at}",
        does="Shows the pool, its members with their paths, errors and damaged files.",
        source=RUN,
    )


def _make_sure(ground: Ground) -> tuple[Command, ...]:
    return (_status(ground),)


def _take_back(ground: Ground) -> tuple[Command, ...]:
    return (
        Command(
            line=f"zpool online {ground.at} {_member(ground)}",
            does="Takes the old member back, if its signs are clean; only what changed meanwhile "
            f"is copied.{_naming(ground)}",
            no_way_back="writes to that drive",
            source=RUN,
        ),
    )


def _swap(ground: Ground) -> tuple[Command, ...]:
    found = []
    if ground.old_here and not ground.planned:
        found.append(
            Command(
                line=f"zpool offline {ground.at} {_member(ground)}",
                does=f"Puts the old member out, so that its drive can be pulled.{_naming(ground)}",
                no_way_back="lowers the margin if that member still worked; zpool online takes "
                "it back",
                source=RUN,
            )
        )
    kept = " The old one stays in service until it is filled." if ground.planned else ""
    found.append(
        Command(
            line=f"zpool replace {ground.at} {_member(ground)} {ground.new}",
            does=f"Fills the new drive in the place of the old one.{kept}{_naming(ground)}",
            no_way_back="overwrites the new drive: check its serial number first",
            source=RUN,
        )
    )
    return tuple(found)


def _rebuild(ground: Ground) -> tuple[Command, ...]:
    found = [_status(ground)]
    if Remark.SPARE_IN_USE in ground.remarks:
        found.append(
            Command(
                line=f"zpool replace {ground.at} {_member(ground)} {ground.new}",
                does="Fills a new drive in the place of the lost one; the hot spare goes back to "
                f"waiting when that is done.{_naming(ground)}",
                no_way_back="overwrites the new drive: check its serial number first",
                source=MEMORY,
            )
        )
    return tuple(found)


def _verify(ground: Ground) -> tuple[Command, ...]:
    if ground.checking:
        return (_status(ground),)
    found = []
    if Remark.MEMBER_ERRS in ground.remarks:
        found.append(
            Command(
                line=f"zpool clear {ground.at}",
                does="Sets the error counts to 0, so that the scrub shows new ones only.",
                no_way_back="the old counts are gone from the pool; our history keeps them",
                source=RUN,
            )
        )
    found += [
        Command(
            line=f"zpool scrub {ground.at}",
            does="Reads everything, compares it with its checksums, and mends what it can.",
            no_way_back="nothing but time: the pool is slower until it ends (zpool scrub -s "
            "stops it)",
            source=RUN,
        ),
        _status(ground),
    ]
    return tuple(found)
