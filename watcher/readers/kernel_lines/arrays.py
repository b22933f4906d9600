"""Messages of arrays and volumes: md, device mapper, bcache, ZFS, and btrfs as a pool.

Wording: drivers/md/md.c, raid1.c, raid10.c, raid5.c, dm-*.c, drivers/md/bcache, fs/btrfs
(volumes.c, dev-replace.c, disk-io.c) of Linux 4.x to 6.x, module/zfs/spa_misc.c. LVM RAID speaks
as md with the name ``mdX`` and never names the drive.
"""

from __future__ import annotations

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.table import NODE, Row

_MEDIUM, _POOL, _NOISE = Category.MEDIUM, Category.POOL, Category.NOISE
_RAID = r"(?:md/)?raid\w*:\s?(?P<dev>md\w+): "

MD = (
    Row("member-failed", _POOL, "Disk failure on", r"Disk failure on (?P<dev>[\w/-]+)(?:,| det)"),
    Row("member-failed", _POOL, "Failing raid device", r"(?P<dev>[\w-]+): Failing raid device"),
    Row(
        "member-failed",
        _POOL,
        "xceeded read",
        r"(?:: (?P<dev>[\w-]+): Raid device exceeded read.error threshold|exceeded read.error)",
    ),
    Row(
        "member-failed",
        _POOL,
        "oo many read errors",
        r"read errors(?:.*? (?:on|device) (?P<dev>[\w-]+))?",
    ),
    Row("array-broken", _POOL, "Cannot continue operation", _RAID),
    Row("array-broken", _POOL, "not enough operational", r"(?P<dev>md\w+): not enough operational"),
    Row("array-broken", _POOL, "all mirrors are dead", r"(?P<dev>md\w+)"),
    Row("array-not-started", _POOL, "cannot start dirty degraded", r"(?:(?P<dev>md\w+): )?cannot"),
    Row(
        "array-not-started", _POOL, "failed to run raid set", r"(?:(?P<dev>md\w+): )?failed to run"
    ),
    Row("array-not-started", _POOL, "do_md_run() returned", r"do_md_run\(\) returned -\d+"),
    Row("array-not-started", _POOL, "pers->run() failed"),
    Row("member-out-of-date", _POOL, "kicking non-fresh", r"non-fresh (?P<dev>[\w-]+) from array"),
    Row("member-out-of-date", _POOL, "kicking faulty", r"faulty (?P<dev>[\w-]+) from array"),
    Row(
        "member-not-readable",
        _POOL,
        "superblock",
        r"md: (?:invalid|bad|could not read|disabled).*superblock.*? on (?P<dev>[\w-]+)",
    ),
    Row("member-not-readable", _POOL, "failed to read superblock", r"md: \S+"),
    Row(
        "member-not-readable", _POOL, "not importing", r"md: (?P<dev>[\w-]+) does not have a valid"
    ),
    Row(
        "member-not-readable", _POOL, "could not bd_lock", r"md: could not bd_lock (?P<dev>[\w-]+)"
    ),
    Row(
        "sector-repaired",
        _MEDIUM,
        "read error corrected",
        r"raid\S*: ?read error corrected \(.* on (?P<dev>[\w-]+)\)",
    ),
    Row(
        "sector-not-repaired",
        _MEDIUM,
        "read error",
        r"read error (?:NOT corrected|not correctable).* on (?P<dev>[\w-]+)\)",
    ),
    Row(
        "sector-not-repaired",
        _MEDIUM,
        "unrecoverable I/O read error",
        r"(?:(?P<dev>[\w-]+): )?unrecoverable I/O read error",
    ),
    Row("sector-not-repaired", _MEDIUM, "read correction write failed", r"on (?P<dev>[\w-]+)\)"),
    Row(
        "read-from-other-copy",
        _POOL,
        "redirecting sector",
        r"(?P<dev>md\w+): redirecting",
        effect=True,
        weak=True,
    ),
    Row(
        "read-from-other-copy",
        _POOL,
        "rescheduling sector",
        r"(?P<dev>[\w-]+): rescheduling",
        effect=True,
        weak=True,
    ),
    Row("array-superblock-not-written", _POOL, "super_written gets error", weak=True, effect=True),
    Row(
        "array-degraded",
        _POOL,
        "active with",
        r"(?P<dev>md\w+): (?:raid level \d+ )?active with (?!(\d+) out of \2\b)\d+ out of \d+",
    ),
    Row(
        "array-clean-start",
        _NOISE,
        "active with",
        r"(?P<dev>md\w+): (?:raid level \d+ )?active with",
    ),
    Row("array-degraded", _POOL, "Operation continuing on", _RAID, weak=True),
    Row("scrub-mismatch", _POOL, "mismatch sector in range", r"(?P<dev>md\w+): mismatch"),
    Row("array-unclean", _NOISE, "not clean -- starting background", _RAID),
    Row(
        "rebuild-started", _POOL, "recovery of RAID array", r"RAID array (?P<dev>md\w+)", weak=True
    ),
    Row("reshape", _NOISE, "reshape of RAID array", r"RAID array (?P<dev>md\w+)"),
    Row("scrub", _NOISE, "data-check of RAID array", r"RAID array (?P<dev>md\w+)"),
    Row("resync", _NOISE, "resync of RAID array", r"RAID array (?P<dev>md\w+)"),
    Row(
        "rebuild-finished", _POOL, "recovery done", r"md: (?P<dev>md\w+): recovery done", weak=True
    ),
    Row(
        "rebuild-interrupted",
        _POOL,
        "recovery interrupted",
        r"(?P<dev>md\w+): recovery inter",
        weak=True,
    ),
    Row("scrub", _NOISE, "data-check", r"md: (?P<dev>md\w+): data-check (?:done|interrupted)"),
    Row("resync", _NOISE, "resync", r"md: (?P<dev>md\w+): (?:requested-)?resync (?:done|inter)"),
    Row("array-stopped", _NOISE, " stopped", r"md: (?P<dev>md\w+) stopped"),
)

MAPPER = (
    Row(
        "member-not-readable", _POOL, "Failed to read superblock of device", r"device-mapper: raid"
    ),
    Row("member-returned", _POOL, "has readable super block", r"device-mapper: raid"),
    Row(
        "mirror-leg-failed",
        _POOL,
        "mirror",
        r"device-mapper: (?:raid1|mirror): .*(?:failed|[Ee]rror|lost)",
    ),
    Row("path-failed", Category.LINK, "Failing path", r"multipath: .*Failing path (?P<dev>[\d:]+)"),
    Row(
        "volume-full",
        _POOL,
        "out-of-data-space",
        r"(?:thin: )?(?P<dev>[\d:]+): switching pool to out-of",
    ),
    Row("volume-full", _POOL, "reached low water mark for metadata", r"device-mapper: thin"),
    Row("volume-read-only", _POOL, "switching pool to read-only", r"(?P<dev>[\d:]+): switching"),
    Row("volume-read-only", _POOL, "switching pool to fail", r"(?P<dev>[\d:]+): switching"),
    Row(
        "volume-read-only",
        _POOL,
        "switching cache to",
        r"(?P<dev>[\d:]+): switching cache to (?:read-only|fail)",
    ),
    Row("volume-notice", _NOISE, "reached low water mark", r"device-mapper: thin"),
    Row("volume-notice", _NOISE, "growing the", r"device-mapper: \w+"),
    Row("volume-notice", _NOISE, "switching pool to write mode", r"device-mapper: thin"),
    Row(
        "volume-damaged",
        _POOL,
        "metadata operation",
        r"device-mapper: \w+: (?P<dev>[\d:]+): metadata operation .* failed",
    ),
    Row(
        "volume-damaged",
        _POOL,
        "validator",
        r"device-mapper: (?:block manager|space map|btree).*(?:fail|bad)",
    ),
    Row(
        "volume-damaged", _POOL, "check failed", r"device-mapper: (?:block manager|space map|btree)"
    ),
    Row("snapshot-lost", _POOL, "nvalidating snapshot", r"device-mapper: snapshots"),
    Row("data-changed", _MEDIUM, "hecksum failed", r"device-mapper: integrity: .*hecksum failed"),
    Row("data-changed", _MEDIUM, "INTEGRITY AEAD ERROR", r"device-mapper: crypt"),
    Row("data-changed", _MEDIUM, "is corrupted", r"device-mapper: verity"),
    Row(
        "volume-not-started",
        _POOL,
        "device-mapper",
        r"device-mapper: (?:raid|cache|thin|table): .*(?:Unable to|Failed to|[Ee]rror adding"
        r"|not enough|failed)",
    ),
    Row("cache-failed", _POOL, "bch_cache_set_error", r"bcache: bch_cache_set_error"),
    Row(
        "cache-failed",
        _POOL,
        "bch_count_",
        r"bcache: bch_count_\w*io_errors\(\) (?P<dev>[\w-]+):",
        effect=True,
    ),
    Row("cache-failed", _POOL, "disabling caching", r"bcache"),
)

_BDEV = rf"bdev {NODE} errs:"

BTRFS = (
    Row("old-error-counts", _NOISE, "errs: wr", rf"BTRFS:? info.*{_BDEV}"),
    Row(
        "fs-checksum-wrong",
        Category.FILESYSTEM,
        "errs: wr 0, rd 0, flush 0,",
        _BDEV,
        weak=True,
        effect=True,
    ),
    Row("pool-member-errors", _POOL, "errs: wr", _BDEV, weak=True, effect=True),
    Row(
        "pool-member-errors",
        _POOL,
        "error at logical",
        rf"BTRFS.*(?:i/o|I/O|IO|read) error at logical \d+(?: on dev {NODE})?",
        weak=True,
        effect=True,
    ),
    Row(
        "pool-member-missing",
        _POOL,
        "missing",
        r"BTRFS (?:error|warning) \(device (?P<dev>[\w-]+)[^)]*\): "
        r"devid \d+ uuid \S+ (?:path \S+ )?(?:is|missing)",
    ),
    Row(
        "pool-member-missing",
        _POOL,
        "missing",
        r"BTRFS.*\(device (?P<dev>[\w-]+)[^)]*\): chunk \d+ missing \d+ devices",
    ),
    Row(
        "pool-member-missing",
        _POOL,
        "missing",
        r"BTRFS.*\(device (?P<dev>[\w-]+)[^)]*\).*missing dev",
    ),
    Row("pool-mounted-degraded", _POOL, "allowing degraded mounts", r"device (?P<dev>[\w-]+)"),
    Row("pool-replace", _POOL, "dev_replace from", r"device (?P<dev>[\w-]+)", weak=True),
    Row(
        "pool-member-not-written",
        _POOL,
        "error writing primary super block",
        r"device (?P<dev>[\w-]+)",
        weak=True,
        effect=True,
    ),
    Row(
        "pool-member-not-written",
        _POOL,
        "lost page write due to I",
        rf"error on {NODE}",
        weak=True,
        effect=True,
    ),
    Row(
        "scrub",
        _NOISE,
        "scrub: ",
        r"BTRFS info \(device (?P<dev>[\w-]+)[^)]*\): scrub: (?:started|finished)",
    ),
    Row("balance", _NOISE, "balance: ", r"BTRFS info \(device (?P<dev>[\w-]+)"),
)

ZFS = (
    Row("pool-suspended", _POOL, "has been suspended", r"Pool '(?P<dev>[^']+)'"),
    Row("pool-suspended", _POOL, "uncorrectable I/O failure", r"Pool '(?P<dev>[^']+)'"),
    Row(
        "unreadable-sector", _MEDIUM, "zio pool=", r"zio pool=\S+ vdev=(?P<dev>\S+) error=61 type=1"
    ),
    Row("data-changed", _MEDIUM, "zio pool=", r"zio pool=\S+ vdev=(?P<dev>\S+) error=(?:52|77) "),
    Row(
        "io-failed",
        Category.CONTROLLER,
        "zio pool=",
        r"zio pool=\S+ vdev=(?P<dev>\S+) error=",
        effect=True,
        weak=True,
    ),
)

ROWS = (*MD, *MAPPER, *BTRFS, *ZFS)
