"""Where a drive is found and how it is addressed, and the answer for one that gave none."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from watcher.facts.drive import DriveIdentity, DriveUnread, Unread
from watcher.facts.identity import DriveId

AUTO = "auto"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveTarget:
    """Where to find a drive, and how to address it."""

    node: str  # "/dev/sda", "/dev/bus/0"
    device_type: str = AUTO  # smartctl's -d: "sat", "megaraid,4", "auto"
    bay: str | None = None  # in the owner's words
    known: DriveIdentity | None = None  # what the block layer knows of it
    shared: DriveId | None = None  # the id it tells, where another drive tells the same

    @property
    def lane(self) -> str:
        """Name what a hung run would hang on: a drive, also one behind a controller's node."""
        return lane_of(self.node, self.device_type)


_ONE_DRIVE = frozenset(
    {"ata", "auto", "nvme", "sat", "scsi", "sntasmedia", "sntjmicron", "sntrealtek", "usbcypress"}
)
"""Types that only say how the one drive at a node is spoken to, as ``sat,12`` does. Not those of
docks with two bays, where the number names the bay: usbjmicron and usbasm1352r (smartctl(8), option
``-d``)."""


def behind_controller(device_type: str) -> bool:
    """Tell whether a type names one of several drives that share a node, as ``megaraid,4`` does."""
    parts = (part.partition(",") for part in device_type.split("+"))
    return any(comma and name not in _ONE_DRIVE for name, comma, _ in parts)


def lane_of(node: str, device_type: str) -> str:
    """Name the lane of a drive by how it is addressed."""
    return f"{node} {device_type}" if behind_controller(device_type) else node


def unread_of(
    target: DriveTarget,
    why: Unread,
    detail: str,
    observed_at: datetime,
    **seen: Any,  # noqa: ANN401
) -> DriveUnread:
    """Make the answer for a drive that gave no reading; ``seen`` is what it told of itself."""
    known = target.known
    return DriveUnread(
        node=target.node,
        why=why,
        detail=detail,
        observed_at=observed_at,
        drive=known.drive if known else seen.get("drive"),
        device_type=target.device_type,
        model=seen.get("model") or (known.model if known else None) or None,
        serial=seen.get("serial") or (known.serial if known else None) or None,
        capacity_bytes=seen.get("capacity_bytes") or (known.capacity_bytes if known else None),
        bay=target.bay,
    )
