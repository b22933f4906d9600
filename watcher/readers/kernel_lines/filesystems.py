"""Messages of filesystems: damage found, writes stopped, and what is merely routine.

Wording: fs/ext4/super.c, fs/jbd2, fs/xfs (xfs_fsops.c, xfs_log.c, xfs_buf.c), fs/btrfs
(disk-io.c, inode.c, scrub.c, tree-checker.c, volumes.c), fs/fat, fs/f2fs, fs/reiserfs of Linux
4.x to 6.x. A filesystem that met an I/O error below it tells an effect: the cause is in the
device's lines.
"""

from __future__ import annotations

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.table import NODE, Row

_FS, _NOISE = Category.FILESYSTEM, Category.NOISE
_IN = r"\(device (?P<dev>[\w-]+)[^)]*\)"

EXT = (
    Row("fs-io-failed", _FS, "ext4_end_bio", r"\(device (?P<dev>[\w-]+)\)", effect=True, weak=True),
    Row(
        "fs-io-failed",
        _FS,
        "I/O error while writing superblock",
        r"EXT\d-fs \((?P<dev>[\w-]+)\)",
        effect=True,
        weak=True,
    ),
    Row(
        "fs-io-failed",
        _FS,
        "IO errors while flushing",
        r"data on (?P<dev>[\w-]+?)-\d+",
        effect=True,
        weak=True,
    ),
    Row(
        "fs-io-failed",
        _FS,
        "previous I/O error to superblock",
        r"EXT\d-fs \((?P<dev>[\w-]+)\)",
        effect=True,
        weak=True,
    ),
    Row(
        "fs-io-failed",
        _FS,
        "elayed block allocation failed",
        r"EXT4-fs \((?P<dev>[\w-]+)\)",
        weak=True,
        effect=True,
    ),
    Row(
        "fs-io-failed",
        _FS,
        "ata ",
        r"EXT4-fs \((?P<dev>[\w-]+)\): .*(?:Data will be lost|potential data loss)",
        weak=True,
        effect=True,
    ),
    Row(
        "fs-stopped",
        _FS,
        "journal",
        r"(?:Aborting journal on device|JBD2: .*superblock for"
        r"|journal superblock for) (?P<dev>[\w-]+?)(?:-\d+)?[.: ]?$",
        weak=True,
        effect=True,
    ),
    Row(
        "fs-stopped",
        _FS,
        "etected aborted journal",
        rf"EXT\d-fs error {_IN}",
        weak=True,
        effect=True,
    ),
    Row("fs-stopped", _FS, "ournal has aborted", rf"EXT\d-fs error {_IN}", weak=True, effect=True),
    Row(
        "fs-read-only",
        _FS,
        "emounting filesystem read-only",
        r"EXT\d-fs (?:error )?\((?:device )?(?P<dev>[\w-]+)\)",
        weak=True,
        effect=True,
    ),
    Row("fs-cannot-read", _FS, "annot read", rf"EXT\d-fs error {_IN}", weak=True, effect=True),
    Row(
        "fs-cannot-read",
        _FS,
        "unable to read",
        rf"EXT\d-fs (?:error )?(?:{_IN}|\((?P<fs>[\w-]+)\))",
        weak=True,
        effect=True,
    ),
    Row(
        "fs-cannot-read",
        _FS,
        "reading directory lblock",
        rf"EXT\d-fs (?:error|warning) {_IN}",
        weak=True,
        effect=True,
    ),
    Row("fs-damaged", _FS, "EXT", rf"EXT\d-fs error {_IN}"),
    Row("fs-damaged", _FS, "mounting fs with errors", r"EXT\d-fs \((?P<dev>[\w-]+)\)"),
    Row("fs-damaged", _FS, "error count since last fsck", r"EXT\d-fs \((?P<dev>[\w-]+)\)"),
    Row(
        "fs-damaged",
        _FS,
        "error at time",
        r"EXT\d-fs \((?P<dev>[\w-]+)\): (?:initial|last) error at time",
        weak=True,
    ),
    Row(
        "fs-not-mounted",
        _FS,
        "EXT",
        r"EXT\d-fs \((?P<dev>[\w-]+)\): (?:error loading journal|bad geometry"
        r"|group descriptors corrupted|ext4_check_descriptors|get root inode failed"
        r"|no journal found)",
    ),
    Row(
        "fs-damaged",
        _FS,
        "EXT",
        rf"EXT\d-fs warning {_IN}.*(?:checksum|corrupt|error -)",
        weak=True,
    ),
    Row("fs-damaged", _FS, "JBD2", r"JBD2: (?:Invalid checksum|.*recovery failed|.*[Cc]orrupt)"),
    Row(
        "fs-routine",
        _NOISE,
        "EXT",
        r"EXT\d-fs \((?P<dev>[\w-]+)\): (?:mounted|unmounting|re-mounted|recovery complete"
        r"|INFO: recovery)",
    ),
)

XFS = (
    Row(
        "fs-io-failed",
        _FS,
        "etadata I/O",
        r"XFS \((?P<dev>[\w-]+)\): metadata I/O error",
        effect=True,
        weak=True,
    ),
    Row(
        "fs-io-failed",
        _FS,
        "XFS",
        r"XFS \((?P<dev>[\w-]+)\): (?:[Ll]og I/O [Ee]rror|log recovery read I/O error"
        r"|.*writeback error|Failing async write|.*I/O error)",
        effect=True,
        weak=True,
    ),
    Row(
        "fs-stopped",
        _FS,
        "hutting down filesystem",
        r"XFS \((?P<dev>[\w-]+)\): (?:Metadata I/O|Log I/O|I/O)",
        effect=True,
        weak=True,
    ),
    Row(
        "fs-damaged",
        _FS,
        "XFS",
        r"XFS \((?P<dev>[\w-]+)\): .*(?:[Cc]orrupt|Internal error|CRC error|Unmount and run"
        r"|verifier|Uncorrected metadata)",
    ),
    Row(
        "fs-stopped",
        _FS,
        "XFS",
        r"XFS \((?P<dev>[\w-]+)\): .*(?:[Ss]hutting down|shut down|force_shutdown"
        r"|rectify the problem)",
        effect=True,
        weak=True,
    ),
    Row(
        "fs-not-mounted",
        _FS,
        "XFS",
        r"XFS \((?P<dev>[\w-]+)\): (?:log mount|.*recovery failed|SB validate failed"
        r"|Invalid superblock magic)",
    ),
    Row(
        "fs-routine",
        _NOISE,
        "XFS",
        r"XFS \((?P<dev>[\w-]+)\): (?:Mounting|Ending clean|Unmounting|Starting recovery"
        r"|Ending recovery)",
    ),
)

BTRFS = (
    Row(
        "fs-checksum-wrong",
        _FS,
        "csum",
        rf"BTRFS:? (?:warning|error|info) {_IN}: .*(?:csum failed|csum mismatch|csum hole"
        rf"|checksum verify failed)",
    ),
    Row("fs-checksum-wrong", _FS, "checksum", rf"BTRFS:? (?:warning|error) {_IN}: .*checksum"),
    Row(
        "fs-bad-copy-repaired",
        _FS,
        "fixed up error",
        rf"fixed up error at logical \d+(?: on dev {NODE})?",
        effect=True,
    ),
    Row(
        "fs-bad-copy-repaired",
        _FS,
        "read error corrected",
        rf"\(dev {NODE} sector",
        effect=True,
    ),
    Row("fs-data-lost", _FS, "unable to fixup", rf"{_IN}: (?!.* on dev )"),
    Row(
        "fs-data-lost",
        _FS,
        "unable to fixup",
        rf"unable to fixup.*?(?: on dev {NODE}(?: physical \d+)?)?$",
    ),
    Row(
        "fs-damaged",
        _FS,
        "transid verify failed",
        r"BTRFS[^(]*(?:\(device (?P<dev>[\w-]+)[^)]*\))?.*transid",
    ),
    Row(
        "fs-damaged",
        _FS,
        "bad tree block",
        r"BTRFS[^(]*(?:\(device (?P<dev>[\w-]+)[^)]*\))?.*bad tree",
    ),
    Row(
        "fs-damaged",
        _FS,
        "BTRFS",
        rf"BTRFS:? (?:critical|error|warning) {_IN}: .*(?:corrupt(?! \d)|level verify failed"
        rf"|invalid (?:root|key|tree|extent)|bad (?:fsid|header|key)|unable to find ref"
        rf"|leaf free space|first key mismatch|block=\d+ write time|read time tree block"
        rf"|tree block \d+)",
    ),
    Row(
        "fs-read-only", _FS, "forced readonly", r"\(device (?P<dev>[\w-]+)", weak=True, effect=True
    ),
    Row(
        "fs-stopped",
        _FS,
        "ransaction aborted",
        r"BTRFS[^(]*(?:\(device (?P<dev>[\w-]+)[^)]*\))?.*ransaction aborted",
        weak=True,
        effect=True,
    ),
    Row(
        "fs-stopped",
        _FS,
        "BTRFS",
        rf"BTRFS:? (?:error|critical|warning) {_IN}.*: errno=-\d+",
        weak=True,
        effect=True,
    ),
    Row(
        "fs-not-mounted",
        _FS,
        "open_ctree failed",
        r"BTRFS[^(]*(?:\(device (?P<dev>[\w-]+)[^)]*\))?.*open_ctree",
        weak=True,
        effect=True,
    ),
    Row(
        "fs-not-mounted",
        _FS,
        "BTRFS",
        rf"BTRFS:? (?:error|critical|warning) {_IN}: (?:failed to (?:read|load|recover|verify)"
        rf"|couldn't (?:read|open)|log replay|superblock checksum)",
    ),
    Row("fs-unclear", _FS, "BTRFS", rf"BTRFS:? (?:critical|error) {_IN}", weak=True, effect=True),
    Row("fs-routine", _NOISE, "BTRFS", r"BTRFS:? (?:info|warning|alert)?"),
)

OTHERS = (
    Row(
        "fs-damaged",
        _FS,
        "FAT-fs",
        r"FAT-fs \((?P<dev>[\w-]+)\): (?:error|Filesystem error)",
        weak=True,
    ),
    Row("fs-read-only", _FS, "has been set read-only", r"-fs \((?P<dev>[\w-]+)\)", weak=True),
    Row("fs-routine", _NOISE, "not properly unmounted", r"-fs \((?P<dev>[\w-]+)\)"),
    Row(
        "fs-damaged",
        _FS,
        "F2FS-fs",
        r"F2FS-fs \((?P<dev>[\w-]+)\): .*(?:nvalid|orrupt|nconsisten|rror)",
    ),
    Row("fs-damaged", _FS, "REISERFS", r"REISERFS.*(?:error|abort).*\(device (?P<dev>[\w-]+)\)"),
    Row(
        "fs-damaged",
        _FS,
        "bcachefs",
        r"bcachefs \((?P<dev>[\w-]+)[^)]*\).*(?:error|corrupt|inconsisten)",
    ),
    Row(
        "fs-damaged",
        _FS,
        "ntfs",
        r"ntfs3?: (?:\(device )?(?P<dev>sd\w+|nvme\w+)\)?: .*(?:orrupt|rror)",
    ),
    Row("fs-damaged", _FS, "orrupt", r"(?:JFS|UDF-fs|HFS|hfsplus|NILFS|OCFS2|gfs2).*orrupt"),
)

ROWS = (*EXT, *XFS, *BTRFS, *OTHERS)
