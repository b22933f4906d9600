"""The two halves on a whole machine: put in the place of the one service, shut in, and at work.

One guest is booted for all tests of this file, and they run in order. See ``test_guest.py``.
"""

from __future__ import annotations

import shlex
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
from tests.lab.guest.machine import HOST, Guest

pytestmark = NEEDS_GUEST

READER, DESK = "midwatch-reader", "midwatch-desk"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """Boot the guest, in which the one service is installed, and install the halves."""
    made = ready_or_skip()
    folder = tmp_path_factory.mktemp("guest")
    disks = drives(folder)
    some = [disk for disk in disks.values() if disk.bus != "sas"]
    guest = Guest(made.image, folder, some, parcel=made.parcel)
    try:
        with receivers() as (box, hook, settings):
            guest.wait_for_boot()
            make_orchard(guest, disks)
            guest.run(UNPACK)
            write_settings(guest, settings)
            guest.run(f"{INSTALL} --halves", seconds=1200)
            yield Lab(guest=guest, box=box, hook=hook, disks=disks, unit=DESK)
    finally:
        guest.stop()


def inside(lab: Lab, unit: str, program: str) -> str:
    """Run a few lines of Python in the sandbox of a unit; gives what they print."""
    lab.guest.run(
        f"printf %s {shlex.quote(program)} > /usr/local/lib/probe.py && "
        "sed -e 's/^Type=.*/Type=oneshot/' "
        "-e '/^Watchdog\\|^ExecReload\\|^Restart\\|^Notify\\|^RuntimeDirectory/d' "
        "-e 's#^ExecStart=.*#ExecStart=/usr/bin/python3 /usr/local/lib/probe.py\\n"
        f"StandardOutput=truncate:/said#' /etc/systemd/system/{unit}.service "
        "> /run/systemd/system/probe.service && systemctl daemon-reload && systemctl start probe",
        seconds=200,
    )
    return lab.guest.out("cat /said")


TRY_NETWORK = f"""
import socket
for family in (socket.AF_INET, socket.AF_INET6, socket.AF_NETLINK, socket.AF_PACKET):
    try:
        socket.socket(family, socket.SOCK_DGRAM if family != socket.AF_PACKET else socket.SOCK_RAW)
    except OSError as error:
        print(family.name, "refused")
    else:
        print(family.name, "OPENED")
try:
    socket.create_connection(("{HOST}", 9), 5)
except OSError:
    print("connect refused")
else:
    print("CONNECTED")
print(open("/proc/self/net/dev").read().count(":"))
"""

TRY_DRIVES = """
import glob, os, stat
print([name for name in glob.glob("/dev/*") if stat.S_ISBLK(os.lstat(name).st_mode)])
for name, node in (("/dev/sda", (8, 0)), ("/dev/shm/x", (8, 0)), ("/tmp/x", (259, 0))):
    try:
        os.mknod(name, 0o600 | stat.S_IFBLK, os.makedev(*node))
        open(name, "rb").read(1)
    except OSError:
        print("refused")
    else:
        print("READ")
for name in ("/dev/kmsg", "/dev/mem", "/etc/shadow", "/var/lib/midwatch/../../log/private"):
    try:
        open(name, "rb").read(1)
    except OSError:
        print("refused")
    else:
        print("READ", name)
try:
    open("/etc/midwatch/x", "w")
except OSError:
    print("refused")
else:
    print("WRITTEN")
"""


def test_the_halves_are_in_the_place_of_the_one(lab: Lab) -> None:
    guest = lab.guest
    for unit in (READER, DESK):
        assert guest.out(f"systemctl is-active {unit}") == "active", lab.why()
        assert guest.out(f"systemctl is-enabled {unit}") == "enabled"
        said = guest.run(f"systemd-analyze verify /etc/systemd/system/{unit}.service 2>&1")
        assert said.out == ""
    assert "No such file" in guest.out("ls /etc/systemd/system/midwatch.service 2>&1")
    who = f"ps -o user= -p $(systemctl show -p MainPID --value {DESK})"
    assert guest.out(who) == "midwatch"
    owned = guest.out("stat -c '%U:%G %a' /var/lib/midwatch /etc/midwatch /run/midwatch")
    assert owned.splitlines() == ["midwatch:midwatch 750", "root:midwatch 750", "root:midwatch 750"]


def test_the_half_that_looks_has_no_network(lab: Lab) -> None:
    """Tried from inside its sandbox; and the process that runs has nothing but a loopback."""
    said = inside(lab, READER, TRY_NETWORK).splitlines()
    assert said == [
        "AF_INET refused",
        "AF_INET6 refused",
        "AF_NETLINK refused",
        "AF_PACKET refused",
        "connect refused",
        "1",
    ], lab.why()
    live = lab.guest.out(f"cat /proc/$(systemctl show -p MainPID --value {READER})/net/dev")
    assert [line.split(":")[0].strip() for line in live.splitlines() if ":" in line] == ["lo"]


def test_the_half_that_tells_has_no_drives(lab: Lab) -> None:
    """Tried from inside its sandbox: none are there, none can be made, nothing else is read."""
    said = inside(lab, DESK, TRY_DRIVES).splitlines()
    assert said == ["[]", *["refused"] * 8], lab.why()


def test_all_is_seen_through_the_socket_that_root_sees(lab: Lab) -> None:
    assert lab.guest.until(
        "midwatch drives --json | grep -q FURROW0000 || midwatch drives | grep -q FURROW0000",
        seconds=120,
    ), lab.why()
    known = lab.guest.out("midwatch drives", seconds=200)
    assert all(lab.disks[name].serial in known for name in ("a0", "a1", "a2", "a3", "n0"))
    assert not [c for c in lab.midwatch("cases") if "cannot-see" in str(c["findings"])]


def test_a_drive_fails_is_replaced_and_people_hear_of_both(lab: Lab) -> None:
    guest, gone = lab.guest, lab.disks["a1"]
    guest.fail(gone)
    guest.run("dd if=/dev/urandom of=/dev/md0 bs=1M count=8 oflag=direct 2>&1", seconds=200)
    assert lab.told("Now", "orchard"), lab.why()
    told = [c for c in lab.midwatch("cases") if c["urgency"] != "note"]
    (case,) = [c for c in told if c["place"].startswith("pool:md")]
    guest.run(f"midwatch ack {case['number']} --until 2h", seconds=120)
    guest.pull(gone)
    assert guest.until(f"test ! -e {by_id(gone)}")
    guest.run(f"mdadm /dev/md0 --add {by_id(lab.disks['a3'])} 2>&1; mdadm --wait /dev/md0 || true")
    assert guest.until("grep -q '\\[UUU\\]' /proc/mdstat"), guest.out("cat /proc/mdstat")
    lab.look()
    assert lab.told("All clear", "orchard"), lab.why()
    assert len(lab.box.ids) == len(set(lab.box.ids)), "a message came twice"


def test_a_reader_that_is_killed_comes_back_and_one_that_is_gone_is_told_once(lab: Lab) -> None:
    guest = lab.guest
    before = guest.out(f"systemctl show -p MainPID --value {READER}")
    guest.run(f"systemctl kill -s KILL {READER}")
    alive = f'test "$(systemctl show -p MainPID --value {READER})" -gt 0'
    other = f'test "$(systemctl show -p MainPID --value {READER})" != {before}'
    assert guest.until(f"{alive} && {other} && systemctl is-active -q {READER}"), lab.why()
    guest.run(f"systemctl stop {READER}")
    lab.look()
    assert lab.told("Today", "the half of the watch that looks"), lab.why()
    blind = [c for c in lab.midwatch("cases") if "cannot-see-source" in str(c["findings"])]
    assert len(blind) == 1, blind
    assert len([f for f in blind[0]["findings"] if f["cleared_at"] is None]) == 1, blind
    guest.run(f"systemctl start {READER}")
    lab.look()
    assert lab.told("All clear", "the half of the watch that looks"), lab.why()


def test_the_one_service_can_take_the_place_of_the_halves_again(lab: Lab) -> None:
    guest = lab.guest
    cases = {case["number"] for case in lab.midwatch("cases --all")}
    guest.run(f"{INSTALL} --whole", seconds=1200)
    assert guest.out("systemctl is-active midwatch") == "active"
    assert guest.out("ls /etc/systemd/system/midwatch*") == "/etc/systemd/system/midwatch.service"
    assert guest.out("stat -c %U /var/lib/midwatch/midwatch.db") == "root"
    assert {case["number"] for case in lab.midwatch("cases --all")} >= cases
