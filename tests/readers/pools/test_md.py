"""Software arrays as a whole: identity, blind spots, and damage that must not flatter."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.lab.captured import look
from tests.lab.step_host import kept_step
from tests.readers.pools.boxes import NOW, HandBlocks, box, four, line, mdstat, sysfs
from tests.readers.pools.damage import better_than, damaged
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId
from watcher.facts.pool import PoolKind, Protection, Remark
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.pools import md
from watcher.readers.pools.md_detail import EXPORT
from watcher.readers.pools.md_stopped import Carrier
from watcher.readers.pools.shape import PoolsRead
from watcher.readers.recorded import RecordedHost

ALL = "sdd[4] sdc[2] sdb[1] sda[0]"
TEXT = mdstat(line(ALL, "UUUU"))
UUID = "ce391fe7:343f770f:00b6873b:4fac137a"
EXPORTED = f"MD_LEVEL=raid5\nMD_UUID={UUID}\nMD_NAME=lab:tank\n"


def read(host: RecordedHost, **more: object) -> PoolsRead:
    return md.read(host, HandBlocks(), observed_at=NOW, carriers=(), **more)  # type: ignore[arg-type]


def without_uuid() -> dict[str, str]:
    return {path: t for path, t in sysfs(four()).items() if not path.endswith("/uuid")}


def test_a_well_array_is_told_in_full() -> None:
    found = read(box(TEXT, sysfs(four())))
    assert found.blind == ()
    assert found.answered == ("md",)
    pool = found.pools[0]
    assert (pool.pool, pool.name, pool.node) == (f"md:{UUID}", "md0", "/dev/md0")
    assert (pool.kind, pool.layout, pool.observed_at) == (PoolKind.MD, "raid5", NOW)
    assert (pool.protection, pool.margin, pool.full_margin) == (Protection.WHOLE, 1, 1)
    assert pool.capacity_bytes == 485376 * 1024
    assert pool.said == "active raid5 [4/4] [UUUU], array_state clean"
    assert pool.drives == {DriveId(f"drive-sd{x}") for x in "abcd"}


def test_no_md_and_no_member_is_a_full_answer() -> None:
    assert read(RecordedHost()) == PoolsRead(answered=("md",))


@pytest.mark.parametrize("carriers", [(Carrier(name="sda"),), None])
def test_members_without_a_summary_are_a_blind_spot(carriers: tuple[Carrier, ...] | None) -> None:
    with pytest.raises(CannotRead) as caught:
        md.read(RecordedHost(), HandBlocks(), observed_at=NOW, carriers=carriers)
    assert caught.value.why is Unread.VANISHED


def test_arrays_in_sysfs_without_a_summary_are_a_blind_spot() -> None:
    with pytest.raises(CannotRead):
        read(RecordedHost(files=sysfs(four())))


def test_a_summary_that_may_not_be_read_is_a_blind_spot() -> None:
    with pytest.raises(CannotRead) as caught:
        read(RecordedHost(denied=["/proc/mdstat"]))
    assert caught.value.why is Unread.FORBIDDEN


def test_a_summary_that_is_cut_is_refused() -> None:
    with pytest.raises(CannotParse):
        read(box(TEXT.replace("unused", "")))


def test_an_array_missing_from_the_summary_is_a_blind_spot() -> None:
    found = read(box(mdstat(), {**sysfs(four()), "/sys/block/sda/size": "1\n"}))
    assert found.pools == ()
    assert found.answered == ()
    assert "md0" in found.blind[0].detail


def test_a_node_that_was_never_made_an_array_is_none() -> None:
    files = {"/sys/block/md9/md/array_state": "clear\n", "/sys/block/md8/size": "0\n"}
    assert read(box(mdstat(), files)) == PoolsRead(answered=("md",))


def test_without_sysfs_the_array_is_told_and_the_rest_is_blind() -> None:
    found = read(box(TEXT))
    assert found.pools[0].protection is Protection.WHOLE
    assert found.answered == ()
    assert [spot.source for spot in found.blind] == ["md"]
    assert found.blind[0].subject is not None


def test_garbled_sysfs_is_a_blind_spot_of_that_array_only() -> None:
    files = sysfs(four(), degraded="some")
    other = TEXT.replace("md0", "md1").replace("Personalities", "x").splitlines()[1:3]
    text = mdstat(line(ALL, "UUUU"), "\n".join(other))
    found = read(box(text, {**files, **sysfs(four(), array="md1")}))
    assert [pool.name for pool in found.pools] == ["md0", "md1"]
    assert len(found.blind) == 1
    assert found.pools[0].noted(Remark.FEW_CHECKS) is not None
    assert found.pools[1].notes == ()


def test_identity_comes_from_the_links_of_udev_next() -> None:
    host = RecordedHost(
        files={"/proc/mdstat": TEXT, **without_uuid()},
        links={
            f"/dev/disk/by-id/md-uuid-{UUID}": "../../md0",
            "/dev/disk/by-id/md-uuid-nonsense": "../../md0",
            "/dev/disk/by-id/md-name-lab:tank": "../../md0",
        },
    )
    assert read(host).pools[0].pool == f"md:{UUID}"


def test_identity_comes_from_mdadm_then_and_the_label_with_it() -> None:
    host = RecordedHost(
        files={"/proc/mdstat": TEXT, **without_uuid()},
        programs={(*EXPORT, "/dev/md0"): (0, EXPORTED, "")},
    )
    pool = read(host).pools[0]
    assert pool.pool == f"md:{UUID}"
    assert pool.said.startswith("lab:tank: ")


def test_identity_is_kept_while_mdadm_is_silent() -> None:
    known = read(box(TEXT, sysfs(four()))).pools
    found = read(box(TEXT, without_uuid()), previous=known)
    assert found.pools[0].pool == f"md:{UUID}"
    other = tuple(replace(pool, node="/dev/md7") for pool in known)
    assert read(box(TEXT, without_uuid()), previous=other).pools[0].pool == "md:md0"


def test_an_array_without_identity_goes_by_its_name_and_says_so() -> None:
    pool = read(box(TEXT, without_uuid())).pools[0]
    assert pool.pool == "md:md0"
    note = pool.noted(Remark.FEW_CHECKS)
    assert note is not None
    assert "md0" in note.text


def test_containers_are_no_pools() -> None:
    text = mdstat("md127 : inactive sda[1](S) sdb[0](S)\n      63 blocks super external:imsm\n")
    assert read(box(text)) == PoolsRead(answered=("md",))


def test_an_inactive_array_is_broken_and_shows_its_members() -> None:
    text = mdstat("md0 : inactive sdb[1](S) sda[0](S)\n      327680 blocks super 1.2\n       ")
    files = sysfs(
        {"sda": ("none", "spare"), "sdb": ("none", "spare")},
        array_state="inactive",
        raid_disks="4",
    )
    pool = read(box(text, files)).pools[0]
    assert pool.protection is Protection.BROKEN
    assert {member.name for member in pool.members} >= {"sda", "sdb"}


@pytest.mark.parametrize(
    ("layout", "slots", "protection"),
    [
        ("258", "U_U_", Protection.BARE),
        ("513", "U_UU", Protection.BARE),
        ("258", "__UU", Protection.BROKEN),
    ],
)
def test_raid10_is_as_strong_as_its_weakest_copies(
    layout: str, slots: str, protection: Protection
) -> None:
    """258 is two near copies (pairs 0+1, 2+3), 513 two far copies."""
    members = {f"sd{x}": (str(i), "in_sync") for i, x in enumerate("abcd") if slots[i] == "U"}
    names = " ".join(f"{name}[{slot}]" for name, (slot, _) in members.items())
    text = mdstat(
        f"md0 : active raid10 {names}\n      99 blocks super 1.2 512K chunks 2 near-copies "
        f"[4/{slots.count('U')}] [{slots}]"
    )
    files = sysfs(members, level="raid10", layout=layout, raid_disks="4")
    pool = read(box(text, files)).pools[0]
    assert (pool.protection, pool.full_margin) == (protection, 1)


def test_raid0_and_linear_are_bare_from_their_first_day() -> None:
    for level, words in (("raid0", "512k chunks"), ("linear", "0k rounding")):
        text = mdstat(f"md0 : active {level} sdb[1] sda[0]\n      99 blocks super 1.2 {words}")
        told = {"sda": ("0", "in_sync"), "sdb": ("1", "in_sync")}
        pool = read(box(text, sysfs(told, level=level))).pools[0]
        assert (pool.protection, pool.full_margin, pool.layout) == (Protection.BARE, 0, level)


def test_the_drives_of_a_member_may_be_several() -> None:
    """A member that is itself made of drives falls with any of them."""
    blocks = HandBlocks(below={"sda": ("one", "two"), "sdb": ("two",)})
    text = mdstat(line("sdb[1] sda[0]", "UU", level="raid1"))
    files = sysfs({"sda": ("0", "in_sync"), "sdb": ("1", "in_sync")}, level="raid1")
    pool = md.read(box(text, files), blocks, observed_at=NOW, carriers=()).pools[0]
    assert pool.members[0].drives == (DriveId("one"), DriveId("two"))
    assert (pool.protection, pool.full_margin) == (Protection.BARE, 0)


DAMAGED_STEPS = [
    ("md_raid5", "01-initial-sync-running", "mdstat.txt"),
    ("md_raid5", "04-failing", "mdstat.txt"),
    ("md_raid5", "06-replaced", "mdstat.txt"),
    ("md_raid5", "11-two-failed", "mdstat.txt"),
    ("md_raid1_raid6", "05-raid6-one-gone", "mdstat.txt"),
    ("md_raid1_raid6", "14-last-leg", "mdstat.txt"),
    ("md_raid5", "04-failing", "sysfs-md.txt"),
    ("md_raid5", "04-failing", "sysfs-md-dev.txt"),
    ("md_raid5", "11-two-failed", "sysfs-md.txt"),
    ("md_raid5", "06-replaced", "sysfs-md-dev.txt"),
    ("e2e_md", "2-failing", "lsblk.json"),
]


@pytest.mark.parametrize(("scenario", "step", "name"), DAMAGED_STEPS)
def test_a_damaged_reading_never_looks_better_than_the_whole_one(
    scenario: str, step: str, name: str
) -> None:
    texts = kept_step(scenario, step)
    whole = look(texts)
    for damage, text in damaged(texts[name]):
        assert better_than(whole, look({**texts, name: text})) == [], damage


def test_an_array_taken_out_of_the_summary_is_missed() -> None:
    texts = kept_step("md_raid5", "04-failing")
    hurt = look({**texts, "mdstat.txt": mdstat()})
    assert "md" in [spot["source"] for spot in hurt["blind"]]
