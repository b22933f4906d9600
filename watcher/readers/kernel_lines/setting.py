"""The setting of a message: start of the machine, suspend and resume, portable and optical drives.

What means trouble in the middle of work is routine in these settings. Portable drives (USB, SD
cards, floppies, optical) come and go, and their errors cost no pool its margin; a caller that
knows a disk to be a pool's member names it as fixed, and then none of this applies to it.

It learns from the log itself: which SCSI host belongs to USB, which disk is removable.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import OrderedDict
from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

RESUME_LINES = 80  # after a resume or suspend, ports are reset as a matter of course …
RESUME_SECONDS = 30.0  # … for about this long; drives spin up in 10 to 20 s (common practice)
BOOT_SECONDS = 90.0  # empty ports are probed in the first minute after the start; our choice
USB_LINES = 25  # an error of an unknown disk this near to a USB reset or departure is the stick's …
USB_SECONDS = 15.0  # … within this time; our choice: a USB time-out takes up to about 10 s
REMEMBERED = 512  # devices, hosts and ports kept in mind

_RESUME = re.compile(
    r"PM: (?:suspend|hibernation|resume|Syncing|Preparing|Waking|Finishing|restore)"
    r"|ACPI: (?:PM: )?Waking|Restarting tasks|\] Starting disk|Suspending console"
    r"|Freezing user space|waking up from sleep"
)
_RESUME_STARTS = ("PM: ", "ACPI", "Restarting", "Suspending", "Freezing")
_USB_HOST = re.compile(
    r"scsi ?(?:host)?(?P<host>\d+) ?: (?:usb-storage|uas|SCSI emulation for USB)"
)
_REMOVABLE = re.compile(
    r"sd (?P<host>\d+):\d+:\d+:\d+: \[(?P<name>\w+)\] Attached SCSI removable disk"
)
_UAS = re.compile(r"(?:sd|scsi) (?P<host>\d+):\d+:\d+:\d+: .*\buas_")
_DISK = re.compile(r"sd (?P<host>\d+):\d+:\d+:\d+: \[(?P<name>\w+)\]")
_ATAPI = re.compile(r"(?P<dev>ata\d+(?:\.\d\d)?): ATAPI")
_USB_EVENT = re.compile(
    r"USB disconnect|(?:usb|hub) [\d.-]+(?::[\d.]+)?: (?:reset|device (?:not acc|desc))"
)
_PORTABLE_CUES = ("ATAPI", "scsi", "uas_", "removable disk", "USB", "usb")
_PORTABLE_NAME = re.compile(r"(?:sr|fd|mmcblk|zram|ram)\d+")
_PARTITION = re.compile(
    r"(?P<disk>[shv]d[a-z]+)\d+|(?P<numbered>(?:nvme\d+n|mmcblk|md|nbd)\d+)p\d+"
)


class Line(NamedTuple):
    """One message of the kernel, with its time as far as that is known.

    A named tuple: a storm makes millions, and a frozen dataclass takes three times as long.
    """

    text: str
    at: datetime | None = None  # aware, UTC
    seconds: float | None = None  # on any one clock; for spans only
    since_boot: float | None = None  # seconds


Spot = tuple[int, float | None]
"""A place in the log: which message, and when (seconds)."""


def is_near(one: Spot, other: Spot, lines: int, seconds: float) -> bool:
    """Tell whether two places lie within so many messages and so much time of each other."""
    if abs(one[0] - other[0]) > lines:
        return False
    if one[1] is None or other[1] is None:
        return True
    return abs(one[1] - other[1]) <= seconds


@lru_cache(maxsize=REMEMBERED)
def disk_of(name: str) -> str:
    """Give the whole device a partition lies on: ``sdb`` for ``sdb1``."""
    found = _PARTITION.fullmatch(name)
    if found is None:
        return name
    return found.group("disk") or found.group("numbered")


@lru_cache(maxsize=REMEMBERED)
def _is_portable_name(disk: str) -> bool:
    return _PORTABLE_NAME.match(disk) is not None


def tells_of_sleep(text: str) -> bool:
    """Tell whether a message says that the machine goes to sleep or wakes."""
    return (
        text.startswith(_RESUME_STARTS) or "Starting disk" in text or "waking up" in text
    ) and _RESUME.search(text) is not None


def may_tell_of_portables(text: str) -> bool:
    """Tell whether a message may say which devices come and go, or that one did."""
    return any(cue in text for cue in _PORTABLE_CUES)


class Setting:
    """What is known of the setting while a log is read."""

    def __init__(self, fixed: frozenset[str]) -> None:
        """Take the names of disks that are known not to be portable."""
        self.fixed = fixed
        self._portable: OrderedDict[str, None] = OrderedDict()
        self._resume: Spot | None = None
        self._usb: list[Spot] = []

    @property
    def knows_portables(self) -> bool:
        """Tell whether any device is known to come and go; then every message may name one more."""
        return bool(self._portable)

    def look_ahead(self, lines: Sequence[Line], first_number: int) -> None:
        """Learn from a run of messages before they are told: a stick's errors precede its end."""
        for number, line in enumerate(lines, first_number):
            self._learn(line.text)
            if ("USB" in line.text or "usb" in line.text) and _USB_EVENT.search(line.text):
                self._usb.append((number, line.seconds))
        del self._usb[:-REMEMBERED]

    def sleep_at(self, spot: Spot) -> None:
        """Take note that the machine goes to sleep or wakes here."""
        self._resume = spot

    def _learn(self, text: str) -> None:
        if "ATAPI" in text:
            found = _ATAPI.search(text)
            if found:
                self._keep(found.group("dev"))
        if "scsi" in text or "uas_" in text:
            found = _USB_HOST.search(text) or _UAS.search(text)
            if found:
                self._keep(f"host{found.group('host')}")
        if "removable disk" in text:
            found = _REMOVABLE.search(text)
            if found:
                self._keep(f"host{found.group('host')}", found.group("name"))
        if self._portable and text.startswith("sd "):
            found = _DISK.match(text)
            if found and f"host{found.group('host')}" in self._portable:
                self._keep(found.group("name"))

    def _keep(self, *names: str) -> None:
        for name in names:
            self._portable[name] = None
            self._portable.move_to_end(name)
        while len(self._portable) > REMEMBERED:
            self._portable.popitem(last=False)

    def is_portable(self, device: str) -> bool:
        """Tell whether a device is known to be one that comes and goes."""
        disk = disk_of(device)
        if disk in self.fixed:
            return False
        if not self._portable:
            return _is_portable_name(disk)
        if disk in self._portable or _is_portable_name(disk):
            return True
        address = disk.split(":")
        return len(address) == 4 and f"host{address[0]}" in self._portable

    def may_be_usb(self, device: str, spot: Spot) -> bool:
        """Tell whether an error of a disk nobody knows lies right beside a USB event."""
        if not self._usb:
            return False
        disk = disk_of(device)
        if disk in self.fixed or not (disk.startswith("sd") or disk.count(":") == 3):
            return False
        start = bisect_left(self._usb, spot[0] - USB_LINES, key=lambda usb: usb[0])
        return any(
            is_near(spot, usb, USB_LINES, USB_SECONDS)
            for usb in self._usb[start : start + 2 * USB_LINES + 1]
        )

    def is_resuming(self, spot: Spot) -> bool:
        """Tell whether the machine has just gone to sleep or woken."""
        return self._resume is not None and is_near(
            spot, self._resume, RESUME_LINES, RESUME_SECONDS
        )

    @staticmethod
    def is_starting(line: Line) -> bool:
        """Tell whether the machine has just started."""
        return line.since_boot is not None and line.since_boot < BOOT_SECONDS
