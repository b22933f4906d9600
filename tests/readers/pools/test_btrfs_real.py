"""A real btrfs mirror on loop devices of this machine, read by the real reader."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.lab.loops import btrfs_mirror, run, why_not
from watcher.facts.identity import about_pool
from watcher.facts.pool import MemberState, Pool, Protection, Remark
from watcher.readers.blocks import read_blocks
from watcher.readers.pools import btrfs
from watcher.readers.pools.registry import carriers_of
from watcher.readers.runner import RealHost

LACKING = why_not()
pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(LACKING is not None, reason=f"a real btrfs {LACKING}"),
]


def seen(label: str, *, in_full: bool | None = True) -> Pool:
    """Read this machine and give the pool of that label; ``in_full`` None: in full or not."""
    host = RealHost()
    blocks = read_blocks(host)
    carriers = carriers_of(btrfs.SOURCE, blocks)
    found = btrfs.read(host, blocks, observed_at=datetime.now(UTC), carriers=carriers)
    (pool,) = [pool for pool in found.pools if pool.name == label]
    blind = [spot for spot in found.blind if spot.subject == about_pool(pool.pool)]
    assert in_full in {None, not blind}
    return pool


def test_margin_goes_with_a_drive_and_is_back_only_after_the_converting_balance(
    tmp_path: Path,
) -> None:
    with btrfs_mirror(tmp_path, label="mw-real-1") as (mirror, (spare,)):
        mirror.write("before")
        whole = seen("mw-real-1")
        assert (whole.protection, whole.margin, whole.full_margin) == (Protection.WHOLE, 1, 1)
        assert len(whole.drives) == 2

        mirror.lose(mirror.drives[1])
        bare = seen("mw-real-1")
        assert (bare.protection, bare.margin) == (Protection.BARE, 0)
        assert [m.state for m in bare.members] == [MemberState.GOOD, MemberState.MISSING]

        mirror.replace(2, spare)
        mixed = seen("mw-real-1")
        assert [m.state for m in mixed.members] == [MemberState.GOOD, MemberState.GOOD]
        assert (mixed.protection, mixed.margin) == (Protection.BARE, 0)
        note = mixed.noted(Remark.MIXED_PROFILES)
        assert note is not None
        assert "btrfs balance start" in note.text

        mirror.convert()
        healed = seen("mw-real-1")
        assert (healed.protection, healed.margin, healed.notes) == (Protection.WHOLE, 1, ())


def test_the_same_filesystem_is_judged_alike_when_it_is_not_mounted(tmp_path: Path) -> None:
    with btrfs_mirror(tmp_path, label="mw-real-2") as (mirror, _):
        mirror.write("before")
        mirror.unmount()
        idle = seen("mw-real-2")
        assert (idle.protection, idle.margin) == (Protection.WHOLE, 1)
        assert idle.noted(Remark.INACTIVE) is not None

        mirror.drives[1].pull()
        run("btrfs", "device", "scan", "--forget", check=False)
        lost = seen("mw-real-2")
        assert (lost.protection, lost.margin, lost.full_margin) == (Protection.BARE, 0, 1)


def test_a_mirror_over_three_drives_bears_one_and_is_broken_without_two(tmp_path: Path) -> None:
    with btrfs_mirror(tmp_path, members=3, spares=0, label="mw-real-3") as (mirror, _):
        for number in range(6):
            mirror.write(f"file-{number}", 40)  # enough chunks to lie on all three pairs
        whole = seen("mw-real-3")
        assert (whole.protection, whole.margin, whole.full_margin) == (Protection.WHOLE, 1, 1)

        mirror.unmount()
        mirror.drives[1].pull()
        mirror.drives[2].pull()
        run("btrfs", "device", "scan", "--forget", check=False)
        lost = seen("mw-real-3", in_full=None)  # where things lie may be on the lost drives
        assert (lost.protection, lost.margin) == (Protection.BROKEN, 0)


def test_a_copy_that_was_overwritten_is_told_and_blamed_on_its_drive(tmp_path: Path) -> None:
    with btrfs_mirror(tmp_path, label="mw-real-4") as (mirror, _):
        mirror.write("content", 64)
        mirror.unmount()
        hurt = mirror.drives[1]
        with Path(hurt.node or "").open("r+b") as device:  # past the superblock copies
            device.seek(70 * 1024 * 1024)
            device.write(b"\0" * (90 * 1024 * 1024))
            os.fsync(device.fileno())
        mirror.mount()
        mirror.scrub()
        pool = seen("mw-real-4")
        blamed = [note.member for note in pool.notes if note.remark is Remark.MEMBER_ERRS]
        assert blamed == ["devid 2"]
        assert pool.protection is Protection.WHOLE  # the scrub healed it from the other copy
        assert pool.scrubbed_at is not None
