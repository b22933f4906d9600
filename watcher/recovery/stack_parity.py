"""Commands for parity on the level of files.

The program is not installed where this was written: those that our own recorded runs used are
marked as such, the others were checked against snapraid(1) 12.2.
"""

from __future__ import annotations

from typing import Final

from watcher.facts.pool import Remark, Role
from watcher.recovery.ground import Command, Ground
from watcher.recovery.record import Step

RUN: Final = "used in our own runs with the snapraid of Debian 12"
MANUAL: Final = "snapraid(1) 12.2"


def commands(ground: Ground) -> tuple[Command, ...]:
    """Give the commands of the step."""
    by_step = {
        Step.MAKE_SURE: _make_sure,
        Step.SWAP: _swap,
        Step.REBUILD: _rebuild,
        Step.VERIFY: _verify,
    }
    if ground.broken:
        return (_status(),)
    make = by_step.get(ground.step)
    return make(ground) if make is not None else ()


def _status() -> Command:
    return Command(
        line="snapraid status",
        does="Shows what the parity knows. It does not notice a missing disk by itself.",
        source=RUN,
    )


def _make_sure(ground: Ground) -> tuple[Command, ...]:
    del ground
    return (
        Command(
            line="snapraid diff",
            does="Shows what changed since the last sync: a missing disk shows as all of its "
            "files removed. Do not sync now.",
            source=RUN,
        ),
    )


def _swap(ground: Ground) -> tuple[Command, ...]:
    what = "parity disk" if ground.role is Role.PARITY else f"disk {ground.old_name}"
    if ground.planned:
        return _copy_over(ground, what)
    return (
        Command(
            line=f"mkfs.ext4 {ground.new}",
            does=f"Makes a filesystem on the new drive. Then mount it where the lost {what} was "
            "mounted, and name it in /etc/fstab by its UUID.",
            no_way_back="erases the new drive: check its serial number first",
            source=f"{RUN} (mkfs.ext4 of e2fsprogs)",
        ),
        *_fill(ground),
    )


def _copy_over(ground: Ground, what: str) -> tuple[Command, ...]:
    """Copy a disk that still works: parity would bring back the state of the last sync only."""
    return (
        Command(
            line=f"mkfs.ext4 {ground.new}",
            does=f"Makes a filesystem on the new drive. Then mount it beside the {what}, at a "
            "place of its own.",
            no_way_back="erases the new drive: check its serial number first",
            source=f"{RUN} (mkfs.ext4 of e2fsprogs)",
        ),
        Command(
            line="cp -a /OLD-DISK/. /NEW-DISK/",
            does=f"Copies all of the {what} while it works, also what changed since the last "
            "sync; nothing may write to it meanwhile. Then mount the new drive in its place, and "
            "name it in /etc/fstab by its UUID.",
            no_way_back="writes to the second of the two: compare which path is which",
            source="cp(1) of coreutils 9.1",
        ),
    )


def _fill(ground: Ground) -> tuple[Command, ...]:
    name = ground.old_name or "NAME"
    if ground.role is Role.PARITY:
        return (
            Command(
                line=f"snapraid -d {name} -l fix.log fix",
                does="Computes the parity anew onto the new disk.",
                no_way_back="writes the parity file on the new disk",
                source=f"{MANUAL}, Recovering",
            ),
        )
    return (
        Command(
            line=f"snapraid fix -d {name} -l fix.log",
            does=f"Brings the files of {name} back from parity, as they were at the last sync.",
            no_way_back=f"writes to the new disk {name}; what changed since the last sync is not "
            "in it",
            source=RUN,
        ),
    )


def _rebuild(ground: Ground) -> tuple[Command, ...]:
    return (*_fill(ground), _check(ground))


def _check(ground: Ground) -> Command:
    if ground.role is Role.PARITY:  # with -a no parity is read
        return Command(
            line=f"snapraid check -d {ground.old_name or 'NAME'}",
            does="Reads all data and compares it with that parity. It only reads.",
            source=f"{MANUAL}, --filter-disk and --audit-only",
        )
    return Command(
        line=f"snapraid check -d {ground.old_name or 'NAME'} -a",
        does="Compares all files of that disk with their checksums. It only reads.",
        source=RUN,
    )


def _verify(ground: Ground) -> tuple[Command, ...]:
    found = [_check(ground)]
    if Remark.UNSYNCED in ground.remarks:
        found.append(
            Command(
                line="snapraid sync",
                does="Brings parity up to date. Only when the lost files are back and checked.",
                no_way_back="parity forgets what it knew before: files that are missing now "
                "cannot be brought back after it",
                source=RUN,
            )
        )
    found.append(
        Command(
            line="snapraid scrub -p full",
            does="Reads all data and parity and compares them.",
            no_way_back="nothing but time",
            source=RUN,
        )
    )
    return tuple(found)
