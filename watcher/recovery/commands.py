"""The commands of each step, for this system and this drive: shown, never run by us.

Every command says what it will do and what it cannot undo, names drives by their lasting path,
and says what its words were checked against.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from watcher.facts.pool import PoolKind
from watcher.recovery import stack_btrfs, stack_lvm, stack_md, stack_parity, stack_zfs
from watcher.recovery.ground import Command, Ground
from watcher.recovery.record import Step

_STACKS: Final[Mapping[PoolKind, Callable[[Ground], tuple[Command, ...]]]] = MappingProxyType(
    {
        PoolKind.MD: stack_md.commands,
        PoolKind.ZFS: stack_zfs.commands,
        PoolKind.BTRFS: stack_btrfs.commands,
        PoolKind.LVM: stack_lvm.commands,
        PoolKind.FILE_PARITY: stack_parity.commands,
    }
)

_PART: Final = re.compile(r"-part\d+$")  # 60-persistent-storage.rules of systemd
SMARTCTL: Final = "smartctl(8) of smartmontools 7.3"


def commands_for(ground: Ground) -> tuple[Command, ...]:
    """Give the commands that help at the step where the recovery is, in order of use.

    Beyond the margin only commands that read are given. A declared pool has none of its own: what
    runs it is not known here.
    """
    if ground.put_back_first:  # no command of the swap while a good drive is out
        ground = replace(ground, step=Step.GET_DRIVE)
    of_stack = _STACKS.get(ground.kind)
    found = [*_of_drive(ground), *(of_stack(ground) if of_stack is not None else ())]
    if ground.broken:
        found = [command for command in found if not command.writes]
    return tuple(found)


def _of_drive(ground: Ground) -> tuple[Command, ...]:
    """Give the commands about drives that are the same for every stack."""
    if ground.step is Step.MAKE_SURE and ground.old_here:
        disk = _PART.sub("", ground.old)
        return (
            Command(
                line=f"smartctl -x {disk}",
                does="Shows what the drive says of itself; compare the serial number.",
                source=SMARTCTL,
            ),
        )
    if ground.step is Step.PROVE:
        return (
            Command(
                line=f"smartctl -t long {ground.new}",
                does="Starts the drive's own extended self-test: it reads all of the drive, for "
                "hours, and changes nothing on it (smartctl -X stops it).",
                source=SMARTCTL,
            ),
            Command(
                line=f"smartctl -l selftest {ground.new}",
                does="Shows how the test went.",
                source=SMARTCTL,
            ),
        )
    return ()
