"""A whole machine: Debian with systemd in QEMU, the installed service, real arrays that fail.

One guest is booted for all tests of this file, and they run in order: the machine lives on from one
to the next. Its processor is emulated (no KVM is needed). Messages are received on this machine,
which the guest reaches as 10.0.2.2. Takes about five minutes, and once about two more to build the
guest from packages.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest

from tests.lab.guest.lab import (
    INSTALL,
    NEEDS_GUEST,
    UNPACK,
    Lab,
    by_id,
    drives,
    make_orchard,
    ready_or_skip,
    receivers,
    write_settings,
)
from tests.lab.guest.machine import Guest
from tests.lab.receivers import wait_until

pytestmark = NEEDS_GUEST


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """Boot the guest with its arrays, and start the service."""
    made = ready_or_skip()
    folder = tmp_path_factory.mktemp("guest")
    disks = drives(folder)
    guest = Guest(made.image, folder, list(disks.values()), parcel=made.parcel)
    try:
        with receivers() as (box, hook, settings):
            guest.wait_for_boot()
            make_orchard(guest, disks)
            s = [by_id(disks[f"s{n}"]) for n in range(4)]
            guest.run(
                f"mkfs.btrfs -q -f -L barn -d raid1 -m raid1 {s[0]} {s[1]} && "
                f"mkdir -p /srv/barn && mount {s[0]} /srv/barn && "
                "head -c 8M /dev/urandom > /srv/barn/letters && sync"
            )
            guest.run(
                f"vgcreate vault {s[2]} {s[3]} && lvcreate -y --type raid1 -m1 --nosync "
                "-n archive -L 100M vault && udevadm settle"
            )
            guest.run(UNPACK)
            write_settings(guest, settings)
            guest.run("systemctl enable --now midwatch", seconds=180)
            yield Lab(guest=guest, box=box, hook=hook, disks=disks)
    finally:
        guest.stop()


def test_systemd_finds_nothing_wrong_with_the_unit(lab: Lab) -> None:
    said = lab.guest.run("systemd-analyze verify /etc/systemd/system/midwatch.service 2>&1")
    assert said.out == ""
    assert lab.guest.out("systemctl is-active midwatch") == "active"


def test_from_inside_the_unit_all_is_seen_that_root_sees(lab: Lab) -> None:
    """The same sandbox around one deep look, against root without any."""
    lab.guest.run(
        "sed -e 's/^Type=.*/Type=oneshot/' -e '/^Watchdog\\|^ExecReload\\|^Restart\\|^Notify/d' "
        "-e 's#^ExecStart=.*#ExecStart=/opt/midwatch/bin/midwatch look --deep --json#' "
        "-e 's/^TimeoutStartSec=.*/TimeoutStartSec=300\\nSuccessExitStatus=10 11\\n"
        "StandardOutput=truncate:\\/root\\/inside.json/' /etc/systemd/system/midwatch.service "
        "> /run/systemd/system/probe.service && systemctl daemon-reload && systemctl start probe",
        seconds=300,
    )
    inside = json.loads(lab.guest.out("cat /root/inside.json"))
    outside = lab.midwatch("look --deep")
    for looked in (inside, outside):
        looked.pop("taken_at")
        for drive in looked["drives"]:
            drive["metrics"] = sorted(drive["metrics"])  # they count on
    assert inside == outside
    assert {pool["name"]: pool["protection"] for pool in inside["pools"]} == {
        "orchard": "whole", "barn": "whole", "vault/archive": "whole",
    }  # fmt: skip
    kinds = {drive["serial"][:6] for drive in inside["drives"]}
    assert kinds == {"PLOUGH", "FURROW"}, "SATA and NVMe drives answer smartctl"
    assert {one["why"] for one in inside["unread"]} == {"no-smart"}, "QEMU's SAS drives have none"
    assert inside["blind"] == []
    assert inside["doubts"] == []


def test_an_md_array_loses_a_drive_and_is_followed_until_it_is_whole(lab: Lab) -> None:
    guest, gone = lab.guest, lab.disks["a1"]
    guest.fail(gone)
    guest.run("dd if=/dev/urandom of=/dev/md0 bs=1M count=8 oflag=direct 2>&1", seconds=200)
    assert lab.told("Now", "orchard"), lab.why()
    told = [c for c in lab.midwatch("cases") if c["urgency"] != "note"]
    (case,) = [c for c in told if c["place"].startswith("pool:md")]
    assert guest.run(f"midwatch ack {case['number']} --until 2h", seconds=120).status == 0
    guest.pull(gone)
    assert guest.until(f"test ! -e {by_id(gone)}")
    guest.run(f"mdadm /dev/md0 --add {by_id(lab.disks['a3'])} 2>&1; mdadm --wait /dev/md0 || true")
    assert guest.until("grep -q '\\[UUU\\]' /proc/mdstat"), guest.out("cat /proc/mdstat")
    lab.look()
    assert lab.told("All clear", "orchard"), lab.why()


def test_a_btrfs_mirror_loses_a_drive_and_is_followed_until_it_is_whole(lab: Lab) -> None:
    guest = lab.guest
    guest.pull(lab.disks["s1"])
    guest.run("sleep 2; head -c 1M /dev/urandom > /srv/barn/more; sync")
    lab.look()
    assert lab.told("Now", "barn"), lab.why()
    guest.run(f"btrfs replace start -B -f 2 {by_id(lab.disks['s4'])} /srv/barn", seconds=200)
    guest.run(
        "btrfs balance start -f -dconvert=raid1,soft -mconvert=raid1,soft -sconvert=raid1,soft "
        "/srv/barn",
        seconds=200,
    )
    lab.look()
    assert lab.told("All clear", "barn"), lab.why()


def test_an_lvm_mirror_loses_a_drive_and_is_followed_until_it_is_whole(lab: Lab) -> None:
    guest = lab.guest
    guest.pull(lab.disks["s3"])
    guest.run("sleep 2; dd if=/dev/urandom of=/dev/vault/archive bs=1M count=4 oflag=direct 2>&1")
    lab.look()
    assert lab.told("Now", "vault/archive"), lab.why()
    guest.run(
        f"vgextend vault {by_id(lab.disks['s5'])} && lvconvert --repair -y vault/archive && "
        "vgreduce --removemissing vault",
        seconds=200,
    )
    assert guest.until("lvs --noheadings -o sync_percent vault/archive | grep -q 100")
    lab.look()
    assert lab.told("All clear", "vault/archive"), lab.why()


def test_a_pulled_nvme_drive_is_missed(lab: Lab) -> None:
    lab.guest.pull(lab.disks["n0"])
    assert lab.guest.until("! test -e /dev/nvme0n1")
    lab.look()
    assert lab.told("Today", "QEMU NVMe"), lab.why()
    assert wait_until(
        lambda: any("FURROW0000" in post[1]["message"] for post in lab.hook.posts), 30
    )


def test_each_pool_was_closed_each_message_came_once_and_the_service_never_fell(lab: Lab) -> None:
    pools = [c for c in lab.midwatch("cases --all") if c["place"].startswith("pool:")]
    kinds = {case["place"].split(":")[1] for case in pools if case["closed_at"]}
    assert kinds == {"md", "btrfs", "lvm"}
    left = [case for case in pools if not case["closed_at"]]
    assert {case["urgency"] for case in left} <= {"note"}, left  # "was not scrubbed yet"
    assert wait_until(lambda: len(lab.box.ids) == len(lab.hook.posts), 60), "both ways get all"
    assert len(lab.box.ids) == len(set(lab.box.ids)) > 5
    assert sorted(lab.subjects()) == sorted(post["title"] for _, post in lab.hook.posts)
    assert lab.guest.out("systemctl show -p NRestarts --value midwatch") == "0"


def test_a_second_install_keeps_settings_and_history_with_a_copy(lab: Lab) -> None:
    guest = lab.guest
    before = guest.out("md5sum /etc/midwatch/midwatch.yaml")
    cases = {case["number"] for case in lab.midwatch("cases --all")}
    plan = guest.out(f"{INSTALL} --dry-run")
    assert "would copy" in plan
    said = guest.run(INSTALL, seconds=500).out
    assert "the history was copied to" in said
    assert guest.out("systemctl is-active midwatch") == "active"
    assert guest.out("md5sum /etc/midwatch/midwatch.yaml") == before
    assert {case["number"] for case in lab.midwatch("cases --all")} >= cases
    copies = guest.out("ls -l /var/lib/midwatch/*.before-*").splitlines()
    assert [re.match(r"-rw------- .* root +root ", line) is not None for line in copies] == [True]


def test_removing_leaves_settings_and_history_and_purging_leaves_nothing(lab: Lab) -> None:
    guest = lab.guest
    script = "bash /root/parcel/systemd/install.sh"
    guest.run(f"{script} --remove", seconds=200)
    assert guest.out("ls -d /opt/midwatch /usr/local/bin/midwatch 2>&1").count("No such file") == 2
    assert guest.out("systemctl is-active midwatch") == "inactive"
    assert guest.run("test -s /var/lib/midwatch/midwatch.db && test -s /etc/midwatch/midwatch.yaml")
    guest.run(f"{script} --purge", seconds=200)
    left = guest.out("find / -xdev -name '*midwatch*' -not -path '/root/*' -not -path '/proc/*'")
    assert left == ""
