"""A machine that starts again with its drives in another order, and one that was asleep for a week.

The same root disk and the same drives are started twice, the second time plugged in the other way
round, so that every name under /dev differs. See ``test_guest.py``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.lab.guest.lab import (
    NEEDS_GUEST,
    UNPACK,
    Lab,
    drives,
    make_orchard,
    ready_or_skip,
    receivers,
    write_settings,
)
from tests.lab.guest.machine import Guest, own_root
from tests.lab.receivers import wait_until

pytestmark = NEEDS_GUEST

FIRST: dict[str, dict[str, Any]] = {}
"""What the first start saw: the drives by serial number, and the pools by name."""


def seen(lab: Lab) -> dict[str, Any]:
    """Look, and give each drive with its id and its place, each pool with its id and margin."""
    looked = lab.midwatch("look")
    return {
        "drives": {d["serial"]: (d["id"], d["node"]) for d in looked["drives"]},
        "pools": {p["name"]: (p["id"], p["margin"], p["protection"]) for p in looked["pools"]},
        "rules": {f["rule"] for f in looked["findings"]},
    }


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """Let the machine be watched, shut it down, and start it with its drives turned round."""
    made = ready_or_skip()
    folder = tmp_path_factory.mktemp("guest")
    disks = drives(folder)
    some = [disk for disk in disks.values() if disk.bus != "sas"]
    root = own_root(made.image, folder)
    with receivers() as (box, hook, settings):
        guest = Guest(made.image, folder / "one", some, parcel=made.parcel, root=root)
        try:
            guest.wait_for_boot()
            make_orchard(guest, disks)
            guest.run(UNPACK)
            write_settings(guest, settings)
            guest.run("systemctl enable --now midwatch", seconds=180)
            first = Lab(guest=guest, box=box, hook=hook, disks=disks)
            assert guest.until("midwatch drives | grep -q PLOUGH0003", seconds=120), first.why()
            FIRST.update(seen(first))
            guest.power_off()
        finally:
            guest.stop()
        guest = Guest(made.image, folder / "two", some[::-1], parcel=made.parcel, root=root)
        try:
            guest.wait_for_boot()
            yield Lab(guest=guest, box=box, hook=hook, disks=disks)
        finally:
            guest.stop()


def rounds(lab: Lab) -> int:
    """Count the looks that the service has made since it started."""
    status = lab.guest.out("systemctl show -p StatusText --value midwatch")
    words = status.split()
    return int(words[0]) if words and words[0].isdigit() else 0


def test_the_same_drives_under_other_names_are_the_same_drives(lab: Lab) -> None:
    assert lab.guest.until("systemctl is-active -q midwatch", seconds=60), lab.why()
    assert lab.guest.until("grep -q raid5 /proc/mdstat", seconds=60), lab.guest.out(
        "cat /proc/mdstat"
    )
    now = seen(lab)
    before, after = FIRST["drives"], now["drives"]
    assert {serial: where[0] for serial, where in after.items()} == {
        serial: where[0] for serial, where in before.items()
    }
    moved = [serial for serial in before if before[serial][1] != after[serial][1]]
    assert len(moved) >= 4, (before, after)
    assert now["pools"] == FIRST["pools"]
    assert now["pools"]["orchard"][1] == 1
    assert "drive-gone" not in now["rules"]


def test_nobody_is_told_of_a_drive_that_only_has_another_name(lab: Lab) -> None:
    """The service itself looked at least twice since; no case needs anybody."""
    assert wait_until(lambda: rounds(lab) >= 2, 100), lab.why()
    told = [case for case in lab.midwatch("cases --all") if case["urgency"] != "note"]
    assert told == [], lab.why()
    known = lab.guest.out("midwatch drives", seconds=200)
    assert all(known.count(serial) == 1 for serial in FIRST["drives"]), known
    assert not [title for title in lab.subjects() if title.startswith(("Now", "Today"))]


def test_after_a_week_asleep_it_looks_at_once_and_invents_nothing(lab: Lab) -> None:
    """For a machine that slept, the wall clock goes a week ahead and the monotonic one does not."""
    before = rounds(lab)
    lab.guest.run("systemctl stop systemd-timesyncd 2>/dev/null; date -s '+7 days'")
    assert wait_until(lambda: rounds(lab) > before, 60), lab.why()
    now = lab.guest.out("date +%Y-%m-%d")
    assert now in lab.guest.out("midwatch look | head -1") or now in str(
        lab.midwatch("look")["taken_at"]
    )
    wrong = [c for c in lab.midwatch("cases --all") if c["urgency"] in {"now", "today"}]
    assert wrong == [], lab.why()
    assert lab.guest.out("systemctl show -p NRestarts --value midwatch") == "0"
    assert seen(lab)["pools"] == FIRST["pools"]
