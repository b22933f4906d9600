"""What ``zpool status`` tells of one pool, whether it came as text or as JSON."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

LEAVES = frozenset({"disk", "file", "missing", "hole", "dspare"})
GROUPS = frozenset({"mirror", "raidz", "draid", "replacing", "spare", "indirect"})

_KIND_OF_NAME = (
    ("mirror", re.compile(r"mirror-\d+")),
    ("raidz", re.compile(r"raidz[123]-\d+")),
    ("draid", re.compile(r"draid[123]?:\d+d:\d+c:\d+s-\d+")),
    ("replacing", re.compile(r"replacing-\d+")),
    ("spare", re.compile(r"spare-\d+")),
    ("indirect", re.compile(r"indirect-\d+")),
    ("dspare", re.compile(r"draid[123]-\d+-\d+")),
)
_PARITY = re.compile(r"(?:raidz|draid)([123]?)[-:]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Vdev:
    """One virtual device: a drive, a partition, a file, or a group of them."""

    name: str  # as printed: a path, a group's name, or a number when the device is not known
    kind: str  # one of LEAVES or GROUPS, or a word that we do not know
    said: str  # its state word
    read: int | None = None  # error counts; None for spares
    write: int | None = None
    checksum: int | None = None
    slow: int | None = None  # operations that took more than 30 s; None: not told
    remark: str = ""  # "too many errors", "resilvering", "was /dev/…"
    path: str | None = None
    size_bytes: int | None = None
    parts: tuple[Vdev, ...] = ()

    @property
    def errors(self) -> int | None:
        """All error counts together."""
        if self.read is None or self.write is None or self.checksum is None:
            return None
        return self.read + self.write + self.checksum


class ScanState(StrEnum):
    """How a scan goes."""

    NONE = "none"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    CANCELED = "canceled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """The running or the last scrub or resilver; a pool does one at a time."""

    resilver: bool  # False: a scrub
    state: ScanState
    fraction: float | None = None
    done_bytes: int | None = None
    total_bytes: int | None = None
    rate_bytes_per_second: int | None = None
    errors: int = 0
    ended_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """One pool as ``zpool status`` shows it."""

    name: str
    guid: str | None  # None: the text form does not tell it
    said: str  # the pool's state word
    why: str = ""  # the sentence after "status:"
    message: str = ""  # "ZFS-8000-…"
    scans: tuple[Scan, ...] = ()
    unknown_scan: str = ""  # a scan line that is not understood
    data: tuple[Vdev, ...] = ()
    special: tuple[Vdev, ...] = ()
    dedup: tuple[Vdev, ...] = ()
    logs: tuple[Vdev, ...] = ()
    cache: tuple[Vdev, ...] = ()
    spares: tuple[Vdev, ...] = ()
    data_errors: int | None = 0  # places known to be damaged; None: not told
    damaged_files: tuple[str, ...] = ()

    @property
    def everything(self) -> tuple[Vdev, ...]:
        """All top vdevs of all sections."""
        return (*self.data, *self.special, *self.dedup, *self.logs, *self.cache, *self.spares)


def leaves_of(vdev: Vdev) -> Iterator[Vdev]:
    """Walk the drives below a vdev."""
    if not vdev.parts:
        yield vdev
    for part in vdev.parts:
        yield from leaves_of(part)


def kind_of(name: str) -> str:
    """Tell from a printed name what a vdev is."""
    for kind, pattern in _KIND_OF_NAME:
        if pattern.fullmatch(name):
            return kind
    return "disk"


def parity_of(name: str) -> int:
    """Give how many drives a raidz or draid set bears, from its name; "draid:" means one."""
    found = _PARITY.match(name)
    return int(found[1] or 1) if found else 1
