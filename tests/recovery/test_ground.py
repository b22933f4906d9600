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
from watcher.facts.pool import MemberState, Noted, PoolKind, Remark, Role, Work, WorkKind, WorkState
from watcher.recovery.ground import NEW_DRIVE, OLD_DRIVE, by_id, ground_of, partition_of
from watcher.recovery.record import Step
from watcher.recovery.seen import Seen


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
    assert ground.good == ground.good_member == "/dev/disk/by-id/ata-Altair_A8_D-A"
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


def with_parts(seen: Seen, *parts: str, loop: bool = False) -> Seen:
    """Give each member a node that ends like this; on a loop device, where asked."""
    assert seen.pool is not None
    members = tuple(
        replace(
            m,
            node=f"/dev/loop{n}" if loop else f"/dev/sd{'abc'[n]}{part}",
            drives=(DriveId(f"loop_{n}"),) if loop else m.drives,
        )
        for n, (m, part) in enumerate(zip(seen.members, parts, strict=True))
    )
    return replace(seen, pool=replace(seen.pool, tree=replace(seen.pool.tree, parts=members)))


@pytest.mark.parametrize(
    ("parts", "part", "old"),
    [
        (("1", "1", "1"), "-part1", "/dev/disk/by-id/ata-Altair_A8_D-B-part1"),
        (("", "", ""), "", "/dev/disk/by-id/ata-Altair_A8_D-B"),
        (("3", "1", "2"), "", "/dev/disk/by-id/ata-Altair_A8_D-B-part1"),
    ],
)
def test_a_member_is_the_partition_that_it_is_and_the_new_drive_a_whole_one(
    parts: tuple[str, ...], part: str, old: str
) -> None:
    made = lost()
    assert made.recovery is not None
    ground = ground_of(made.recovery, with_parts(made.world.seen(), *parts))
    assert (ground.part, ground.old) == (part, old)
    assert ground.good == "/dev/disk/by-id/ata-Altair_A8_D-A", "to copy a partition table from"
    assert ground.good_member == ground.good + (f"-part{parts[0]}" if parts[0] else "")


def test_what_the_stack_calls_the_lost_member_now_comes_before_what_it_was_called() -> None:
    made = lost()
    assert made.recovery is not None
    seen = made.world.seen()
    assert ground_of(made.recovery, seen).old_name == "b"
    assert seen.pool is not None
    renamed = tuple(
        replace(m, name="5952609542268402741") if m.name == "b" else m for m in seen.members
    )
    there = replace(seen, pool=replace(seen.pool, tree=replace(seen.pool.tree, parts=renamed)))
    assert ground_of(made.recovery, there).old_name == "5952609542268402741"
    made.world.sight = "unlisted"
    unlisted = ground_of(made.recovery, made.world.seen())
    assert (unlisted.old_name, unlisted.node, unlisted.layout) == ("b", "/dev/ARRAY", "")
    assert unlisted.good == ""


def test_a_drive_that_is_away_is_named_by_what_lasts_or_by_a_stand_in_and_never_by_another() -> (
    None
):
    made = lost()
    assert made.recovery is not None
    seen = made.world.seen()
    nameless = replace(seen, identities={})
    assert ground_of(made.recovery, nameless).old == OLD_DRIVE
    made.world.away = {"d-b"}
    gone = ground_of(made.recovery, made.world.seen())
    assert (gone.old_here, gone.old_name) == (False, "b")
    by_wwn = replace(
        made.recovery,
        lost=tuple(replace(m, drive=DriveId("wwn-5000a1400000005e")) for m in made.recovery.lost),
    )
    assert ground_of(by_wwn, nameless).old == "/dev/disk/by-id/wwn-0x5000a1400000005e"


def test_a_loop_device_is_named_by_its_node_and_by_a_stand_in_where_it_has_none() -> None:
    made = lost()
    assert made.recovery is not None
    on_loops = replace(
        made.recovery,
        lost=tuple(replace(m, drive=DriveId("loop_1")) for m in made.recovery.lost),
    )
    seen = with_parts(made.world.seen(), "", "", "", loop=True)
    people = {DriveId(f"loop_{n}"): identity(f"loop_{n}") for n in range(3)}
    ground = ground_of(on_loops, replace(seen, identities=people))
    assert (ground.old, ground.good) == ("/dev/loop1", "/dev/loop0")
    made.world.sight = "unlisted"
    unlisted = replace(made.world.seen(), identities=people)
    assert ground_of(on_loops, unlisted).old == OLD_DRIVE


def test_role_scrub_and_planned_work_are_known_to_the_commands() -> None:
    world = World.of("a", "b", bears=1)
    world.add_member("p", Role.PARITY)
    made = Followed(world)
    made.look()
    world.announced = {"d-p"}
    made.look()
    assert made.recovery is not None
    ground = ground_of(made.recovery, world.seen())
    assert (ground.role, ground.planned, ground.checking) == (Role.PARITY, True, False)
    for kind in (WorkKind.SCRUB, WorkKind.REPAIR):
        world.work = Work(kind=kind)
        assert ground_of(made.recovery, world.seen()).checking
    world.work = Work(kind=WorkKind.REBUILD)
    running = ground_of(made.recovery, world.seen())
    assert (running.checking, running.rebuild_is_held) == (False, False)
    world.now += timedelta(minutes=10)
    world.set("p", MemberState.FAILED)
    made.look()
    short = ground_of(made.recovery, world.seen())
    assert not short.planned, "its old member works no more"
