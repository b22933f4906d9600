"""The state folder lies on the very drive that dies, under the running service of a whole machine.

One guest is booted for all tests of this file. Each puts a new file system under the state folder,
lets its drive fail or go, and expects the same: one message with what to do, the watch at work in
memory, and a word of it from the quick commands. See ``test_guest.py``.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.lab.guest.lab import (
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
from tests.lab.guest.machine import Disk, Guest
from tests.lab.receivers import wait_until

pytestmark = NEEDS_GUEST

STATE = "/var/lib/midwatch"
NOT_WRITTEN = "history cannot be written"
LOOKS = 2


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """Boot the guest with an array, which stays well until the last test."""
    made = ready_or_skip()
    folder = tmp_path_factory.mktemp("guest")
    disks = drives(folder)
    some = [disk for disk in disks.values() if disk.bus != "nvme"]
    guest = Guest(made.image, folder, some, parcel=made.parcel)
    try:
        with receivers() as (box, hook, settings):
            guest.wait_for_boot()
            make_orchard(guest, disks)
            guest.run(UNPACK)
            write_settings(guest, settings)
            yield Lab(guest=guest, box=box, hook=hook, disks=disks)
    finally:
        guest.stop()


def live_on(lab: Lab, disk: Disk, make: str) -> int:
    """Put the state folder onto a file system of its own, start the watch; gives what was told."""
    guest = lab.guest
    guest.run(f"systemctl stop midwatch; umount -l {STATE} 2>/dev/null; true", seconds=200)
    guest.run(f"{make} {by_id(disk)} && mkdir -p {STATE} && mount {by_id(disk)} {STATE}")
    guest.run("systemctl start midwatch", seconds=300)
    assert guest.until(f"test -s {STATE}/midwatch.db"), lab.why()
    assert wait_until(lambda: rounds(lab) >= 1, 200), lab.why()
    assert NOT_WRITTEN not in guest.out("midwatch cases 2>&1", seconds=200)
    return len(lab.hook.posts)


def rounds(lab: Lab) -> int:
    """Count the looks that the service has made since it started."""
    words = lab.guest.out("systemctl show -p StatusText --value midwatch").split()
    return int(words[0]) if words and words[0].isdigit() else 0


def look_on(lab: Lab) -> None:
    """Have it look a few more times, each to its end."""
    for _ in range(LOOKS):
        before = rounds(lab)
        lab.look()
        assert wait_until(lambda: rounds(lab) > before, 200), lab.why()  # noqa: B023


def messages(lab: Lab, since: int) -> list[str]:
    """Give what arrived since, each with its title."""
    return [f"{post['title']}\n{post['message']}" for _, post in lab.hook.posts[since:]]


def is_told_once(lab: Lab, since: int, *, may_end: bool = False) -> None:
    """The person hears once that the history is not written, and every command says it too.

    With ``may_end`` a program may meet SIGBUS: SQLite maps the index of its log, and the kernel has
    no other answer to a write on a page of it when the file system is dead (mmap(2)). A command
    says so; the watch begins anew, or when it had only just begun is started again, once.
    """

    def told() -> list[str]:
        return [text for text in messages(lab, since) if NOT_WRITTEN in text]

    lab.look()
    assert wait_until(lambda: bool(told()), 400), lab.why()
    look_on(lab)
    assert len(told()) == 1, "\n---\n".join((*messages(lab, since), lab.why()))
    (text,) = told()
    assert "the watch goes on in memory" in text, text
    # In one message with what the drive and its file system say, the next step is about those.
    steps = ("look at that drive first", "Find the cause before any repair", "Check cable, power")
    assert any(step in text for step in steps), text
    said = lab.guest.out("midwatch cases 2>&1", seconds=200)
    words = " ".join(said.split())
    ended = may_end and "A drive failed under" in words
    assert "Bus error" not in words
    assert ended or "what the watch has seen since is not in it" in words, said
    assert lab.guest.out("systemctl is-active midwatch") == "active"
    restarts = lab.guest.out("systemctl show -p NRestarts --value midwatch")
    assert int(restarts) <= may_end, lab.guest.out("journalctl -u midwatch -o cat | tail -20")


def test_an_ext4_whose_drive_takes_no_more_writes(lab: Lab) -> None:
    disk = lab.disks["s0"]
    since = live_on(lab, disk, "mkfs.ext4 -q -F -e remount-ro")
    lab.guest.fail(disk, reads=False)
    is_told_once(lab, since)


def test_an_ext4_whose_drive_is_pulled(lab: Lab) -> None:
    disk = lab.disks["s1"]
    since = live_on(lab, disk, "mkfs.ext4 -q -F")
    lab.guest.pull(disk)
    assert lab.guest.until(f"test ! -e {by_id(disk)}")
    is_told_once(lab, since)


def test_a_btrfs_whose_drive_fails_altogether(lab: Lab) -> None:
    disk = lab.disks["s2"]
    since = live_on(lab, disk, "mkfs.btrfs -q -f")
    lab.guest.fail(disk)
    is_told_once(lab, since, may_end=True)


def test_a_watch_that_is_started_on_the_dead_one_stands_on_memory(lab: Lab) -> None:
    """systemd sees to the state folder before it starts a unit: that must not stand in the way."""
    guest, since = lab.guest, len(lab.hook.posts)
    guest.run("systemctl restart midwatch", seconds=300)
    assert wait_until(lambda: rounds(lab) >= 1, 300), lab.why()
    assert guest.out("systemctl is-active midwatch") == "active"
    assert wait_until(lambda: any(NOT_WRITTEN in text for text in messages(lab, since)), 400), (
        lab.why()
    )


def test_meanwhile_a_pool_that_loses_a_drive_is_told_as_ever(lab: Lab) -> None:
    """From memory: the state folder of the test before is still gone."""
    guest, since = lab.guest, len(lab.hook.posts)
    guest.fail(lab.disks["a1"])
    guest.run("dd if=/dev/urandom of=/dev/md0 bs=1M count=8 oflag=direct 2>&1", seconds=200)
    assert wait_until(
        lambda: any(text.startswith("Now") and "orchard" in text for text in messages(lab, since)),
        300,
    ), lab.why()
    ids = [str(headers["X-Midwatch-Message"]) for headers, _ in lab.hook.posts[since:]]
    assert len(ids) == len(set(ids)), "a message came twice"


def test_with_the_state_on_a_good_drive_all_is_written_again(lab: Lab) -> None:
    """What was told from memory is judged anew: it may be told once more, and is never lost."""
    live_on(lab, lab.disks["s3"], "mkfs.ext4 -q -F")
    places = [case["place"] for case in lab.midwatch("cases")]
    assert any(place.startswith("pool:md") for place in places), places
    assert lab.guest.out("journalctl -u midwatch -o cat --no-pager | tail -5")
