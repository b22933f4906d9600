"""Device paths as udev names them, and what the commands of a moment are written for."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.lab.captured import survey_of
from tests.lab.step_host import kept_step
from tests.recovery.world import Followed, World, identity
from watcher.facts.drive import Protocol
from watcher.facts.identity import DriveId
from watcher.facts.pool import MemberState, Noted, PoolKind, Remark, Work, WorkKind, WorkState
from watcher.recovery.ground import NEW_DRIVE, by_id, ground_of, partition_of
from watcher.recovery.record import Step


@pytest.mark.parametrize(
    ("drive", "protocol", "path"),
    [
        ("wwn-5000c500a0000000", Protocol.ATA, "wwn-0x5000c500a0000000"),
        ("wwn-5000c500a0000000", Protocol.SCSI, "wwn-0x5000c500a0000000"),
        ("wwn-0025385b71b12345", Protocol.NVME, "nvme-eui.0025385b71b12345"),
        ("Altair_A8_X1", Protocol.ATA, "ata-Altair_A8_X1"),
        ("Altair_A8_X1", Protocol.NVME, "nvme-Altair_A8_X1"),
    ],
)
def test_a_drive_is_named_as_udev_names_it(drive: str, protocol: Protocol, path: str) -> None:
    who = replace(identity("X1"), drive=DriveId(drive), protocol=protocol, serial="X1")
    assert by_id(who) == f"/dev/disk/by-id/{path}"


@pytest.mark.parametrize(
    ("node", "part"),
    [
        ("/dev/sda1", "-part1"), ("sdb12", "-part12"), ("/dev/nvme0n1p3", "-part3"),
        ("/dev/mmcblk0p2", "-part2"), ("/dev/loop7p1", "-part1"), ("/dev/sda", ""),
        ("/dev/nvme0n1", ""), ("/dev/loop7", ""), ("/dev/dm-3", ""), (None, ""), ("slot 1", ""),
    ],
)  # fmt: skip
def test_a_partition_is_told_from_a_whole_drive(node: str | None, part: str) -> None:
    assert partition_of(node) == part


def lost(kind: PoolKind = PoolKind.MD) -> Followed:
    made = Followed(World.of("a", "b", "c", bears=1, kind=kind))
    made.look()
    made.world.now += timedelta(minutes=10)
    made.world.set("b", MemberState.FAILED)
    made.look()
    return made


def test_the_new_drive_is_a_stand_in_until_it_is_here() -> None:
    made = lost()
    assert made.recovery is not None
    ground = ground_of(made.recovery, made.world.seen())
    assert ground.new == NEW_DRIVE
    assert ground.old == "/dev/disk/by-id/ata-Altair_A8_D-B"
    assert ground.good == "/dev/disk/by-id/ata-Altair_A8_D-A"
    assert ground.old_here


def test_zfs_and_lvm_are_reached_by_their_names() -> None:
    for kind in (PoolKind.ZFS, PoolKind.LVM):
        made = lost(kind)
        assert made.recovery is not None
        assert ground_of(made.recovery, made.world.seen()).node == "orchard"


def test_what_the_pool_says_is_known_to_the_commands() -> None:
    made = lost()
    made.world.notes = [Noted(remark=Remark.FROZEN, text="held")]
    made.world.work = Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED)
    assert made.recovery is not None
    ground = ground_of(made.recovery, made.world.seen())
    assert ground.rebuild_is_held
    assert Remark.FROZEN in ground.remarks
    made.world.sight = "unlisted"
    assert ground_of(made.recovery, made.world.seen()).remarks == frozenset()


def test_a_drive_that_was_pulled_by_hand_is_the_one_to_take_back() -> None:
    made = Followed(World.of("a", "b", "c", "d", bears=2))
    world = made.world
    made.look()
    for change in ("b", "c"):
        world.now += timedelta(minutes=10)
        world.set(change, MemberState.FAILED)
        if change == "c":
            world.announced, world.away = {"d-b"}, {"d-c"}
        made.look()
    recovery = made.recovery
    assert recovery is not None
    ground = ground_of(recovery, world.seen())
    assert ground.put_back_first
    assert ground.old.endswith("D-C")
    assert not ground.old_is_back
    world.away = set()
    assert ground_of(recovery, world.seen()).old_is_back
    assert recovery.step in {Step.MAKE_SURE, Step.GET_DRIVE}


def test_the_paths_are_those_that_udev_made_in_our_own_runs() -> None:
    """Against the recorded /dev/disk of a guest (systemd 252): each drive of the pool."""
    texts = kept_step("btrfs", "01-healthy")
    made = set(re.findall(r"(\S+) -> \.\./\.\./sd\w+$", texts["dev-disk.txt"], re.MULTILINE))
    drives = {d for p in survey_of(texts).pools for d in p.drives}
    assert drives
    for drive in drives:
        who = replace(identity("x"), drive=drive, protocol=Protocol.SCSI)
        assert by_id(who).removeprefix("/dev/disk/by-id/") in made
