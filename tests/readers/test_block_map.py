"""Which drives lie below any node."""

from __future__ import annotations

import json
from typing import Any

from tests.readers.drive_samples import NOW, recorded
from watcher.facts.drive import Protocol
from watcher.readers.block_map import BlockMap, loop_id
from watcher.readers.blocks import parse
from watcher.readers.smartctl import parse as parse_smartctl


def node(name: str, kind: str = "disk", **more: Any) -> dict[str, Any]:
    return {"name": name, "type": kind, **more}


def blocks_of(*nodes: dict[str, Any]) -> BlockMap:
    return parse(json.dumps({"blockdevices": list(nodes)}))


def test_recorded_arrays_are_traced_to_their_drives() -> None:
    md = parse(recorded("lsblk-md.json"))
    assert md.drives_below("md1") == ("wwn-5000c500b0000000", "wwn-5000c500b0000001")
    assert md.drives_below("/dev/md10") == (
        "QEMU_NVMe_Ctrl_QLNVME0000",
        "QEMU_NVMe_Ctrl_QLNVME0001",
    )
    assert len(md.drives_below("md6")) == 5
    assert md.mounted_on("sda") == ("/m1",)
    lvm = parse(recorded("lsblk-lvm.json"))
    assert lvm.drives_below("vg0-mir") == ("wwn-5000c500b0000000", "wwn-5000c500b0000001")
    assert lvm.drives_below("/dev/mapper/vg0-five") == lvm.drives_below("dm-13")
    assert len(lvm.drives_below("dm-13")) == 4
    zfs = parse(recorded("lsblk-zfs.json"))
    assert zfs.drives_below("/dev/sda1") == ("wwn-5000c500b0000000",)


def test_namespaces_of_one_drive_are_one_drive() -> None:
    own = {"type": "disk", "model": "Brisling", "serial": "B", "tran": "nvme"}
    two = blocks_of({"name": "nvme0n1", **own}, {"name": "nvme0n2", **own})
    assert two.drive_of_disk("nvme0n1") == two.drive_of_disk("nvme0n2") == "Brisling_B"


def test_an_unknown_node_rests_on_nothing() -> None:
    blocks = parse(recorded("lsblk-boot.json"))
    assert blocks.drives_below("sdz9") == ()
    assert blocks.drive_of_disk("sdz") is None
    assert not blocks.exists("sdz")


def test_the_block_layer_and_smartctl_name_a_drive_alike() -> None:
    """Pools are traced by one, readings named by the other: both must give the same id."""
    blocks = parse(recorded("lsblk-boot.json"))
    for disk, answer in (
        ("sda", "scsi-no-smart.json"),
        ("sdb", "ata-healthy.json"),
        ("nvme0n1", "nvme-healthy.json"),
        ("nvme0n1", "nvme-healthy-namespace.json"),
    ):
        told = parse_smartctl(recorded(answer), node=f"/dev/{disk}", observed_at=NOW)
        told_id = told.drive if hasattr(told, "why") else told.identity.drive
        assert told_id == blocks.drive_of_disk(disk), disk
    blocks = parse(recorded("lsblk-scsi-debug.json"))
    told = parse_smartctl(recorded("scsi-warning-off.json"), node="/dev/sdi", observed_at=NOW)
    assert not hasattr(told, "why")
    assert told.identity.drive == blocks.drive_of_disk("sdi")


def test_a_virtual_disk_says_that_it_cannot_be_told_from_others() -> None:
    blocks = parse(recorded("lsblk-boot.json"))
    assert blocks.drive_of_disk("vda") == "unidentified_vda"


def test_namespaces_of_one_controller_are_one_drive() -> None:
    blocks = blocks_of(
        node("nvme0n1", model="Brisling N2", serial="N2-7", wwn="eui.0025385b71b00001"),
        node("nvme0n2", model="Brisling N2", serial="N2-7", wwn="eui.0025385b71b00002"),
        node("md0", "raid1", pkname="nvme0n1"),
        node("md0", "raid1", pkname="nvme0n2"),
    )
    assert blocks.drives_below("md0") == ("Brisling_N2_N2-7",)


def test_a_drive_on_two_paths_is_one_drive() -> None:
    shared = {"wwn": "0x5000c500b0000000", "model": "X", "serial": "S"}
    multipath = node("mpatha", "mpath", kname="dm-0", children=[])
    blocks = blocks_of(
        node("sda", **shared, children=[multipath]), node("sdb", **shared, children=[multipath])
    )
    assert blocks.drives_below("mpatha") == ("wwn-5000c500b0000000",)
    assert [disk.kname for disk in blocks.disks_of(blocks.drives_below("dm-0")[0])] == [
        "sda",
        "sdb",
    ]


def test_a_crypt_on_a_partition_on_an_array_is_traced_all_the_way() -> None:
    crypt = node("vault", "crypt", kname="dm-1")
    array = node("md0", "raid1", children=[node("md0p1", "part", children=[crypt])])
    blocks = blocks_of(
        node("sda", wwn="0x5000c500b0000001", children=[node("sda1", "part", children=[array])]),
        node("sdb", wwn="0x5000c500b0000002", children=[node("sdb1", "part", children=[array])]),
    )
    assert blocks.drives_below("/dev/mapper/vault") == (
        "wwn-5000c500b0000001",
        "wwn-5000c500b0000002",
    )
    assert {block.kname for block in blocks.above("sda1")} == {"md0", "md0p1", "dm-1"}


def test_what_rests_on_arrays_alone_is_told_from_what_also_rests_on_a_disk() -> None:
    """A volume in an encrypted device on an array loses nothing with a disk of that array."""
    both = node("vg-both", "lvm", kname="dm-2")
    torn = node("vg-torn", "lvm", kname="dm-3")
    crypt = node("vault", "crypt", kname="dm-1", children=[both, torn])
    first = node("md0", "raid1", children=[node("md0p1", "part", children=[crypt])])
    second = node("md127", "raid5", children=[both])
    blocks = blocks_of(
        node("sda", children=[first]),
        node("sdb", children=[first]),
        node("sdc", children=[second]),
        node("sdd", children=[torn]),
    )
    assert blocks.arrays_below("/dev/mapper/vault") == ("/dev/md0",)
    assert blocks.arrays_below("md0p1") == blocks.arrays_below("md0") == ("/dev/md0",)
    assert blocks.arrays_below("dm-2") == ("/dev/md0", "/dev/md127")
    for name in ("dm-3", "sda", "nowhere"):
        assert blocks.arrays_below(name) == ()


def test_what_is_no_drive_is_none() -> None:
    names = ["zram0", "ram0", "fd0", "md0", "dm-0", "zd16", "bcache0", "drbd1", "nullb0"]
    blocks = blocks_of(*(node(name) for name in names), node("sr0", "rom"), node("loop1", "loop"))
    assert blocks.disks() == ()
    assert all(blocks.drives_below(name) == () for name in [*names, "sr0", "loop1"])


def test_a_disk_that_the_kernel_gave_up_is_there_and_of_no_use() -> None:
    """drivers/scsi, scsi_device_state_name; drivers/nvme, nvme_sysfs_show_state (from memory)."""
    array = node("md0", "raid1")
    vault = node("vault", "crypt", kname="dm-1")
    paths = node("many", "mpath", kname="dm-2")
    blocks = blocks_of(
        node("sdaab", state="offline", children=[node("sdaab1", "part", children=[vault])]),
        node("sdb", state="running", children=[node("sdb1", "part", children=[array])]),
        node("sdc", state="transport-offline", children=[array, paths]),
        node("sdd", state="running", children=[paths]),
        node("nvme0n1", state="dead"),
    )
    given_up = ["sdaab", "/dev/sdaab1", "/dev/mapper/vault", "sdc", "nvme0n1"]
    assert all(blocks.is_given_up(name) and blocks.exists(name) for name in given_up)
    standing = ["sdb", "sdb1", "md0", "dm-2", "sdd", "unheard-of"]
    assert not any(blocks.is_given_up(name) for name in standing), "one of two is enough"


def test_a_drive_that_is_written_by_zones_is_a_drive() -> None:
    blocks = blocks_of(node("sda", "zbc", wwn="0x5000c500b0000001"), node("sg3", "enclosure"))
    assert [block.kname for block in blocks.disks()] == ["sda"]
    assert blocks.drives_below("sda") == ("wwn-5000c500b0000001",)


def test_a_known_transport_tells_the_command_set() -> None:
    blocks = parse(recorded("lsblk-boot.json"))
    told = {name: blocks.identity_of(name) for name in ("sdb", "nvme0n1", "vda")}
    assert {name: one and one.protocol for name, one in told.items()} == {
        "sdb": Protocol.ATA,
        "nvme0n1": Protocol.NVME,
        "vda": Protocol.UNKNOWN,
    }


def test_ids_that_the_drives_put_right_are_used_for_pools_too() -> None:
    blocks = blocks_of(node("sda", model="Dock", serial="D1", children=[node("sda1", "part")]))
    assert blocks.drives_below("sda1") == ("Dock_D1",)
    learned = {blocks.drives_below("sda1")[0]: loop_id("/x")}
    assert blocks.with_aliases(learned).drives_below("sda1") == ("loop_x",)


def test_a_deleted_file_behind_a_loop_device_keeps_its_id() -> None:
    assert loop_id("/a/b.img (deleted)") == loop_id("/a/b.img")


def test_a_ring_of_parents_ends() -> None:
    blocks = blocks_of(node("a", "lvm", pkname="b"), node("b", "lvm", pkname="a"))
    assert blocks.drives_below("a") == ()
