"""A kernel log line that was understood."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.facts.checks import require_utc
from watcher.facts.identity import Subject


class Category(StrEnum):
    """What part of the storage a kernel event is about, worst cause of data loss first."""

    MEDIUM = "medium"  # the surface or the flash: data could not be read or written
    POOL = "pool"  # an array or a pool changed its state
    GONE = "gone"  # a device left
    FILESYSTEM = "filesystem"  # a filesystem found damage or stopped
    CONTROLLER = "controller"  # command timeouts, resets, firmware trouble
    LINK = "link"  # cable, backplane, connector: CRC errors, link resets
    NOISE = "noise"  # harmless


@dataclass(frozen=True, slots=True, kw_only=True)
class KernelEvent:
    """One thing the kernel said, or many alike folded into one."""

    at: datetime  # of the first line
    category: Category
    what: str  # kebab-case name of the kind of event, the key to its plain explanation
    device: str  # as the kernel named it: "ata3.00", "sdb", "md0"; "" when it named none
    subject: Subject | None = None  # who that was at that moment; None when not known
    line: str = ""  # the first line, as evidence
    count: int = 1  # happenings folded into this event, at least 1; one may take several lines
    last_at: datetime | None = None  # of the last line, when count > 1

    def __post_init__(self) -> None:
        """Check times and count."""
        require_utc(self.at, "at")
        if self.last_at is not None:
            require_utc(self.last_at, "last_at")
        if self.count < 1:
            raise ValueError("an event stands for at least one happening")
