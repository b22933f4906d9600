"""Boxes for the tests of pool readers: block devices by hand, arrays out of short descriptions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from watcher.facts.identity import DriveId
from watcher.readers.pools.shape import bare_name
from watcher.readers.recorded import RecordedHost

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


@dataclass
class HandBlocks:
    """Block devices by name; a device stands on ``drive-NAME`` unless told otherwise."""

    gone: frozenset[str] = frozenset()
    given_up: frozenset[str] = frozenset()
    below: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    arrays: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def arrays_below(self, name: str) -> tuple[str, ...]:
        return self.arrays.get(bare_name(name), ())

    def exists(self, name: str) -> bool:
        return bare_name(name) not in self.gone

    def is_given_up(self, name: str) -> bool:
        return bare_name(name) in self.given_up

    def drives_below(self, name: str) -> tuple[DriveId, ...]:
        short = bare_name(name)
        return tuple(DriveId(drive) for drive in self.below.get(short, (f"drive-{short}",)))


def mdstat(*arrays: str) -> str:
    """Make the whole summary around the lines of some arrays."""
    levels = "Personalities : [raid1] [raid6] [raid5] [raid4] [raid10] [raid0] [linear]"
    return "\n".join([levels, *(f"{array}\n" for array in arrays), "unused devices: <none>\n"])


def line(members: str, slots: str, *, level: str = "raid5", more: str = "", head: str = "") -> str:
    """Make the lines of one array, ``slots`` as ``U_UU``; ``more`` are further lines."""
    counts = f"[{len(slots)}/{slots.count('U')}] [{slots}]"
    lines = [
        f"md0 : active {head}{level} {members}",
        f"      485376 blocks super 1.2 {counts}",
        *([f"      {more}"] if more else []),
    ]
    return "\n".join(lines)


HEALTHY = {
    "array_state": "clean",
    "degraded": "0",
    "sync_action": "idle",
    "last_sync_action": "check",
    "sync_completed": "none",
    "sync_speed": "none",
    "mismatch_cnt": "0",
    "level": "raid5",
    "layout": "2",
    "resync_start": "none",
    "consistency_policy": "bitmap",
    "component_size": "161792",
    "uuid": "ce391fe7-343f-770f-00b6-873b4fac137a",
}


def sysfs(
    members: Mapping[str, tuple[str, str]], *, array: str = "md0", **attributes: str
) -> dict[str, str]:
    """Make the files of an array: members as name → (slot, state words)."""
    folder = f"/sys/block/{array}/md"
    told = {**HEALTHY, "raid_disks": str(len(members)), **attributes}
    files = {f"{folder}/{name}": f"{value}\n" for name, value in told.items()}
    for name, (slot, words) in members.items():
        files[f"{folder}/dev-{name}/slot"] = f"{slot}\n"
        files[f"{folder}/dev-{name}/state"] = f"{words}\n"
        files[f"{folder}/dev-{name}/errors"] = "0\n"
        files[f"{folder}/dev-{name}/size"] = "161792\n"
    return files


def four(**other: tuple[str, str]) -> dict[str, tuple[str, str]]:
    """Give four members in step, some of them replaced."""
    plain = {f"sd{letter}": (str(i), "in_sync") for i, letter in enumerate("abcd")}
    return {**plain, **other}


def box(text: str, files: Mapping[str, str] | None = None) -> RecordedHost:
    """Make a host with a summary and the files of sysfs."""
    return RecordedHost(files={"/proc/mdstat": text, **(files or {})})
