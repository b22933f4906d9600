"""The reader of btrfs: what it asks, what it makes of no answer, and of damaged ones."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import pytest

from tests.lab.step_host import host_of, kept_step, kept_steps
from tests.readers.pools.boxes import HandBlocks
from tests.readers.pools.btrfs_texts import NOW, RAID1, UUID, box, show, stats, usage
from tests.readers.pools.tampering import complaints
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId, PoolId, about_pool
from watcher.facts.pool import MemberState, Protection, Remark
from watcher.readers.blocks import read_blocks
from watcher.readers.errors import CannotRead
from watcher.readers.host import Ended, Ran
from watcher.readers.pools import btrfs
from watcher.readers.pools.registry import carriers_of
from watcher.readers.pools.shape import PoolsRead
from watcher.readers.recorded import RecordedHost

STEPS = [step for scenario, step in kept_steps() if scenario == "btrfs"]


def look(host: RecordedHost, **more: object) -> PoolsRead:
    blocks = more.pop("blocks", HandBlocks())
    return btrfs.read(host, blocks, observed_at=NOW, **more)  # type: ignore[arg-type]


def test_a_mirror_is_read_whole_with_its_drives() -> None:
    seen = look(box())
    (pool,) = seen.pools
    assert (seen.blind, seen.answered) == ((), ("btrfs",))
    assert (pool.pool, pool.protection, pool.margin) == (
        PoolId(f"btrfs:{UUID}"), Protection.WHOLE, 1,
    )  # fmt: skip
    assert pool.drives == {DriveId("drive-sda"), DriveId("drive-sdb")}
    assert [m.node for m in pool.members] == ["/dev/sda", "/dev/sdb"]
    assert pool.scrubbed_at == datetime(2026, 2, 28, 2, 0, tzinfo=UTC)
    assert (pool.used_bytes, pool.capacity_bytes) == (3 << 20, (3 << 20) + (1 << 30))


def test_no_btrfs_anywhere_is_a_full_answer() -> None:
    bare = RecordedHost(files={btrfs.MOUNTS: "/dev/vda / ext4 rw 0 0\n"})
    assert look(bare, carriers=()) == PoolsRead(answered=("btrfs",))


@pytest.mark.parametrize("carriers", [None, ("sdb",)])
def test_no_program_is_a_blind_spot_where_there_may_be_members(
    carriers: tuple[str, ...] | None,
) -> None:
    bare = RecordedHost(files={btrfs.MOUNTS: "/dev/vda / ext4 rw 0 0\n"})
    with pytest.raises(CannotRead) as caught:
        look(bare, carriers=carriers)
    assert caught.value.why is Unread.TOOL_MISSING


class Listening(RecordedHost):
    """A recorded box that remembers what was run on it."""

    asked: tuple[tuple[str, ...], ...] = ()

    def run(self, argv: Sequence[str], **more: Any) -> Ran:
        self.asked = (*self.asked, tuple(argv))
        return super().run(argv, **more)


@pytest.mark.parametrize(
    ("carriers", "everywhere"),
    [(("sda", "sdb"), False), (("sda", "sdb", "sdx"), True), (None, True)],
)
def test_sleeping_drives_are_left_alone_unless_a_member_may_be_among_them(
    carriers: tuple[str, ...] | None, *, everywhere: bool
) -> None:
    plain = box()
    mounted = {btrfs.SHOW_MOUNTED: plain._programs[btrfs.SHOW]}
    host = Listening(
        programs={**plain._programs, **mounted},
        files={btrfs.MOUNTS: "/dev/sda /b1 btrfs rw 0 0\n"},
        folders={btrfs.SYSFS: [UUID], btrfs.UDEV: []},
    )
    (pool,) = look(host, carriers=carriers).pools
    assert pool.protection is Protection.WHOLE
    assert (btrfs.SHOW in host.asked) == everywhere


def test_nothing_is_run_where_there_is_no_btrfs() -> None:
    bare = {btrfs.MOUNTS: "/dev/vda / ext4 rw 0 0\n"}
    host = Listening(files=bare, folders={btrfs.UDEV: []})
    assert look(host, carriers=()).answered == ("btrfs",)
    assert host.asked == ()


def test_no_signature_means_nothing_where_signatures_are_not_kept() -> None:
    """lsblk tells no signatures without udev (seen with util-linux 2.38)."""
    idle = (0, show({1: "/dev/sda"}, total=2), "")
    host = RecordedHost(programs={btrfs.SHOW: idle}, files={btrfs.MOUNTS: ""})
    assert [pool.protection for pool in look(host, carriers=()).pools] == [Protection.BARE]


def test_a_mounted_filesystem_without_the_program_is_a_blind_spot() -> None:
    host = RecordedHost(files={btrfs.MOUNTS: "/dev/sda /b1 btrfs rw 0 0\n"})
    with pytest.raises(CannotRead):
        look(host, carriers=())


def test_a_program_that_hangs_is_a_blind_spot() -> None:
    hung = Ran(argv=btrfs.SHOW, ended=Ended.TIMED_OUT, seconds=30)
    host = RecordedHost(programs={btrfs.SHOW: hung}, files={btrfs.MOUNTS: ""})
    with pytest.raises(CannotRead) as caught:
        look(host)
    assert caught.value.why is Unread.HUNG
    assert "kernel log" in caught.value.remedy
    assert "install" not in caught.value.remedy


def test_lacking_rights_are_a_blind_spot() -> None:
    said = (0, "", "ERROR: cannot open /dev/sda: Permission denied")
    host = RecordedHost(programs={btrfs.SHOW: said}, files={btrfs.MOUNTS: ""})
    with pytest.raises(CannotRead) as caught:
        look(host)
    assert (caught.value.why, caught.value.remedy) == (Unread.FORBIDDEN, "run midwatch as root")


def test_mounts_that_may_not_be_read_are_a_blind_spot() -> None:
    with pytest.raises(CannotRead):
        look(RecordedHost(denied=[btrfs.MOUNTS]))


def test_a_filesystem_on_one_device_is_no_pool() -> None:
    seen = look(box(shown=show({1: "/dev/sda"})))
    assert (seen.pools, seen.answered) == ((), ("btrfs",))


@pytest.mark.parametrize("failing", ["usage", "stats", "scrub"])
def test_one_question_without_an_answer_makes_that_filesystem_unknown(failing: str) -> None:
    seen = look(box(without=[failing]))
    assert [pool.protection for pool in seen.pools] == [Protection.UNKNOWN]
    assert [spot.subject for spot in seen.blind] == [about_pool(seen.pools[0].pool)]
    assert seen.answered == ()


@pytest.mark.parametrize("failing", ["replace", "balance"])
def test_work_that_could_not_be_asked_for_is_a_blind_spot_and_no_doubt_of_the_margin(
    failing: str,
) -> None:
    seen = look(box(without=[failing]))
    assert [pool.protection for pool in seen.pools] == [Protection.WHOLE]
    assert len(seen.blind) == 1


def test_a_device_that_is_gone_while_btrfs_lists_it_is_missing() -> None:
    (pool,) = look(box(), blocks=HandBlocks(gone=frozenset({"sdb"}))).pools
    assert [m.state for m in pool.members] == [MemberState.GOOD, MemberState.MISSING]
    assert pool.protection is Protection.BARE
    note = pool.noted(Remark.DEVICE_GONE)
    assert note is not None
    assert note.member == "devid 2"


def test_two_devices_on_one_drive_are_one_loss() -> None:
    shared = HandBlocks(below={"sda": ("one",), "sdb": ("one",)})
    (pool,) = look(box(), blocks=shared).pools
    assert (pool.protection, pool.margin, pool.full_margin) == (Protection.BARE, 0, 0)


def test_a_mount_is_found_through_links_of_the_mapper() -> None:
    paths = ("/dev/mapper/a", "/dev/mapper/b")
    plain = box(
        shown=show({1: paths[0], 2: paths[1]}),
        used=usage(dict.fromkeys(RAID1, paths), paths),
        counted=stats(paths),
        mount="/dev/dm-0 /b1 btrfs rw 0 0\n",
    )
    host = RecordedHost(
        programs=plain._programs,
        files={btrfs.MOUNTS: "/dev/dm-0 /b1 btrfs rw 0 0\n"},
        links={"/dev/mapper/a": "/dev/dm-0", "/dev/mapper/b": "/dev/dm-1"},
    )
    (pool,) = look(host).pools
    assert pool.protection is Protection.WHOLE
    assert pool.drives == {DriveId("drive-dm-0"), DriveId("drive-dm-1")}


def test_an_answer_about_another_filesystem_is_not_believed() -> None:
    other = UUID.replace("1425", "9999")
    host = box(scrubbed=f"UUID:             {other}\n\tno stats available\n"
               "Error summary:    no errors found\n")  # fmt: skip
    seen = look(host)
    assert [pool.protection for pool in seen.pools] == [Protection.UNKNOWN]
    assert other in seen.blind[0].detail


def test_a_usage_with_other_devices_than_the_list_is_not_believed() -> None:
    three = ("/dev/sda", "/dev/sdb", "/dev/sdc")
    seen = look(box(used=usage(RAID1, three)))
    assert [pool.protection for pool in seen.pools] == [Protection.UNKNOWN]


def test_a_usage_that_misses_a_device_which_the_list_has_is_not_believed() -> None:
    """Each alone would be a verdict; together one of them is of another moment."""
    holders = ("/dev/sda", "missing")
    seen = look(box(used=usage(dict.fromkeys(RAID1, holders), holders, missing=1)))
    assert [pool.protection for pool in seen.pools] == [Protection.UNKNOWN]
    assert seen.blind


@pytest.mark.parametrize(
    ("carriers", "mount"),
    [
        (("sdx",), "/dev/sda /b1 btrfs rw 0 0\n"),
        ((), "/dev/sda /b1 btrfs rw 0 0\n/dev/sdx /b2 btrfs rw 0 0\n"),
    ],
)
def test_a_filesystem_that_other_signs_tell_of_and_the_list_does_not_is_a_blind_spot(
    carriers: tuple[str, ...], mount: str
) -> None:
    seen = look(box(mount=mount), carriers=carriers)
    assert len(seen.pools) == 1
    assert "/dev/sdx" in seen.blind[0].detail
    assert seen.answered == ()


def test_a_filesystem_that_the_kernel_has_and_the_list_has_not_is_a_blind_spot() -> None:
    seen = look(box(shown=""))
    assert seen.pools == ()
    assert UUID in seen.blind[0].detail


def test_a_filesystem_that_is_not_mounted_is_read_from_its_chunk_tree() -> None:
    tree = (
        "leaf 1 items 2 free space 1 generation 6 owner CHUNK_TREE\n"
        + "".join(
            f"\titem {n} key (FIRST_CHUNK_TREE CHUNK_ITEM {n}) itemoff 1 itemsize 112\n"
            f"\t\tlength 8 owner 2 stripe_len 65536 type {kind}|RAID1\n"
            "\t\tnum_stripes 2 sub_stripes 1\n"
            "\t\t\tstripe 0 devid 1 offset 1\n\t\t\tstripe 1 devid 2 offset 1\n"
            for n, kind in enumerate(("SYSTEM", "METADATA"))
        )
    )  # fmt: skip
    argv = ("btrfs", "inspect-internal", "dump-tree", "-t", "chunk", "/dev/sda")
    for listed, expected in (
        (show({1: "/dev/sda", 2: "/dev/sdb"}), (Protection.WHOLE, 1, 1)),
        (show({1: "/dev/sda"}, total=2), (Protection.BARE, 0, 1)),
    ):
        host = RecordedHost(
            programs={btrfs.SHOW: (0, listed, ""), argv: (0, tree, "")},
            files={btrfs.MOUNTS: ""},
        )
        (pool,) = look(host).pools
        assert (pool.protection, pool.margin, pool.full_margin) == expected
        assert pool.noted(Remark.INACTIVE) is not None


@pytest.mark.parametrize("step", STEPS)
def test_no_damaged_answer_ever_looks_healthier_than_the_whole_one(step: str) -> None:
    host, moment = host_of(kept_step("btrfs", step))
    blocks = read_blocks(host)
    carriers = carriers_of("btrfs", blocks)
    found, tried = complaints(
        host,
        frozenset({"btrfs"}),
        lambda at: btrfs.read(at, blocks, observed_at=moment, carriers=carriers),
    )
    assert found == []
    assert tried > 50


@pytest.mark.parametrize(
    ("info", "told"),
    [
        ("40 35 0:42 / /b1 ro,relatime - btrfs /dev/sda rw,subvol=/\n", False),
        ("40 35 0:42 / /b1 ro,relatime - btrfs /dev/sda ro,subvol=/\n", True),
        ("this is no mount\n", True),
        (None, True),
    ],
)
def test_only_a_filesystem_that_is_itself_read_only_is_told_as_such(
    info: str | None, *, told: bool
) -> None:
    """A service to which systemd gives a read-only view sees every mount as read-only."""
    host = box(mount="/dev/sda /b1 btrfs ro,relatime 0 0\n", mountinfo=info)
    (pool,) = look(host).pools
    assert (pool.noted(Remark.READ_ONLY) is not None) is told


@pytest.mark.parametrize("counted", [("/dev/sda",), ("/dev/sda", "/dev/disk/by-id/x")])
def test_counters_that_belong_to_none_of_the_devices_are_not_dropped_in_silence(
    counted: tuple[str, ...],
) -> None:
    """A drive whose errors are not seen is not known to be without."""
    (pool,) = look(box(counted=stats(counted))).pools
    note = pool.noted(Remark.FEW_CHECKS)
    assert note is not None
    assert note.text == "Not seen: counters of /dev/sdb"
    assert pool.protection is Protection.UNKNOWN


class Hanging(RecordedHost):
    """A box of which each question to the mounted filesystem hangs; it remembers them."""

    def __init__(self) -> None:
        super().__init__(
            programs={btrfs.SHOW: (0, show({1: "/dev/sda", 2: "/dev/sdb"}), "")},
            files={btrfs.MOUNTS: "/dev/sda /b1 btrfs rw 0 0\n"},
        )
        self.hung: list[tuple[str, ...]] = []

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        if argv[-1] != "/b1":
            return super().run(argv, limit_seconds=limit_seconds, lane=lane)
        self.hung.append(tuple(argv))
        return Ran(argv=tuple(argv), ended=Ended.TIMED_OUT, seconds=limit_seconds)


def test_a_filesystem_that_hangs_is_waited_for_once_and_never_well() -> None:
    """Each further question would hang as long, and the other pools would wait for it."""
    host = Hanging()
    seen = look(host)
    assert len(host.hung) == 1
    (pool,) = seen.pools
    assert pool.protection is Protection.UNKNOWN
    assert [spot.why for spot in seen.blind] == [Unread.HUNG]
    assert seen.answered == ()
