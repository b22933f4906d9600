"""Messages of arrays and volumes. Wording from the kernel's sources named beside each block."""

from __future__ import annotations

import pytest

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.arrays import ROWS
from watcher.readers.kernel_lines.table import first_match

M, P, F, N, L = (
    Category.MEDIUM,
    Category.POOL,
    Category.FILESYSTEM,
    Category.NOISE,
    Category.LINK,
)

MESSAGES = [
    # drivers/md/raid5.c, raid1.c, raid10.c, md.c; the first seven also in our own runs
    ("md/raid:md0: Disk failure on sdb, disabling device.", P, "member-failed", "sdb"),
    ("md/raid1:md7: Disk failure on nvme1n1p1, disabling device.", P, "member-failed", "nvme1n1p1"),
    ("md/raid:md0: Operation continuing on 3 devices.", P, "array-degraded", "md0"),
    ("md/raid:md0: Cannot continue operation (2/4 failed).", P, "array-broken", "md0"),
    ("md/raid:md0: read error corrected (8 sectors at 12296 on sdb)", M, "sector-repaired", "sdb"),
    (
        "md/raid:md0: read error NOT corrected!! (sector 21504 on sdb).",
        M,
        "sector-not-repaired",
        "sdb",
    ),
    ("md: super_written gets error=-5", P, "array-superblock-not-written", ""),
    ("raid10: Disk failure on sde2, disabling device.", P, "member-failed", "sde2"),
    ("md: kicking non-fresh sdk51 from array!", P, "member-out-of-date", "sdk51"),
    # raid0.c and md.c of Linux 5.14 to 6.12, from memory
    ("md/raid0:md3: Disk failure on sdab detected, failing array.", P, "member-failed", "sdab"),
    (
        "md: sdb does not have a valid v1.2 superblock, not importing!",
        P,
        "member-not-readable",
        "sdb",
    ),
    ("md/raid:md0: cannot start dirty degraded array.", P, "array-not-started", "md0"),
    ("md/raid:md0: not enough operational devices (2/4 failed)", P, "array-broken", "md0"),
    ("md/raid:md0: failed to run raid set.", P, "array-not-started", "md0"),
    ("md: pers->run() failed ...", P, "array-not-started", ""),
    (
        "md/raid1:md1: sda1: unrecoverable I/O read error for block 128",
        M,
        "sector-not-repaired",
        "sda1",
    ),
    (
        "md/raid1:md1: redirecting sector 128 to other mirror: sdb1",
        P,
        "read-from-other-copy",
        "md1",
    ),
    (
        "md/raid10:md0: sdc: Raid device exceeded read_error threshold [cur 21:max 20]",
        P,
        "member-failed",
        "sdc",
    ),
    ("md/raid10:md0: sdc: Failing raid device", P, "member-failed", "sdc"),
    ("md/raid:md0: Too many read errors, failing device sdb.", P, "member-failed", "sdb"),
    ("md/raid1:md125: active with 1 out of 2 mirrors", P, "array-degraded", "md125"),
    ("md/raid1:md125: active with 2 out of 2 mirrors", N, "array-clean-start", "md125"),
    (
        "md/raid:md0: raid level 5 active with 3 out of 4 devices, algorithm 2",
        P,
        "array-degraded",
        "md0",
    ),
    (
        "md/raid:md0: raid level 5 active with 11 out of 11 devices, algorithm 2",
        N,
        "array-clean-start",
        "md0",
    ),
    ("md: recovery of RAID array md0", P, "rebuild-started", "md0"),
    ("md: md0: recovery done.", P, "rebuild-finished", "md0"),
    ("md: md6: recovery interrupted.", P, "rebuild-interrupted", "md6"),
    ("md: data-check of RAID array md0", N, "scrub", "md0"),
    ("md: md0: data-check done.", N, "scrub", "md0"),
    ("md: requested-resync of RAID array md0", N, "resync", "md0"),
    ("md0: mismatch sector in range 8192-8200", P, "scrub-mismatch", "md0"),
    ("md/raid1:md1: not clean -- starting background reconstruction", N, "array-unclean", "md1"),
    # drivers/md/dm-raid.c, dm-thin.c, dm-raid1.c, dm-mpath.c, dm-integrity.c, dm-crypt.c
    (
        "device-mapper: raid: Failed to read superblock of device at position 1",
        P,
        "member-not-readable",
        "",
    ),
    (
        (
            "device-mapper: raid: Faulty raid5_ls device #1 has readable super block.  "
            "Attempting to revive it."
        ),
        P,
        "member-returned",
        "",
    ),
    (
        "device-mapper: thin: 253:4: switching pool to out-of-data-space (queue IO) mode",
        P,
        "volume-full",
        "253:4",
    ),
    (
        "device-mapper: thin: 253:4: switching pool to read-only mode",
        P,
        "volume-read-only",
        "253:4",
    ),
    (
        "device-mapper: thin: 253:4: reached low water mark for data device: sending event.",
        N,
        "volume-notice",
        "",
    ),
    (
        (
            "device-mapper: thin: 253:4: metadata operation 'dm_pool_commit_metadata' failed: "
            "error = -5"
        ),
        P,
        "volume-damaged",
        "253:4",
    ),
    ("device-mapper: multipath: 253:1: Failing path 8:16.", L, "path-failed", "8:16"),
    ("device-mapper: integrity: dm-3: Checksum failed at sector 0x80", M, "data-changed", ""),
    (
        "device-mapper: snapshots: Invalidating snapshot: Unable to allocate exception.",
        P,
        "snapshot-lost",
        "",
    ),
    # fs/btrfs/volumes.c, dev-replace.c, disk-io.c
    (
        "BTRFS error (device dm-2): devid 2 uuid bdfff555-c9cb-4d2e-9b00-3fe194c98930 is missing",
        P,
        "pool-member-missing",
        "dm-2",
    ),
    (
        (
            "BTRFS warning (device sda): chunk 13631488 missing 1 devices, max tolerance is 0 for "
            "writable mount"
        ),
        P,
        "pool-member-missing",
        "sda",
    ),
    ("BTRFS info (device sda): allowing degraded mounts", P, "pool-mounted-degraded", "sda"),
    (
        "BTRFS error (device sda): bdev /dev/sdb errs: wr 1, rd 0, flush 0, corrupt 0, gen 0",
        P,
        "pool-member-errors",
        "sdb",
    ),
    (
        "BTRFS error (device sda): bdev /dev/sdb errs: wr 0, rd 0, flush 0, corrupt 3, gen 0",
        F,
        "fs-checksum-wrong",
        "sdb",
    ),
    (
        "BTRFS info (device sda): bdev (efault) errs: wr 11, rd 0, flush 2, corrupt 0, gen 0",
        N,
        "old-error-counts",
        "(efault)",
    ),
    # a pool that was put together by links, in our own runs; and a member that is missing
    # (btrfs_dev_name in fs/btrfs/volumes.h, from memory)
    (
        (
            "BTRFS error (device sda): bdev /dev/disk/by-id/wwn-0x5a0b0c0000000201 errs: "
            "wr 8, rd 1358, flush 2, corrupt 0, gen 0"
        ),
        P,
        "pool-member-errors",
        "disk/by-id/wwn-0x5a0b0c0000000201",
    ),
    (
        (
            "BTRFS error (device sda): bdev /dev/disk/by-path/pci-0000:00:1f.2-ata-3-part1 errs: "
            "wr 1, rd 0, flush 0, corrupt 0, gen 0"
        ),
        P,
        "pool-member-errors",
        "disk/by-path/pci-0000:00:1f.2-ata-3-part1",
    ),
    (
        "BTRFS error (device sda): bdev <missing disk> errs: wr 5, rd 0, flush 1, corrupt 0, gen 0",
        P,
        "pool-member-errors",
        "",
    ),
    (
        "BTRFS warning (device sda): lost page write due to IO error on <missing disk> (-5)",
        P,
        "pool-member-not-written",
        "",
    ),
    (
        (
            "BTRFS warning (device sda): i/o error at logical 30818304 on dev "
            "/dev/disk/by-id/wwn-0x5a0b0c0000000201, physical 9846784: metadata leaf (level 0) "
            "in tree 10"
        ),
        P,
        "pool-member-errors",
        "disk/by-id/wwn-0x5a0b0c0000000201",
    ),
    ("BTRFS info (device sda): scrub: started on devid 1", N, "scrub", "sda"),
    # module/zfs/spa_misc.c and zio.c of OpenZFS; error 61 is ENODATA, which is what Linux makes
    # of a medium error (block/blk-core.c, blk_errors)
    (
        "WARNING: Pool 'tank' has encountered an uncorrectable I/O failure and has been suspended.",
        P,
        "pool-suspended",
        "tank",
    ),
    (
        "zio pool=tank vdev=/dev/sdb1 error=61 type=1 offset=270336 size=8192 flags=1245377",
        M,
        "unreadable-sector",
        "sdb1",
    ),
]


@pytest.mark.parametrize(("message", "category", "what", "device"), MESSAGES)
def test_a_message_of_an_array_means(
    message: str, category: Category, what: str, device: str
) -> None:
    meaning = first_match(ROWS, message)
    assert meaning is not None
    assert (meaning.category, meaning.what, meaning.device) == (category, what, device)


def test_ordinary_words_of_md_mean_nothing() -> None:
    for message in (
        "md/raid:md0: device sdc operational as raid disk 2",
        "md: bind<sdb1>",
        "md0: detected capacity change from 0 to 970752",
    ):
        assert first_match(ROWS, message) is None
