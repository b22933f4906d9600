"""Messages of filesystems. Wording from the kernel's sources; most also in our own runs."""

from __future__ import annotations

import pytest

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.filesystems import ROWS
from watcher.readers.kernel_lines.table import first_match

DAMAGE = [
    # firm: the filesystem's own structures or data are wrong
    # fs/ext4/super.c, namei.c
    (
        (
            "EXT4-fs error (device sde): ext4_lookup:1862: inode #2: comm ls: deleted inode "
            "referenced: 65539"
        ),
        "fs-damaged",
        "sde",
    ),
    (
        "EXT4-fs (sde): warning: mounting fs with errors, running e2fsck is recommended",
        "fs-damaged",
        "sde",
    ),
    # fs/xfs/xfs_error.c, libxfs
    (
        (
            "XFS (dm-0): Metadata corruption detected at xfs_agf_read_verify+0x78/0x120 [xfs], "
            "xfs_agf block 0x1"
        ),
        "fs-damaged",
        "dm-0",
    ),
    (
        "XFS (dm-0): Corruption of in-memory data (0x8) detected at xfs_defer_finish",
        "fs-damaged",
        "dm-0",
    ),
    ("XFS (sdb1): Unmount and run xfs_repair", "fs-damaged", "sdb1"),
    # fs/btrfs/disk-io.c, tree-checker.c, scrub.c, inode.c
    (
        (
            "BTRFS error (device sda): parent transid verify failed on logical 30425088 mirror 1 "
            "wanted 10 found 8"
        ),
        "fs-damaged",
        "sda",
    ),
    (
        "BTRFS critical (device sda): corrupt leaf: root=5 block=30425088 slot=3",
        "fs-damaged",
        "sda",
    ),
    (
        (
            "BTRFS warning (device sda): csum failed root 5 ino 257 off 262144 csum 0x8941f998 "
            "expected csum 0x3e2eee74 mirror 1"
        ),
        "fs-checksum-wrong",
        "sda",
    ),
    (
        (
            "BTRFS error (device sda): unable to fixup (regular) error at logical 88408064 on dev "
            "/dev/sdb"
        ),
        "fs-data-lost",
        "sdb",
    ),
    # fs/btrfs/scrub.c of Linux 6.4 to 6.12, from memory: the place on the drive at the end, or none
    (
        (
            "BTRFS error (device sda): unable to fixup (regular) error at logical 88408064 on dev "
            "/dev/sdb physical 67502080"
        ),
        "fs-data-lost",
        "sdb",
    ),
    (
        "BTRFS error (device sda): unable to fixup (regular) error at logical 88408064",
        "fs-data-lost",
        "sda",
    ),
    # fs/xfs, from memory
    (
        "XFS (sdb1): Uncorrected metadata errors detected; please run xfs_repair.",
        "fs-damaged",
        "sdb1",
    ),
    (
        "BTRFS error (device sda): fixed up error at logical 88145920 on dev /dev/sdb",
        "fs-bad-copy-repaired",
        "sdb",
    ),
    (
        (
            "BTRFS error (device sda): fixed up error at logical 30818304 on dev "
            "/dev/disk/by-id/wwn-0x5a0b0c0000000201"
        ),
        "fs-bad-copy-repaired",
        "disk/by-id/wwn-0x5a0b0c0000000201",
    ),
]

EFFECTS = [
    # fs/ext4, from memory
    ("EXT4-fs (sdb1): This should not happen!! Data will be lost", "fs-io-failed", "sdb1"),
    (
        (
            "EXT4-fs (sdb1): failed to convert unwritten extents to written extents -- potential "
            "data loss!  (inode 12, error -5)"
        ),
        "fs-io-failed",
        "sdb1",
    ),
    # weak: the filesystem met trouble of the device below it
    (
        (
            "EXT4-fs warning (device md0): ext4_end_bio:343: I/O error 10 writing to inode 33 "
            "starting block 25601)"
        ),
        "fs-io-failed",
        "md0",
    ),
    ("JBD2: Detected IO errors while flushing file data on md0-8", "fs-io-failed", "md0"),
    ("Aborting journal on device md0-8.", "fs-stopped", "md0"),
    ("JBD2: I/O error when updating journal superblock for md0-8.", "fs-stopped", "md0"),
    (
        (
            "EXT4-fs error (device md0): ext4_journal_check_start:83: comm ls: Detected aborted "
            "journal"
        ),
        "fs-stopped",
        "md0",
    ),
    ("EXT4-fs (md0): Remounting filesystem read-only", "fs-read-only", "md0"),
    ("EXT4-fs (md0): I/O error while writing superblock", "fs-io-failed", "md0"),
    (
        (
            'XFS (sdd): metadata I/O error in "xfs_imap_to_bp+0x58/0x80 [xfs]" at daddr 0x80 '
            "len 32 error 61"
        ),
        "fs-io-failed",
        "sdd",
    ),
    (
        (
            "XFS (sdd): Metadata I/O Error (0x1) detected at xfs_trans_read_buf_map+0x15c/0x2f0 "
            "[xfs] (fs/xfs/xfs_trans_buf.c:296).  Shutting down filesystem."
        ),
        "fs-stopped",
        "sdd",
    ),
    ("BTRFS info (device sda): forced readonly", "fs-read-only", "sda"),
]

ROUTINE = [
    "EXT4-fs (sde): mounted filesystem with ordered data mode. Quota mode: none.",
    "EXT4-fs (sde): recovery complete",
    "XFS (sdd): Ending clean mount",
    "BTRFS info (device sda): using free space tree",
    "BTRFS: device label one devid 1 transid 6 /dev/sda scanned by mkfs.btrfs (396)",
    "FAT-fs (sdb1): Volume was not properly unmounted. Some data may be corrupt.",
]


@pytest.mark.parametrize(("message", "what", "device"), DAMAGE)
def test_damage_is_firm(message: str, what: str, device: str) -> None:
    meaning = first_match(ROWS, message)
    assert meaning is not None
    assert (meaning.category, meaning.what, meaning.device) == (Category.FILESYSTEM, what, device)
    assert not meaning.weak


@pytest.mark.parametrize(("message", "what", "device"), EFFECTS)
def test_an_effect_of_the_device_below_is_only_a_sign(message: str, what: str, device: str) -> None:
    meaning = first_match(ROWS, message)
    assert meaning is not None
    assert (meaning.category, meaning.what, meaning.device) == (Category.FILESYSTEM, what, device)
    assert meaning.weak


@pytest.mark.parametrize("message", ROUTINE)
def test_routine_is_noise(message: str) -> None:
    meaning = first_match(ROWS, message)
    assert meaning is not None
    assert meaning.category is Category.NOISE


def test_a_count_of_corruption_that_is_zero_is_no_damage() -> None:
    """However a member is named, the count of its other errors says nothing of the structures."""
    said = "BTRFS error (device sda): bdev %s errs: wr 1, rd 0, flush 0, corrupt 0, gen 0"
    for name in ("/dev/sdb", "<missing disk>", "a name that nobody thought of"):
        meaning = first_match(ROWS, said % name)
        assert meaning is None or meaning.what == "fs-unclear", name
