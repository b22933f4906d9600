"""What speaks against erasing a drive, from recorded answers; the real ones are in tests/lab."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.recovery.test_proving import T0
from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, RedundancySet
from watcher.readers.blocks import COMMAND
from watcher.readers.erase_guard import (
    Named,
    guard,
    parse_blkid,
    parse_mounted_numbers,
    parse_swaps,
    parse_wipefs,
)
from watcher.readers.errors import CannotParse
from watcher.readers.host import Ended, Ran
from watcher.readers.recorded import RecordedHost

DRIVE = DriveId("wwn-5000c500a0000001")
WHO = DriveIdentity(drive=DRIVE, model="Altair A8", serial="X1", capacity_bytes=8 * 10**12)
NAMED = Named(drive=DRIVE, serial="X1")
BLKID = ("blkid", "--probe", "--output", "export", "/dev/sdz")
WIPEFS = ("wipefs", "--no-act", "--json", "/dev/sdz")
CLEAR = '{"signatures": []}'
SWAPS = "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"
MOUNTS = "22 1 8:2 / / rw,relatime - ext4 /dev/sda2 rw\n"
FOLDER = "/sys/class/block/sdz"


def disk(**more: Any) -> dict[str, Any]:
    return {
        "name": "sdz",
        "kname": "sdz",
        "type": "disk",
        "size": 8 * 10**12,
        "wwn": "0x5000c500a0000001",
        "serial": "X1",
        "model": "Altair A8",
    } | more


def box(
    *devices: dict[str, Any],
    blkid: Any = (2, "", ""),
    wipefs: Any = (0, CLEAR, ""),
    files: dict[str, str] | None = None,
    holders: tuple[str, ...] = (),
) -> RecordedHost:
    listed = json.dumps({"blockdevices": list(devices or (disk(),))})
    programs: dict[tuple[str, ...], Any] = {COMMAND: (0, listed, "")}
    if blkid is not None:
        programs[BLKID] = blkid
    if wipefs is not None:
        programs[WIPEFS] = wipefs
    usual = {
        f"{FOLDER}/ro": "0\n",
        f"{FOLDER}/dev": "65:144\n",
        "/proc/swaps": SWAPS,
        "/proc/self/mountinfo": MOUNTS,
    }
    return RecordedHost(
        programs=programs, files=usual | (files or {}), folders={f"{FOLDER}/holders": holders}
    )


def against(host: RecordedHost, device: str = "/dev/sdz", **more: Any) -> tuple[str, ...]:
    facts: dict[str, Any] = {"identity": WHO, "named": NAMED}
    return guard(host, device, **(facts | more)).against


def test_an_empty_drive_that_is_named_rightly_may_be_erased() -> None:
    assert against(box()) == ()


PART = disk(children=[{"name": "sdz1", "kname": "sdz1", "type": "part", "size": 100}])
HELD = disk(children=[{"name": "md0", "kname": "md0", "type": "raid5", "size": 100}])
CRYPT = disk(children=[{"name": "vault", "kname": "dm-0", "type": "crypt", "size": 100}])


@pytest.mark.parametrize(
    ("host", "words"),
    [
        (box(PART), "It has partitions: sdz1."),
        (box(HELD), "Something rests on it: md0."),
        (box(CRYPT), "Something rests on it: vault."),
        (box(disk(mountpoints=["/mnt/z"])), "It is mounted on /mnt/z."),
        (box(disk(size=0)), "It has no size"),
        (box(blkid=(0, "DEVNAME=/dev/sdz\nPTTYPE=gpt\n", "")), "pttype gpt"),
        (box(blkid=(0, "TYPE=linux_raid_member\n", "")), "type linux_raid_member"),
        (box(blkid=(0, "DEVNAME=/dev/sdz\n", "")), "something that it does not name"),
        (box(blkid=(8, "", "ambivalent result")), "cannot be told: blkid ended with status 8"),
        (box(blkid=(4, "", "")), "cannot be told"),
        (box(blkid=None), "cannot be told: blkid is not installed"),
        (box(blkid=(0, "gibberish", "")), "cannot be told"),
        (box(wipefs=(0, '{"signatures":[{"type":"zfs_member","offset":"0x1"}]}', "")), "zfs"),
        (box(wipefs=(1, "", "permission denied")), "permission denied"),
        (box(wipefs=None), "cannot be told: wipefs is not installed"),
        (box(wipefs=(0, "no JSON", "")), "cannot be told"),
        (box(holders=("dm-3",)), "The kernel built something on it: dm-3."),
        (box(files={f"{FOLDER}/ro": "1\n"}), "It is read-only."),
        (
            box(files={"/proc/self/mountinfo": "22 1 65:144 / /mnt rw - xfs /dev/disk/z rw\n"}),
            "It is mounted.",
        ),
        (box(files={"/proc/swaps": SWAPS + "/dev/sdz partition 8 0 -2\n"}), "swapped to"),
        (box(files={"/proc/swaps": ""}), "Whether it is in use cannot be told"),
        (box(disk(), disk(name="sdy", kname="sdy")), "another path too: sdy"),
        (box(disk(type="part")), "a partition, not a whole drive"),
        (box(disk(type="rom")), "of kind rom"),
    ],
)
def test_whatever_it_holds_or_whatever_cannot_be_told_speaks_against_it(
    host: RecordedHost, words: str
) -> None:
    assert any(words in reason for reason in against(host)), against(host)


def test_a_hung_program_speaks_against_it() -> None:
    hung = Ran(argv=BLKID, ended=Ended.TIMED_OUT)
    assert any("gave no answer" in reason for reason in against(box(blkid=hung)))


@pytest.mark.parametrize(
    ("named", "words"),
    [
        (Named(drive=DRIVE, serial="X2"), "serial number is X1, not X2"),
        (Named(drive=DRIVE, serial=""), "serial number is X1, not nothing"),
        (Named(drive=DRIVE, serial="x1"), "serial number is X1, not x1"),
        (Named(drive="wwn-other", serial="X1"), f"id is {DRIVE}, not wwn-other"),
        (Named(drive="/dev/sdz", serial="X1"), "not /dev/sdz"),
    ],
)
def test_a_drive_that_was_not_named_by_id_and_serial_is_left_alone(
    named: Named, words: str
) -> None:
    assert any(words in reason for reason in against(box(), named=named))
    assert any(words in reason for reason in against(box(), named=named, erases=False))


def test_a_drive_without_serial_or_identity_is_left_alone() -> None:
    nobody = DriveIdentity(drive=DriveId("unidentified_sdz"), model="", serial="")
    said = against(box(), identity=nobody, named=Named(drive="unidentified_sdz", serial=""))
    assert any("no serial number" in reason for reason in said)
    assert any("no identity that lasts" in reason for reason in said)
    assert against(box(), identity=None) == ("It does not say who it is.",)


def test_a_device_that_is_not_there_is_not_erased() -> None:
    assert against(box(), "/dev/sdq") == ("There is no device /dev/sdq.",)
    assert any("cannot be listed" in reason for reason in against(RecordedHost()))


def member_pool(state: MemberState = MemberState.GOOD) -> Pool:
    members = (
        Member(name="sdz1", state=MemberState.GOOD, drives=(DRIVE,)),
        Member(name="sdy1", state=state, drives=(DriveId("other"),)),
    )
    return judge_pool(
        pool=PoolId("md:a"),
        name="orchard",
        kind=PoolKind.MD,
        layout="raid1",
        observed_at=T0,
        tree=RedundancySet(name="raid1", bears=1, parts=members),
    )


def test_a_member_of_a_pool_is_never_erased_even_where_it_looks_empty() -> None:
    assert "It is part of the pool orchard." in against(box(), pools=(member_pool(),))


def test_reading_only_may_be_done_to_anything_but_a_pool_that_lost_margin() -> None:
    full = box(PART, blkid=(0, "PTTYPE=gpt\n", ""))
    assert against(full, erases=False) == ()
    assert against(full, erases=False, pools=(member_pool(),)) == ()
    bare = member_pool(MemberState.MISSING)
    assert any("leave it in peace" in r for r in against(full, erases=False, pools=(bare,)))


def test_what_the_programs_print_is_read() -> None:
    assert parse_blkid("DEVNAME=/dev/sdz\n\nUSAGE=raid\nTYPE=LVM2_member\nUUID=x\n") == (
        "usage raid",
        "type LVM2_member",
    )
    assert parse_wipefs('{"signatures": [{"offset": "0x438", "type": "ext4"}]}') == (
        "ext4 at 0x438",
    )
    assert parse_wipefs("") == ()
    assert parse_swaps(SWAPS + "/dev/sda3   partition 8 0 -2\n") == ("/dev/sda3",)
    assert parse_mounted_numbers(MOUNTS) == {"8:2"}


@pytest.mark.parametrize(
    "text", ['{"signatures": {}}', '{"signatures": [3]}', '{"signatures": [{}]}', "[]", "{"]
)
def test_a_wrong_list_of_signatures_is_refused_and_not_taken_for_an_empty_one(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_wipefs(text)


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_blkid, parse_wipefs, parse_swaps, parse_mounted_numbers):
        try:
            parse(text)
        except CannotParse:
            continue
