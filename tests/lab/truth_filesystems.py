"""What was true in the recorded steps of btrfs, ZFS and file-level parity, stated by hand.

Form: (scenario, step, pool): protection, margin, full margin, work, members, remarks. Told by
what was done to the drives in that step (see steps/README.txt).
"""

from __future__ import annotations

from typing import Any

TWO = ["devid 1 good", "devid 2 good"]
THREE = [*TWO, "devid 3 good"]
Z = "scsi-35000c500b000000{}-part1 {}"
DISKS = ["d1 good", "d2 good", "d3 good", "parity good"]


def _tank(*numbers: int, bad: tuple[int, str] | None = None) -> list[str]:
    """Name the three members of the pool, one of them in another state."""
    state = dict([bad]) if bad else {}
    return [Z.format(number, state.get(number, "good")) for number in numbers]


FILESYSTEMS: dict[tuple[str, str, str], tuple[Any, ...]] = {
    ("btrfs", "01-healthy", "one"): ("whole", 1, 1, None, TWO, []),
    # data raid5 and metadata raid1c3: the data decides
    ("btrfs", "01-healthy", "five"): ("whole", 1, 1, None, THREE, []),
    ("btrfs", "02-scrub-corrected", "one"): ("whole", 1, 1, None, TWO, ["member-errs"]),
    ("btrfs", "03-scrub-uncorrectable", "one"): (
        "broken", 0, 1, None, TWO, ["damaged-data", "member-errs", "member-errs"],
    ),
    # the file that was damaged in step 03 had been removed, and the counters reset
    ("btrfs", "04-device-gone-while-mounted", "one"): (
        "bare", 0, 1, None, ["devid 1 good", "devid 2 missing"], ["damaged-data"],
    ),
    ("btrfs", "05-mount-refused", "one"): (
        "bare", 0, None, None, ["devid 1 good", "unlisted 1 missing"], ["few-checks", "inactive"],
    ),
    ("btrfs", "07-replace-running", "one"): (
        "bare", 0, 1, "rebuild running",
        ["devid 1 good", "devid 2 missing", "devid 0 rebuilding"],
        ["mixed-profiles", "damaged-data"],
    ),
    # replaced, but what was written while a device was missing has one copy
    ("btrfs", "08-replaced", "one"): (
        "bare", 0, 1, None, TWO, ["mixed-profiles", "damaged-data"],
    ),
    ("btrfs", "09-scrub-running", "one"): ("whole", 1, 1, None, TWO, []),  # it had ended
    ("btrfs", "10-healthy-again", "one"): ("whole", 1, 1, None, TWO, []),
    # every read of one device failed, and btrfs counted none of it
    ("btrfs", "11-raid5-read-errors", "five"): ("whole", 1, 1, None, THREE, []),
    ("btrfs", "12-raid5-gone", "five"): (
        "bare", 0, 1, None, ["devid 1 good", "devid 2 missing", "devid 3 good"], [],
    ),
    # the system part has one copy on one device: without it nothing is found
    ("btrfs", "14-raid5-replaced", "five"): ("bare", 0, 1, None, THREE, ["mixed-profiles"]),
    ("zfs", "01-healthy", "tank"): ("whole", 1, 1, None, _tank(0, 1, 2), []),
    ("zfs", "02-read-errors", "tank"): (
        "bare", 0, 1, None, _tank(0, 1, 2, bad=(1, "failed")), ["member-errs"],
    ),
    ("zfs", "03-write-errors-faulted", "tank"): (
        "bare", 0, 1, None, _tank(0, 1, 2, bad=(1, "failed")), ["member-errs"],
    ),
    ("zfs", "04-cleared", "tank"): ("whole", 1, 1, None, _tank(0, 1, 2), []),
    ("zfs", "06-forced-fault", "tank"): (
        "bare", 0, 1, None, _tank(0, 1, 2, bad=(1, "failed")), [],
    ),
    ("zfs", "07-pulled", "tank"): (
        "bare", 0, 1, None, _tank(0, 1, 2, bad=(1, "missing")), [],
    ),
    ("zfs", "09-resilvered", "tank"): ("whole", 1, 1, None, _tank(0, 3, 2), []),
    ("zfs", "10-scrub-repaired", "tank"): (
        "whole", 1, 1, None, _tank(0, 3, 2), ["member-errs"],
    ),
    # two members were overwritten in one place: a file is lost, all states say ONLINE
    ("zfs", "12-scrub-running-and-paused", "tank"): (
        "broken", 0, 1, None, _tank(0, 3, 2), ["damaged-data", "member-errs"],
    ),
    ("zfs", "13-with-spare-log-cache", "tank"): (
        "broken", 0, 1, None,
        [*_tank(0, 3, 2), Z.format(4, "spare"), Z.format(5, "good"), Z.format(6, "good")],
        ["damaged-data", "member-errs"],
    ),
    ("snapraid", "01-before-sync", "snapraid"): ("bare", 0, 1, None, DISKS, ["unsynced"]),
    ("snapraid", "02-sync", "snapraid"): ("whole", 1, 1, None, DISKS, []),
    ("snapraid", "03-unsynced-changes", "snapraid"): (
        "bare", 0, 1, None, DISKS, ["unsynced"],
    ),
    # one byte differs: parity can restore it, as long as no disk is lost
    ("snapraid", "04-silent-corruption", "snapraid"): (
        "bare", 0, 1, None, DISKS, ["damaged-data", "few-checks"],
    ),
    ("snapraid", "06-fix-onto-new-disk", "snapraid"): ("whole", 1, 1, None, DISKS, []),
}  # fmt: skip
