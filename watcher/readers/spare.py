"""A spare that is plugged in: who it is, by its own word and by the block layer's.

Programs: lsblk (see blocks.py) and smartctl (see smartctl.py), by their own readers. A drive
without SMART (a loop device, a bridge) is known by the block layer alone; a loop device's serial
number is the path of the file behind it, which is as lasting.

Trap: a USB bridge may show its own serial number to the block layer. Where the drive itself
answers, its own word counts.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from watcher.facts.drive import DriveIdentity, DriveReading
from watcher.readers.block_map import Block, BlockMap
from watcher.readers.blocks import read_blocks
from watcher.readers.drive_target import DriveTarget
from watcher.readers.host import Host
from watcher.readers.smartctl import read_drive


def identity_by_blocks(blocks: BlockMap, block: Block) -> DriveIdentity | None:
    """Give who a whole disk or loop device is, without asking it."""
    known = blocks.identity_of(block.kname)
    if known is not None and block.kind == "loop" and block.backing_file:
        return replace(known, model="loop device", serial=block.backing_file)
    return known


def look_at_spare(
    host: Host, device: str, now: datetime, *, device_type: str | None = None
) -> DriveReading | DriveIdentity | None:
    """Ask a plugged drive; its reading, else what the block layer knows; None: not there.

    Raises ReadError when the block devices cannot be listed.
    """
    blocks = read_blocks(host)
    block = blocks.block(device)
    if block is None or not (block.is_drive or block.kind == "loop"):
        return None
    known = identity_by_blocks(blocks, block)
    if known is None or block.kind == "loop":
        return known
    kind = device_type or ("nvme" if block.kname.startswith("nvme") else "auto")
    answer = read_drive(
        host,
        DriveTarget(node=block.node, device_type=kind, known=known),
        observed_at=now,
        wake=True,
    )
    return answer if isinstance(answer, DriveReading) else known
