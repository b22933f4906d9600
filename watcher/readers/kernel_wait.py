"""How long the kernel waits for a drive before it gives a command up and resets the drive.

Source: ``/sys/block/NAME/device/timeout``, whole seconds, of each SCSI and SATA disk; 30 unless
somebody set it (from memory of the kernel's drivers/scsi/sd.h). Reading it asks the disk nothing.
It is read only for a drive that told how long it tries by itself: one without the other says
nothing.

NVMe drives have no such file, and what stands behind a controller has the controller's own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from watcher.facts.drive import DriveReading
from watcher.readers.block_counters import disks_of
from watcher.readers.block_map import BlockMap
from watcher.readers.errors import CannotParse
from watcher.readers.host import Host

SOURCE = "kernel-wait"


def parse(text: str) -> int:
    """Read the seconds; raises ``CannotParse``."""
    if not re.fullmatch(r"[1-9][0-9]{0,8}\n?", text):
        raise CannotParse(SOURCE, "this is no number of seconds", line=text[:80])
    return int(text)


def add_waits(
    host: Host, readings: Iterable[DriveReading], blocks: BlockMap | None
) -> tuple[DriveReading, ...]:
    """Give the readings with how long the kernel waits for those that told their own time."""
    return tuple(_added(host, reading, blocks) for reading in readings)


def _added(host: Host, reading: DriveReading, blocks: BlockMap | None) -> DriveReading:
    """Add the kernel's wait; of a drive on several paths the shortest."""
    if reading.recovery is None:
        return reading
    names = disks_of(reading, blocks)
    try:
        waits = [parse(host.read_text(f"/sys/block/{name}/device/timeout")) for name in names]
    except (OSError, CannotParse):
        waits = []  # not known
    recovery = replace(reading.recovery, kernel_seconds=min(waits, default=None))
    return replace(reading, recovery=recovery)
