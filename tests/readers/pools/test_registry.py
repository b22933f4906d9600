"""All kinds of pools at once."""

from __future__ import annotations

import json

from tests.readers.pools.boxes import NOW, HandBlocks, four, line, mdstat, sysfs
from tests.readers.pools.test_lvm import answers, images
from watcher.facts.drive import Unread
from watcher.facts.pool import Protection
from watcher.readers.block_map import BlockMap
from watcher.readers.blocks import parse
from watcher.readers.pools import lvm, md
from watcher.readers.pools.registry import carriers_of, read_pools
from watcher.readers.recorded import RecordedHost

NO_MOUNTS = {"/proc/self/mounts": ""}
ARRAY = mdstat(line("sdd[4] sdc[2] sdb[1] sda[0]", "UUUU"))


def disks(**filesystems: str) -> BlockMap:
    rows = [
        {"name": name, "kname": name, "type": "disk", "fstype": kind, "serial": f"S-{name}"}
        for name, kind in filesystems.items()
    ]
    return parse(json.dumps({"blockdevices": rows}))


def test_a_box_without_pools_answers_for_every_kind() -> None:
    found = read_pools(RecordedHost(files=NO_MOUNTS), disks(sda="ext4"), observed_at=NOW)
    assert found.pools == ()
    assert found.blind == ()
    assert set(found.answered) >= {"md", "lvm", "zfs", "btrfs"}


def test_carriers_are_found_by_their_signature() -> None:
    blocks = disks(sda="linux_raid_member", sdb="LVM2_member", sdc="ext4")
    assert carriers_of(md.SOURCE, blocks) == ("sda",)
    assert carriers_of(lvm.SOURCE, blocks) == ("sdb",)
    assert carriers_of(md.SOURCE, HandBlocks()) is None


def test_a_signature_without_its_tool_is_a_blind_spot_of_that_kind_only() -> None:
    blocks = disks(sda="linux_raid_member", sdb="LVM2_member")
    found = read_pools(RecordedHost(files=NO_MOUNTS), blocks, observed_at=NOW)
    assert {spot.source: spot.why for spot in found.blind} == {
        "md": Unread.VANISHED,
        "lvm": Unread.TOOL_MISSING,
    }
    assert set(found.answered) >= {"zfs", "btrfs"}


def test_trouble_with_one_kind_hides_no_other() -> None:
    rows, status = images("raid1", 2)
    pair = [
        {"pv_name": f"/dev/{name}", "vg_name": "vg", "pv_uuid": name, "pv_missing": ""}
        for name in ("sda", "sdb")
    ]
    programs = answers(rows, status=status, devices=json.dumps({"report": [{"pv": pair}]}))
    host = RecordedHost(files={"/proc/mdstat": "garbled", **NO_MOUNTS}, programs=programs)
    found = read_pools(host, disks(sda="LVM2_member", sdb="LVM2_member"), observed_at=NOW)
    assert [pool.name for pool in found.pools] == ["vg/v"]
    assert [spot.source for spot in found.blind] == ["md"]


def test_pools_of_two_kinds_on_the_same_drives_name_the_same_drives() -> None:
    """LVM over the partitions of drives that also carry an array: one loss hits both pools."""
    rows, status = images("raid1", 2)
    host = RecordedHost(
        files={"/proc/mdstat": ARRAY, **sysfs(four()), **NO_MOUNTS},
        programs=answers(rows, status=status),
    )
    blocks = disks(
        sda="linux_raid_member", sdb="LVM2_member", sdc="linux_raid_member", sdd="LVM2_member"
    )
    array, volume = read_pools(host, blocks, observed_at=NOW).pools
    assert volume.drives < array.drives
    assert array.protection is volume.protection is Protection.WHOLE


def test_the_last_look_is_handed_to_the_readers() -> None:
    host = RecordedHost(files={"/proc/mdstat": ARRAY, **sysfs(four()), **NO_MOUNTS})
    whole = disks(**dict.fromkeys(("sda", "sdb", "sdc", "sdd"), "linux_raid_member"))
    first = read_pools(host, whole, observed_at=NOW)
    lost = disks(**dict.fromkeys(("sda", "sdc", "sdd"), "linux_raid_member"))
    second = read_pools(host, lost, observed_at=NOW, previous=first.pools)
    assert second.pools[0].protection is Protection.BARE
    assert second.pools[0].members[1].drives == first.pools[0].members[1].drives != ()
