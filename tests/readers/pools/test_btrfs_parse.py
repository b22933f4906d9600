"""What btrfs lists, parsed strictly."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import kept_step
from tests.readers.pools.btrfs_texts import RAID1, UUID, show, usage
from tests.readers.pools.tampering import hurt
from watcher.readers.errors import CannotParse
from watcher.readers.pools.btrfs_parse import (
    BEARS,
    Device,
    Filesystem,
    Group,
    lacks_rights,
    parse_chunks,
    parse_show,
    parse_usage,
)

PARSERS: list[Any] = [parse_show, parse_usage, parse_chunks]
WORDS = (
    "Label: 'x'  uuid: ", UUID, "\tTotal devices ", "1", " FS bytes used ", "\tdevid    ",
    " size ", " used ", " path ", "MISSING", "Overall:", "Unallocated:", "Data,RAID1: Size:",
    ", Used:", "   /dev/sda\t", "missing", "\titem ", " key (", "leaf 1 items 1 ", "%", "-1", "NaN",
)  # fmt: skip


@given(st.one_of(st.text(), st.lists(st.sampled_from([*WORDS, "\n"])).map("".join)))
def test_any_text_gives_a_value_or_cannot_parse(text: str) -> None:
    for parse in PARSERS:
        with contextlib.suppress(CannotParse):
            parse(text)


def test_devices_are_listed_with_their_places() -> None:
    (one,) = parse_show(show({1: "/dev/sda", 2: "/dev/disk with blank"}))
    assert one == Filesystem(
        uuid=UUID,
        label="one",
        total_devices=2,
        devices=(
            Device(devid=1, size_bytes=1 << 30, path="/dev/sda", missing=False),
            Device(devid=2, size_bytes=1 << 30, path="/dev/disk with blank", missing=False),
        ),
        unlisted_missing=0,
    )


@pytest.mark.parametrize(
    ("row", "path"),
    [
        ("\tdevid    2 size 0 used 0 path /dev/sdb MISSING", "/dev/sdb"),
        ("\tdevid    2 size 0 used 0 path  MISSING", None),
        ("\tdevid    2 size 0 used 0 path <missing disk> MISSING", None),
    ],
)
def test_a_missing_device_is_told_in_three_ways(row: str, path: str | None) -> None:
    text = show({1: "/dev/sda"}, total=2).replace("\t*** Some devices missing", row)
    (one,) = parse_show(text)
    assert one.devices[1] == Device(devid=2, size_bytes=None, path=path, missing=True)


def test_a_lost_device_that_is_not_listed_is_counted() -> None:
    (one,) = parse_show(show({1: "/dev/sda"}, total=2))
    assert (one.unlisted_missing, one.own_devices) == (1, 2)


def test_a_list_that_is_shorter_than_announced_was_cut() -> None:
    text = show({1: "/dev/sda"}, total=2).replace("\t*** Some devices missing\n", "")
    with pytest.raises(CannotParse, match="2 devices are announced and 1 listed"):
        parse_show(text)


def test_the_target_of_a_replacement_is_not_one_of_its_own_devices() -> None:
    (one,) = parse_show(show({0: "/dev/sdc", 1: "/dev/sda", 2: None}))
    assert (one.total_devices, one.own_devices) == (3, 2)


def test_labels_may_be_lacking_or_odd() -> None:
    (none,) = parse_show(show({1: "/dev/sda"}).replace("'one'", "none"))
    (odd,) = parse_show(show({1: "/dev/sda"}, label="it's 'uuid: x"))
    assert (none.label, odd.label) == (None, "it's 'uuid: x")


def test_rounded_sizes_pass_and_are_not_taken_for_exact() -> None:
    (one,) = parse_show(show({1: "/dev/sda"}).replace(str(1 << 30), "1.00GiB"))
    assert one.devices[0].size_bytes is None


def test_the_order_of_the_devices_does_not_matter() -> None:
    assert parse_show(show({1: "/dev/sda", 2: "/dev/sdb"})) == parse_show(
        show({2: "/dev/sdb", 1: "/dev/sda"})
    )


def test_nothing_listed_means_none() -> None:
    assert parse_show("") == ()


def test_groups_are_told_with_their_holders() -> None:
    seen = parse_usage(usage(RAID1, ("/dev/sda", "/dev/sdb")))
    assert seen.devices == ("/dev/sda", "/dev/sdb")
    assert seen.groups[0] == Group(
        kind="data", profile="raid1", used_bytes=1 << 20, holders=("/dev/sda", "/dev/sdb")
    )
    assert (seen.used_bytes, seen.free_bytes) == (3 << 20, 1 << 30)


def test_every_lost_or_doubled_row_of_the_usage_is_found() -> None:
    """The rows add up to "Device allocated", and each device is listed once below it."""
    text = kept_step("btrfs", "08-replaced")["b1-fi-usage.txt"]
    whole = parse_usage(text)
    for word, other in hurt(text):
        with contextlib.suppress(CannotParse):
            seen = parse_usage(other)
            assert sorted(seen.groups, key=repr) == sorted(whole.groups, key=repr), word


@pytest.mark.parametrize("kind", ["Metadata", "System"])
def test_a_usage_without_metadata_or_system_is_refused(kind: str) -> None:
    groups = {name: who for name, who in RAID1.items() if not name.startswith(kind)}
    with pytest.raises(CannotParse, match="lacking"):
        parse_usage(usage(groups, ("/dev/sda", "/dev/sdb")))


def test_a_filesystem_with_mixed_block_groups_has_one_kind_for_both() -> None:
    groups = {"Data+Metadata,RAID1": RAID1["Data,RAID1"], "System,RAID1": RAID1["System,RAID1"]}
    kinds = [group.kind for group in parse_usage(usage(groups, RAID1["Data,RAID1"])).groups]
    assert kinds == ["data+metadata", "system"]


CHUNKS = """\
btrfs-progs v6.2
chunk tree
leaf 22036480 items 3 free space 15626 generation 6 owner CHUNK_TREE
leaf 22036480 flags 0x1(WRITTEN) backref revision 1
\titem 0 key (DEV_ITEMS DEV_ITEM 1) itemoff 16185 itemsize 98
\t\tdevid 1 total_bytes 314572800 bytes_used 109051904
\titem 1 key (FIRST_CHUNK_TREE CHUNK_ITEM 22020096) itemoff 15975 itemsize 112
\t\tlength 8388608 owner 2 stripe_len 65536 type SYSTEM|RAID1
\t\tio_align 65536 io_width 65536 sector_size 4096
\t\tnum_stripes 2 sub_stripes 1
\t\t\tstripe 0 devid 1 offset 22020096
\t\t\tstripe 1 devid 2 offset 1048576
\titem 2 key (FIRST_CHUNK_TREE CHUNK_ITEM 30408704) itemoff 15863 itemsize 112
\t\tlength 33554432 owner 2 stripe_len 65536 type METADATA
\t\tio_align 65536 io_width 65536 sector_size 4096
\t\tnum_stripes 1 sub_stripes 1
\t\t\tstripe 0 devid 1 offset 30408704
"""


def test_the_chunk_tree_tells_profiles_and_holders_of_what_is_not_mounted() -> None:
    """Layout as btrfs-progs 6.2 printed it on this kind of machine, shortened."""
    assert parse_chunks(CHUNKS) == (
        Group(kind="metadata", profile="single", used_bytes=None, holders=("devid 1",)),
        Group(kind="system", profile="raid1", used_bytes=None, holders=("devid 1", "devid 2")),
    )


def test_a_cut_chunk_tree_is_refused() -> None:
    lines = CHUNKS.splitlines(keepends=True)
    for end in range(len(lines)):
        with pytest.raises(CannotParse):
            parse_chunks("".join(lines[:end]))


def test_lacking_rights_are_told_apart_from_garbage() -> None:
    said = "WARNING: cannot read detailed chunk info, per-device usage will not be shown"
    assert lacks_rights(said)
    assert not lacks_rights("Overall:")


def test_each_profile_bears_what_its_manual_says() -> None:
    """Source: mkfs.btrfs(8), section PROFILES, column "max. device failures" by its text:
    RAID1 2 copies, RAID1C3 3, RAID1C4 4, RAID10 and RAID5 one parity or mirror, RAID6 two."""
    copies = {"single": 1, "dup": 1, "raid0": 1, "raid1": 2, "raid1c3": 3, "raid1c4": 4}
    for profile, count in copies.items():
        assert BEARS[profile] == count - 1
    assert (BEARS["raid10"], BEARS["raid5"], BEARS["raid6"]) == (1, 1, 2)
