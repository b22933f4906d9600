"""Bays are read where an enclosure tells them."""

from __future__ import annotations

from watcher.readers.enclosure import Bay, bay_names, read_bays
from watcher.readers.recorded import RecordedHost

TOP = "/sys/class/enclosure/0:0:8:0"
FILES = {
    f"{TOP}/components": "2\n",
    f"{TOP}/Slot 01/status": "OK\n",
    f"{TOP}/Slot 01/slot": "1\n",
    f"{TOP}/Slot 01/fault": "0\n",
    f"{TOP}/Slot 01/locate": "1\n",
    f"{TOP}/Slot 01/device/block/sda/size": "8\n",
    f"{TOP}/Slot 02/status": "not installed\n",
    f"{TOP}/Slot 02/slot": "x\n",
}


def test_slots_name_their_disks_and_lamps() -> None:
    assert read_bays(RecordedHost(files=FILES)) == (
        Bay(
            enclosure="0:0:8:0",
            name="Slot 01",
            number=1,
            disks=("sda",),
            status="OK",
            locate_lit=True,
        ),
        Bay(enclosure="0:0:8:0", name="Slot 02", status="not installed"),
    )


def test_no_enclosure_means_no_bays() -> None:
    assert read_bays(RecordedHost()) == ()


def test_a_forbidden_folder_only_costs_the_labels() -> None:
    assert read_bays(RecordedHost(denied=["/sys/class/enclosure"])) == ()


def test_the_enclosure_is_named_where_there_are_several() -> None:
    one = Bay(enclosure="0:0:8:0", name="Slot 01", disks=("sda",))
    other = Bay(enclosure="1:0:8:0", name="Slot 01", disks=("sdb",))
    assert bay_names([one]) == {"sda": "Slot 01"}
    assert bay_names([one, other]) == {
        "sda": "Slot 01 of enclosure 0:0:8:0",
        "sdb": "Slot 01 of enclosure 1:0:8:0",
    }
