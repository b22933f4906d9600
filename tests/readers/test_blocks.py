"""What lsblk tells is read whatever its form, or refused."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.drive_samples import recorded
from watcher.facts.drive import Medium, Unread
from watcher.readers.blocks import COMMAND, OLD_COMMAND, parse, read_blocks
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.recorded import RecordedHost


def node(name: str, kind: str = "disk", **more: Any) -> dict[str, Any]:
    return {"name": name, "type": kind, **more}


def test_old_spellings_mean_the_same() -> None:
    """Version 2.30 prints numbers and truth as text and one mount point; 2.38 has lists."""
    now = node("sda", size=8, rota=False, mountpoints=["/x", None], **{"log-sec": 512})
    new = parse(json.dumps({"blockdevices": [now]}))
    old = parse(
        json.dumps(
            {
                "blockdevices": [
                    {
                        "NAME": "sda",
                        "TYPE": "disk",
                        "SIZE": "8",
                        "ROTA": "0",
                        "MOUNTPOINT": "/x",
                        "LOG-SEC": "512",
                    }
                ]
            }
        )
    )
    assert new == old
    identity = new.identity_of("sda")
    assert identity is not None
    assert identity.medium is Medium.FLASH


FLAT = json.dumps(
    {
        "blockdevices": [
            node("sda", wwn="0x5000c500b0000001"),
            node("sdb", wwn="0x5000c500b0000002"),
            node("md0", "raid1", pkname="sda"),
            node("loop7", "loop", size=4),
        ]
    }
)


def test_sysfs_completes_parents_and_names_the_file_behind_a_loop_device() -> None:
    host = RecordedHost(
        programs={COMMAND: (0, FLAT, "")},
        folders={"/sys/block/md0/slaves": ["sda", "sdb"]},
        files={"/sys/block/loop7/loop/backing_file": "/srv/images/first disk.img\n"},
        links={"/dev/disk/by-id/ata-X": "../../sda", "/dev/md/tank": "../md0"},
        denied=["/dev/mapper/control"],
    )
    blocks = read_blocks(host)
    assert blocks.drives_below("md0") == ("wwn-5000c500b0000001", "wwn-5000c500b0000002")
    assert blocks.drives_below("loop7") == ("loop_srv_images_first_disk.img",)
    assert blocks.drives_below("/dev/disk/by-id/ata-X") == ("wwn-5000c500b0000001",)
    assert blocks.drives_below("/dev/md/tank") == blocks.drives_below("md0")


def test_an_old_lsblk_is_asked_again_with_the_columns_it_knows() -> None:
    host = RecordedHost(
        programs={
            COMMAND: (1, "", "lsblk: unknown column: MOUNTPOINTS\n"),
            OLD_COMMAND: (0, FLAT, ""),
        }
    )
    assert read_blocks(host).exists("sda")


@pytest.mark.parametrize(
    ("programs", "why", "words"),
    [
        ({}, Unread.TOOL_MISSING, "util-linux"),
        ({COMMAND: (1, "", "lsblk: broken\n")}, Unread.GARBLED, "by hand"),
    ],
)
def test_without_lsblk_we_are_blind_and_say_what_to_do(
    programs: dict[tuple[str, ...], tuple[int, str, str]], why: Unread, words: str
) -> None:
    with pytest.raises(CannotRead) as caught:
        read_blocks(RecordedHost(programs=programs))
    assert caught.value.why is why
    assert words in caught.value.remedy


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"blockdevices": 1}',
        '{"blockdevices": [1]}',
        '{"blockdevices": [{"name": "sda"}]}',
        '{"blockdevices": [{"name": "sda", "type": "disk", "size": "many"}]}',
        '{"blockdevices": [{"name": "sda", "type": "disk", "size": -1}]}',
        '{"blockdevices": [{"name": "sda", "type": "disk", "size": true}]}',
        '{"blockdevices": [{"name": "sda", "type": "disk", "rota": "perhaps"}]}',
        '{"blockdevices": [{"name": "sda", "type": "disk", "mountpoints": "/x"}]}',
        '{"blockdevices": [{"name": "sda", "type": "disk", "children": "sda1"}]}',
        '{"blockdevices": [{"name": "sda", "type": "disk", "wwn": [1]}]}',
    ],
)
def test_what_is_not_understood_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse(text)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["name", "type", "size", "children", "pkname", "kname", "rota"]),
            inner,
            max_size=5,
        )
    ),
    max_leaves=12,
)


@given(JSON | st.text())
def test_anything_is_read_or_refused(value: Any) -> None:
    text = value if isinstance(value, str) else json.dumps({"blockdevices": value})
    try:
        parse(text)
    except CannotParse:
        return


@given(st.permutations(json.loads(recorded("lsblk-md.json"))["blockdevices"]))
def test_the_order_of_devices_does_not_matter(nodes: list[dict[str, Any]]) -> None:
    assert parse(json.dumps({"blockdevices": nodes})) == parse(recorded("lsblk-md.json"))
