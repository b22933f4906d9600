"""Drives that tell one name and are several."""

from __future__ import annotations

import json
from typing import Any

from watcher.readers.block_map import BlockMap
from watcher.readers.blocks import parse
from watcher.readers.twins import twins_in


def blocks_of(*nodes: dict[str, Any]) -> BlockMap:
    return parse(json.dumps({"blockdevices": list(nodes)}))


FAKE = {"type": "disk", "model": "Dock", "serial": "0123456789ABCDEF", "tran": "usb"}


def test_drives_that_tell_one_made_up_serial_number_stay_two() -> None:
    """Else one of them would never be read, and a mirror of both would have no margin."""
    both = blocks_of({"name": "sda", **FAKE}, {"name": "sdb", **FAKE})
    shared = "Dock_0123456789ABCDEF"
    assert both.drive_of_disk("sda") == f"{shared}_at_sda"
    assert both.drive_of_disk("sdb") == f"{shared}_at_sdb"
    assert both.shared_id("sda") == both.shared_id("/dev/sdb") == shared
    assert blocks_of({"name": "sda", **FAKE}).drive_of_disk("sda") == shared


def test_the_place_by_which_they_are_told_apart_lasts() -> None:
    """By its path where udev made one; and when the other has left, also after a restart."""
    plain = blocks_of({"name": "sda", **FAKE}, {"name": "sdb", **FAKE})
    path = "/dev/disk/by-path/pci-0000:00:14.0-usb-0:2:1.0-scsi-0:0:0:0"
    seen = BlockMap(plain.blocks, links=((path, "sda"), (f"{path}-part1", "sda1")))
    name = seen.drive_of_disk("sda")
    assert name == "Dock_0123456789ABCDEF_at_pci-0000_00_14.0-usb-0_2_1.0-scsi-0_0_0_0"
    alone = BlockMap(blocks_of({"name": "sda", **FAKE}).blocks, links=seen.links)
    assert alone.with_twins(seen.shared).drive_of_disk("sda") == name
    assert alone.with_twins(twins_in([name])).drive_of_disk("sda") == name


def test_one_world_wide_name_on_two_serial_numbers_is_two_drives() -> None:
    """Some cheap flash drives all carry the same; one drive on two paths tells one serial number,
    or none on one of them."""
    wwn = {"type": "disk", "model": "Farland F2", "wwn": "0x502b2a201d1c1b1a"}
    two = blocks_of({"name": "sda", "serial": "A", **wwn}, {"name": "sdb", "serial": "B", **wwn})
    assert (two.drive_of_disk("sda"), two.drive_of_disk("sdb")) == ("Farland_F2_A", "Farland_F2_B")
    for serial in ("A", None):
        paths = blocks_of(
            {"name": "sda", "serial": "A", **wwn}, {"name": "sdb", "serial": serial, **wwn}
        )
        assert paths.drive_of_disk("sda") == paths.drive_of_disk("sdb") == "wwn-502b2a201d1c1b1a"
        assert paths.shared_id("sda") is None
