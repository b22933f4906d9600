"""The reader of ZFS: what it asks, what it makes of no answer, and of damaged ones."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.lab.step_host import host_of, kept_step, kept_steps
from tests.readers.pools.boxes import HandBlocks
from tests.readers.pools.tampering import complaints
from tests.readers.pools.zfs_texts import (
    GUID,
    NOW,
    as_json,
    drive,
    group,
    json_box,
    row,
    text,
    text_box,
)
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.pool import MemberState, Protection, Remark
from watcher.readers.blocks import read_blocks
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Ended, Ran
from watcher.readers.pools import zfs
from watcher.readers.pools.registry import carriers_of
from watcher.readers.pools.shape import PoolsRead
from watcher.readers.recorded import RecordedHost

STEPS = [step for scenario, step in kept_steps() if scenario == "zfs"]
RAIDZ = group("raidz1-0", "sda1", "sdb1", "sdc1")


def look(host: RecordedHost, blocks: HandBlocks | None = None, **more: object) -> PoolsRead:
    return zfs.read(host, blocks or HandBlocks(), observed_at=NOW, **more)  # type: ignore[arg-type]


def test_text_and_json_give_the_same_pool() -> None:
    (exact,) = look(json_box(as_json(RAIDZ))).pools
    (plain,) = look(text_box(text(RAIDZ), rows=4)).pools
    assert (exact.pool, exact.protection) == (PoolId(f"zfs:{GUID}"), Protection.WHOLE)
    assert exact.drives == {DriveId(f"drive-sd{x}1") for x in "abc"}
    assert replace(plain, observed_at=exact.observed_at) == exact


def test_no_zfs_at_all_is_a_full_answer() -> None:
    assert look(RecordedHost(), carriers=()) == PoolsRead(answered=("zfs",))


@pytest.mark.parametrize("carriers", [None, ("sdb1",)])
def test_no_program_is_a_blind_spot_where_there_may_be_pools(
    carriers: tuple[str, ...] | None,
) -> None:
    with pytest.raises(CannotRead) as caught:
        look(RecordedHost(), carriers=carriers)
    assert caught.value.why is Unread.TOOL_MISSING


def test_a_module_without_the_program_is_a_blind_spot() -> None:
    with pytest.raises(CannotRead):
        look(RecordedHost(folders={zfs.MODULE: ["version"]}), carriers=())


def test_a_module_that_is_not_loaded_means_none_unless_a_drive_carries_a_label() -> None:
    said = (1, "", "The ZFS modules are not loaded.\nTry running 'modprobe zfs' as root.\n")
    host = RecordedHost(programs={zfs.STATUS_JSON: said})
    assert look(host, carriers=()).answered == ("zfs",)
    with pytest.raises(CannotRead):
        look(host, carriers=("sdb1",))


def test_no_pools_are_a_full_answer_in_both_forms() -> None:
    empty = RecordedHost(
        programs={
            zfs.STATUS_JSON: (2, "", "invalid option 'j'"),
            zfs.STATUS_TEXT: (0, "no pools available\n", ""),
            zfs.ROWS: (0, "", ""),
            zfs.LIST: (0, "", ""),
        }
    )
    assert look(empty) == PoolsRead(answered=("zfs",))
    assert look(json_box(as_json(RAIDZ).split('"pools"')[0] + '"pools": {}}')).pools == ()


def test_a_program_that_hangs_is_a_blind_spot() -> None:
    hung = Ran(argv=zfs.STATUS_JSON, ended=Ended.TIMED_OUT, seconds=30)
    with pytest.raises(CannotRead) as caught:
        look(RecordedHost(programs={zfs.STATUS_JSON: hung}))
    assert caught.value.why is Unread.HUNG


def test_a_pulled_drive_that_still_says_online_is_missing() -> None:
    (pool,) = look(json_box(as_json(RAIDZ)), HandBlocks(gone=frozenset({"sdb1"}))).pools
    assert pool.protection is Protection.BARE
    note = pool.noted(Remark.DEVICE_GONE)
    assert note is not None
    assert note.member == "sdb1"


LINK = "/dev/disk/by-id/wwn-0x5000c500b000000{}-part1"


def linked(*there: int) -> RecordedHost:
    """Make a box whose pool names its drives by links, some of which are there."""
    rows = [row(1, "mirror-0"), *(row(2, LINK.format(n)) for n in (1, 2))]
    return RecordedHost(
        programs={zfs.STATUS_JSON: (0, as_json(rows), "")},
        links={LINK.format(n): f"../../sd{n}1" for n in there},
    )


def test_links_are_followed_to_the_drives() -> None:
    (pool,) = look(linked(1, 2)).pools
    assert pool.drives == {DriveId("drive-sd11"), DriveId("drive-sd21")}


def test_a_link_that_is_gone_is_a_drive_that_is_gone_and_still_has_its_name() -> None:
    gone = HandBlocks(gone=frozenset({LINK.format(2).removeprefix("/dev/")}))
    (pool,) = look(linked(1), gone).pools
    lost = pool.members[1]
    assert (lost.state, lost.drives) == (
        MemberState.MISSING, (DriveId("wwn-5000c500b0000002"),),
    )  # fmt: skip
    assert pool.protection is Protection.BARE


def test_links_that_cannot_be_listed_prove_nothing() -> None:
    gone = HandBlocks(gone=frozenset(LINK.format(n).removeprefix("/dev/") for n in (1, 2)))
    (pool,) = look(linked(), gone).pools
    assert (pool.protection, pool.drives) == (Protection.WHOLE, frozenset())


def test_two_members_on_one_drive_are_one_loss() -> None:
    rows = group("mirror-0", "sda1", "sda2")
    shared = HandBlocks(below={"sda1": ("a",), "sda2": ("a",)})
    (pool,) = look(json_box(as_json(rows)), shared).pools
    assert (pool.protection, pool.full_margin) == (Protection.BARE, 0)


def test_the_kernels_word_for_suspended_wins() -> None:
    state = {"/proc/spl/kstat/zfs/tank/state": "SUSPENDED\n"}
    (pool,) = look(json_box(as_json(RAIDZ), **state)).pools
    assert pool.protection is Protection.BROKEN


def hung(state: str) -> RecordedHost:
    """Make a box whose zpool hangs and whose kernel has one word for the pool."""
    ran = Ran(argv=zfs.STATUS_JSON, ended=Ended.TIMED_OUT, seconds=30)
    return RecordedHost(
        programs={zfs.STATUS_JSON: ran}, files={f"{zfs.KSTAT}/tank/state": f"{state}\n"}
    )


def test_a_pool_that_stopped_is_told_by_the_kernel_while_the_program_hangs() -> None:
    before = look(json_box(as_json(RAIDZ))).pools
    seen = look(hung("SUSPENDED"), previous=before)
    assert [(pool.pool, pool.protection) for pool in seen.pools] == [
        (before[0].pool, Protection.BROKEN)
    ]
    assert [spot.why for spot in seen.blind] == [Unread.HUNG]
    assert look(hung("SUSPENDED")).pools[0].pool == PoolId("zfs:tank")


def test_the_kernel_alone_never_tells_that_a_pool_is_well() -> None:
    with pytest.raises(CannotRead):
        look(hung("ONLINE"))


def test_a_row_that_is_lost_from_the_text_is_found() -> None:
    raidz2 = group("raidz2-0", "sda", drive("sdb", "FAULTED"), "sdc", "sdd", state="DEGRADED")
    with pytest.raises(CannotParse, match="vdevs by zpool list"):
        look(text_box(text(raidz2, state="DEGRADED"), rows=6))


def test_a_pool_with_a_blank_in_its_name_is_read_from_text() -> None:
    """zpool-create(8): a pool's name may have spaces in it."""
    whole = text_box(text(RAIDZ).replace("tank", "my tank"), rows=4)
    named = {
        argv: (status, out.replace("tank\t", "my tank\t"), err)
        for argv, (status, out, err) in whole._programs.items()  # type: ignore[misc]
    }
    seen = look(RecordedHost(programs=named))
    assert [(pool.pool, pool.name) for pool in seen.pools] == [(f"zfs:{GUID}", "my tank")]
    assert seen.blind == ()


def test_a_pool_that_is_lost_from_the_text_is_found() -> None:
    host = text_box(text(RAIDZ), rows=4)
    programs = {**host._programs, zfs.LIST: (0, f"tank\t{GUID}\tONLINE\nbowl\t7\tONLINE\n", "")}
    with pytest.raises(CannotParse, match="other pools"):
        look(RecordedHost(programs=programs))


def test_text_without_the_list_is_told_as_a_blind_spot() -> None:
    host = text_box(text(RAIDZ), rows=4)
    seen = look(RecordedHost(programs={a: r for a, r in host._programs.items() if a != zfs.LIST}))
    assert [pool.pool for pool in seen.pools] == [PoolId("zfs:tank")]
    assert (len(seen.blind), seen.answered) == (1, ())


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("form", ["text", "json"])
def test_no_damaged_answer_ever_looks_healthier_than_the_whole_one(step: str, form: str) -> None:
    host, moment = host_of(kept_step("zfs", step))
    blocks = read_blocks(host)
    carriers = carriers_of("zfs", blocks)
    if form == "text":
        host._programs[zfs.STATUS_JSON] = (2, "", "invalid option 'j'")
    found, tried = complaints(
        host,
        frozenset({"zpool", "zfs"}),
        lambda at: zfs.read(at, blocks, observed_at=moment, carriers=carriers),
    )
    assert found == []
    assert tried > 50
