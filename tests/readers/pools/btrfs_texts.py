"""Texts as btrfs-progs prints them, for a filesystem described in a few words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from watcher.readers.pools import btrfs
from watcher.readers.recorded import Answer, RecordedHost

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
UUID = "14254951-d5b2-490e-9c09-0c5ba83a0748"
SIZE = 1 << 30
MIB = 1 << 20

RAID1: Mapping[str, Sequence[str]] = {
    "Data,RAID1": ("/dev/sda", "/dev/sdb"),
    "Metadata,RAID1": ("/dev/sda", "/dev/sdb"),
    "System,RAID1": ("/dev/sda", "/dev/sdb"),
}


def show(devices: Mapping[int, str | None], *, label: str = "one", total: int | None = None) -> str:
    """Make ``filesystem show --raw``; a device without path is missing."""
    rows = [
        f"\tdevid    {devid} size {SIZE} used {8 * MIB} path {path}"
        if path
        else f"\tdevid    {devid} size 0 used 0 path  MISSING"
        for devid, path in devices.items()
    ]
    marks = ["\t*** Some devices missing"] if total is not None and total > len(devices) else []
    head = [
        f"Label: '{label}'  uuid: {UUID}",
        f"\tTotal devices {total or len(devices)} FS bytes used {4 * MIB}",
    ]
    return "".join(f"{line}\n" for line in (*head, *rows, *marks, ""))


def usage(
    groups: Mapping[str, Sequence[str]],
    devices: Sequence[str],
    *,
    used: Mapping[str, int] | None = None,
    missing: int = 0,
) -> str:
    """Make ``filesystem usage -b``, with sums that come out; 8 MiB for each row."""
    rows = sum(len(holders) for holders in groups.values())
    kinds = [name.split(",")[0] for name in groups]
    several = "yes" if len(kinds) != len(set(kinds)) else "no"
    lines = [
        "Overall:",
        f"    Device size:\t\t{SIZE * len(devices):18}",
        f"    Device allocated:\t\t{rows * 8 * MIB:18}",
        f"    Device unallocated:\t\t{SIZE:18}",
        f"    Device missing:\t\t{missing * SIZE:18}",
        f"    Device slack:\t\t{0:18}",
        f"    Used:\t\t\t{MIB:18}",
        f"    Free (estimated):\t\t{SIZE:18}\t(min: {SIZE})",
        "    Data ratio:\t\t\t              2.00",
        f"    Global reserve:\t\t{5767168:18}\t(used: 0)",
        f"    Multiple profiles:\t\t{several:>18}",
        "",
    ]
    for name, holders in groups.items():
        count = (used or {}).get(name, MIB)
        lines.append(f"{name}: Size:{_size(name, len(holders))}, Used:{count} (12.50%)")
        lines.extend(f"   {holder}\t{8 * MIB:10}" for holder in holders)
        lines.append("")
    lines.append("Unallocated:")
    lines.extend(f"   {device}\t{SIZE:10}" for device in devices)
    return "".join(f"{line}\n" for line in lines)


COPIES = {"RAID1": 2, "RAID10": 2, "DUP": 2, "RAID1C3": 3, "RAID1C4": 4}
PARITIES = {"RAID5": 1, "RAID6": 2}


def _size(name: str, rows: int) -> int:
    """Give the size of a group whose rows hold 8 MiB each."""
    profile = name.split(",")[1]
    held = rows * 8 * MIB
    if profile in PARITIES:
        return held // rows * (rows - PARITIES[profile])
    return held // COPIES.get(profile, 1)


def stats(devices: Sequence[str], **counts: int) -> str:
    """Make ``device stats``; counts hold for the last device."""
    names = ("write_io", "read_io", "flush_io", "corruption", "generation")
    return "".join(
        f"[{device}].{name}_errs".ljust(30) + f" {counts.get(name, 0) if last else 0}\n"
        for device, last in ((d, d == devices[-1]) for d in devices)
        for name in names
    )


def scrub(*, status: str = "finished", corrected: int = 0, uncorrectable: int = 0) -> str:
    """Make ``scrub status``."""
    errors = (
        f"Error summary:    csum={corrected + uncorrectable}\n  Corrected:      {corrected}\n"
        f"  Uncorrectable:  {uncorrectable}\n  Unverified:     0\n"
        if corrected or uncorrectable
        else "Error summary:    no errors found\n"
    )
    going = "Bytes scrubbed:   40.00MiB  (50.00%)\n" if status == "running" else ""
    return (
        f"UUID:             {UUID}\nScrub started:    Sat Feb 28 02:00:00 2026\n"
        f"Status:           {status}\nDuration:         0:10:01\n"
        f"Total to scrub:   80.00MiB\n{going}Rate:             40.00MiB/s\n{errors}"
    )


def box(  # the parts of one mounted filesystem, each of which may be another
    *,
    shown: str | None = None,
    used: str | None = None,
    counted: str | None = None,
    scrubbed: str | None = None,
    replacing: str = "Never started\n",
    balance: str = "No balance found on '/b1'\n",
    mount: str = "/dev/sda /b1 btrfs rw,relatime 0 0\n",
    mountinfo: str | None = None,
    without: Sequence[str] = (),
) -> RecordedHost:
    """Make a box with one mounted btrfs raid1 over sda and sdb; ``without`` names what fails."""
    pair = ("/dev/sda", "/dev/sdb")
    answers: dict[tuple[str, ...], str] = {
        btrfs.SHOW: shown if shown is not None else show({1: pair[0], 2: pair[1]}),
        ("btrfs", "filesystem", "usage", "-b", "/b1"): used or usage(RAID1, pair),
        ("btrfs", "device", "stats", "/b1"): counted or stats(pair),
        ("btrfs", "scrub", "status", "/b1"): scrubbed or scrub(),
        ("btrfs", "replace", "status", "-1", "/b1"): replacing,
        ("btrfs", "balance", "status", "/b1"): balance,
    }
    programs: dict[tuple[str, ...], Answer] = {
        argv: (0, text, "") for argv, text in answers.items() if argv[2] not in without
    }
    programs = {a: r for a, r in programs.items() if a[1] not in without}
    return RecordedHost(
        programs=programs,
        files={btrfs.MOUNTS: mount}
        | ({btrfs.MOUNTINFO: mountinfo} if mountinfo is not None else {}),
        folders={btrfs.SYSFS: [UUID, "features"] if mount else ["features"]},
    )
