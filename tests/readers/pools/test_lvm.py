"""LVM volumes as pools."""

from __future__ import annotations

import json

import pytest

from tests.lab.captured import look
from tests.lab.step_host import kept_step
from tests.readers.pools.boxes import NOW, HandBlocks
from tests.readers.pools.damage import better_than, damaged
from tests.readers.pools.test_lvm_report import row
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId
from watcher.facts.pool import MemberState, Pool, Protection, Remark
from watcher.readers.errors import CannotRead
from watcher.readers.pools import lvm
from watcher.readers.pools.lvm_report import LVS, PVS, STATUS
from watcher.readers.pools.shape import PoolsRead
from watcher.readers.recorded import Answer, RecordedHost

SAME = HandBlocks()


def answers(
    rows: list[dict[str, str]], *, status: str | None = "", devices: str = '{"report":[{"pv":[]}]}'
) -> dict[tuple[str, ...], Answer]:
    programs: dict[tuple[str, ...], Answer] = {
        LVS: (0, json.dumps({"report": [{"lv": rows}]}), ""),
        PVS: (0, devices, ""),
    }
    if status is not None:
        programs[STATUS] = (0, status, "")
    return programs


def images(
    kind: str, count: int, *, letters: str | None = None, **top: str
) -> tuple[list[dict[str, str]], str]:
    """Make a volume of images on sda, sdb, …, and the kernel's line for it."""
    names = [f"v_rimage_{i}" for i in range(count)]
    rows = [
        row(
            lv_name="v",
            lv_uuid="top",
            lv_attr="rwi-aor---",
            segtype=kind,
            devices=",".join(f"{name}(0)" for name in names),
            sync_percent="100.00",
            raid_mismatch_count="0",
            raid_sync_action="idle",
        )
        | top
    ]
    for i, name in enumerate(names):
        rows.append(
            row(
                lv_name=f"[{name}]",
                lv_uuid=name,
                lv_attr="iwi-aor---",
                devices=f"/dev/sd{chr(ord('a') + i)}(1)",
                lv_parent="v",
                lv_role="private,raid,image",
            )
        )
    action = top.get("raid_sync_action", "idle")
    line = f"vg-v: 0 1000 raid {kind} {count} {letters or 'A' * count} 500/1000 {action} 0 0 -\n"
    return rows, line


def pool(
    rows: list[dict[str, str]],
    line: str | None,
    *,
    blocks: HandBlocks = SAME,
    previous: tuple[Pool, ...] = (),
) -> Pool:
    host = RecordedHost(programs=answers(rows, status=line))
    found = lvm.read(host, blocks, observed_at=NOW, previous=previous)
    assert len(found.pools) == 1
    return found.pools[0]


@pytest.mark.parametrize(
    ("kind", "count", "bears"),
    [
        ("raid1", 2, 1),
        ("raid1", 3, 2),
        ("mirror", 2, 1),
        ("raid4", 3, 1),
        ("raid5", 4, 1),
        ("raid5_ls", 3, 1),
        ("raid6", 5, 2),
        ("raid6_zr", 6, 2),
        ("raid10", 4, 1),
    ],
)
def test_each_kind_bears_what_the_handbook_says(kind: str, count: int, bears: int) -> None:
    """Source: lvmraid(7), RAID levels."""
    found = pool(*images(kind, count))
    assert (found.protection, found.full_margin) == (Protection.WHOLE, bears)
    assert found.drives == {DriveId(f"drive-sd{chr(ord('a') + i)}") for i in range(count)}
    assert (found.pool, found.name, found.node) == ("lvm:top", "vg/v", "/dev/vg/v")


def test_a_kind_that_is_not_known_is_unknown() -> None:
    assert pool(*images("raid7", 3)).protection is Protection.UNKNOWN
    assert pool(*images("raid10", 3)).protection is Protection.UNKNOWN


@pytest.mark.parametrize(
    ("letters", "protection"),
    [("AAAA", Protection.WHOLE), ("ADAA", Protection.BARE), ("DDAA", Protection.BROKEN)],
)
def test_pairs_of_raid10_are_judged_pair_by_pair(letters: str, protection: Protection) -> None:
    assert pool(*images("raid10", 4, letters=letters)).protection is protection
    assert pool(*images("raid10", 4, letters="ADDA")).protection is Protection.BARE


def test_the_kernel_s_dead_image_counts_though_lvm_calls_it_well() -> None:
    found = pool(*images("raid5", 3, letters="AAD"))
    assert [m.state for m in found.members] == [
        MemberState.GOOD,
        MemberState.GOOD,
        MemberState.FAILED,
    ]


def test_an_image_with_an_unknown_word_is_unknown() -> None:
    rows, line = images("raid1", 2)
    rows[2]["lv_health_status"] = "sideways"
    assert pool(rows, line).protection is Protection.UNKNOWN


def test_a_lost_image_keeps_the_drive_it_was_on() -> None:
    rows, line = images("raid1", 2)
    before = pool(rows, line)
    rows[2] |= {"devices": "[unknown](1)", "lv_health_status": "partial"}
    found = pool(rows, line, previous=(before,))
    assert found.members[1].state is MemberState.MISSING
    assert found.members[1].drives == (DriveId("drive-sdb"),)


def test_lost_metadata_of_an_image_loses_the_image() -> None:
    rows, line = images("raid1", 2)
    rows.append(
        row(
            lv_name="[v_rmeta_1]",
            lv_uuid="m",
            devices="[unknown](0)",
            lv_parent="v",
            lv_role="private,raid,metadata",
        )
    )
    assert pool(rows, line).members[1].state is MemberState.MISSING


def test_an_image_over_several_devices_rests_on_all_of_them() -> None:
    rows, line = images("raid1", 2)
    rows[1]["devices"] = "/dev/sda(1),/dev/sdc(0)"
    found = pool(rows, line)
    assert found.members[0].drives == (DriveId("drive-sda"), DriveId("drive-sdc"))


def test_a_mirror_on_arrays_over_the_same_drives_is_one_physical_loss() -> None:
    """Both legs are arrays that share a drive: losing that one drive loses both."""
    blocks = HandBlocks(below={"sda": ("one", "two"), "sdb": ("two", "three")})
    found = pool(*images("raid1", 2), blocks=blocks)
    assert found.members[0].drives == (DriveId("one"), DriveId("two"))
    assert (found.full_margin, found.protection) == (0, Protection.BARE)


def test_an_image_over_another_volume_rests_on_what_that_rests_on() -> None:
    rows, line = images("raid1", 2)
    rows[1]["devices"] = "v_rimage_0_iorig(0)"
    rows.append(row(lv_name="[v_rimage_0_iorig]", lv_uuid="i", devices="/dev/sdx(0)"))
    rows[-1]["lv_parent"] = "v_rimage_0"
    rows[-1]["lv_role"] = "private,image"
    assert pool(rows, line).members[0].drives == (DriveId("drive-sdx"),)


def test_an_image_that_is_not_there_at_all_is_missing() -> None:
    rows, line = images("raid1", 2)
    rows[0]["devices"] = "v_rimage_0(0),[unknown](0)"
    assert [m.state for m in pool(rows[:2], line).members] == [
        MemberState.GOOD,
        MemberState.MISSING,
    ]


def test_a_report_that_goes_in_circles_or_nowhere_is_survived() -> None:
    rows, line = images("raid1", 2)
    rows[1]["devices"] = "v_rimage_1(0)"
    rows[2]["devices"] = "v_rimage_0(0)"
    assert pool(rows, line).members[0].drives == ()
    alone = row(lv_name="v", lv_uuid="top", segtype="raid1", devices="", lv_attr="rwi-aor---")
    assert pool([alone], "").protection is Protection.UNKNOWN


def test_where_the_missing_device_was_is_told() -> None:
    found = look(kept_step("lvm", "03-leg-gone"))["pools"]
    mir = next(p for p in found if p["name"] == "vg0/mir")
    assert "last seen on /dev/sdb" in mir["members"][1]["said"]


def test_plain_volumes_are_no_pools_until_a_device_is_gone() -> None:
    well = RecordedHost(programs=answers([row()]))
    assert lvm.read(well, SAME, observed_at=NOW).pools == ()
    lost = row(devices="/dev/sda(0),[unknown](4)", lv_health_status="partial")
    found = pool([lost], None)
    assert (found.protection, found.layout) == (Protection.BROKEN, "linear")
    assert [m.state for m in found.members] == [MemberState.GOOD, MemberState.MISSING]


def test_images_of_a_kind_that_is_not_known_are_a_pool_that_is_not_understood() -> None:
    """Left out, a volume of a kind that a newer LVM makes would be lost in silence."""
    rows, line = images("raid1", 2)
    rows[0]["segtype"] = "novelty"
    found = pool(rows, line)
    assert (found.name, found.layout, found.protection) == ("vg/v", "novelty", Protection.UNKNOWN)


def test_images_and_layers_are_not_told_twice() -> None:
    rows, line = images("raid1", 2)
    rows[2] |= {"devices": "[unknown](1)", "lv_health_status": "partial"}
    assert pool(rows, line).name == "vg/v"


def test_without_the_kernel_s_word_it_is_blind_there_and_says_so() -> None:
    rows, _ = images("raid5", 3)
    host = RecordedHost(programs=answers(rows, status=None))
    found = lvm.read(host, SAME, observed_at=NOW)
    assert found.pools[0].noted(Remark.FEW_CHECKS) is not None
    assert (len(found.blind), found.answered) == (1, ())


def test_without_the_list_of_devices_it_is_blind_there() -> None:
    rows, line = images("raid5", 3)
    programs = answers(rows, status=line, devices="{")
    found = lvm.read(RecordedHost(programs=programs), SAME, observed_at=NOW)
    assert found.pools[0].protection is Protection.WHOLE
    assert found.blind[0].why is Unread.GARBLED


PAIR = json.dumps(
    {
        "report": [
            {
                "pv": [
                    {"pv_name": "/dev/mapper/vault", "vg_name": "vg", "pv_uuid": "a",
                     "pv_missing": ""},
                    {"pv_name": "/dev/sdb1", "vg_name": "", "pv_uuid": "b", "pv_missing": ""},
                ]
            }
        ]
    }
)  # fmt: skip


@pytest.mark.parametrize(
    ("carriers", "unlisted"),
    [
        (("dm-4", "sdb1"), []),  # of a group, and of none
        (("dm-4", "sdb1", "sdzz2", "md127"), ["sdzz2", "md127"]),
        (("dm-9", "zd16p1", "loop4"), []),  # a guest's, inside a volume of ours
    ],
)
def test_a_member_that_lvm_does_not_list_is_a_blind_spot(
    carriers: tuple[str, ...], unlisted: list[str]
) -> None:
    """Volumes on it would be left out in silence: by a filter, or as lvmdevices(8) has it."""
    rows, line = images("raid1", 2)
    host = RecordedHost(
        programs=answers(rows, status=line, devices=PAIR),
        links={"/dev/mapper/vault": "../dm-4"},
    )
    found = lvm.read(host, SAME, observed_at=NOW, carriers=carriers)
    assert [spot.detail.split(" ")[0] for spot in found.blind] == [f"/dev/{n}" for n in unlisted]
    assert found.answered == (() if unlisted else ("lvm",))


def test_no_lvm_and_no_member_is_a_full_answer() -> None:
    nothing = PoolsRead(answered=("lvm",))
    assert lvm.read(RecordedHost(), SAME, observed_at=NOW, carriers=()) == nothing
    failing = RecordedHost(programs={LVS: (5, "", "Permission denied")})
    assert lvm.read(failing, SAME, observed_at=NOW, carriers=()) == nothing


@pytest.mark.parametrize("carriers", [("sda",), None])
@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (None, Unread.TOOL_MISSING),
        ((5, "", "WARNING: Running as a non-root user.\nfailed"), Unread.FORBIDDEN),
        ((5, "", ""), Unread.GARBLED),
    ],
)
def test_members_that_cannot_be_asked_are_a_blind_spot(
    carriers: tuple[str, ...] | None, answer: Answer | None, why: Unread
) -> None:
    host = RecordedHost(programs={} if answer is None else {LVS: answer})
    with pytest.raises(CannotRead) as caught:
        lvm.read(host, SAME, observed_at=NOW, carriers=carriers)
    assert caught.value.why is why


@pytest.mark.parametrize(
    ("step", "name"),
    [
        ("03-leg-gone", "lvs-raid.json"),
        ("03-leg-gone", "dmsetup-status.txt"),
        ("09-raid5-transient-then-refresh", "dmsetup-status.txt"),
        ("09-raid5-transient-then-refresh", "lvs-raid.json"),
    ],
)
def test_a_damaged_reading_never_looks_better_than_the_whole_one(step: str, name: str) -> None:
    texts = kept_step("lvm", step)
    whole = look(texts)
    for damage, text in damaged(texts[name]):
        assert better_than(whole, look({**texts, name: text})) == [], damage
