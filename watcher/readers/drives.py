"""All drives at once: each is asked by a worker of its own, so a hung one holds up nobody else.

What several targets turn out to be (a drive behind a controller that the block layer shows too, a
drive on two paths) is one drive: a reading wins over no reading, the first over the later.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from functools import partial

from watcher.facts.drive import DriveReading, DriveUnread
from watcher.facts.identity import DriveId
from watcher.readers.blocks import BlockMap
from watcher.readers.host import Host
from watcher.readers.smartctl import LIMIT_SECONDS, DriveTarget, read_drive

WORKERS = 32
"""How many drives are asked at the same time. Our choice: a worker only waits, so there are enough
for a shelf of drives; with more hung drives than this, the rest would have to wait."""


def read_all(
    host: Host,
    targets: Sequence[DriveTarget],
    *,
    observed_at: datetime,
    limit_seconds: float = LIMIT_SECONDS,
    workers: int = WORKERS,
    deep: bool = False,
    wake: bool = False,
) -> tuple[tuple[DriveReading, ...], tuple[DriveUnread, ...]]:
    """Ask all drives; takes about as long as the slowest. Every drive is in one of the two."""
    if not targets:
        return (), ()
    ask = partial(
        read_drive,
        host,
        observed_at=observed_at,
        deep=deep,
        limit_seconds=limit_seconds,
        wake=wake,
    )
    with ThreadPoolExecutor(max_workers=max(1, min(workers, len(targets)))) as pool:
        answers = list(pool.map(ask, targets))
    return sort_answers(answers)


def sort_answers(
    answers: Iterable[DriveReading | DriveUnread],
) -> tuple[tuple[DriveReading, ...], tuple[DriveUnread, ...]]:
    """Part readings from the rest, each drive once."""
    readings: dict[DriveId, DriveReading] = {}
    unread: list[DriveUnread] = []
    for answer in answers:
        if isinstance(answer, DriveReading):
            readings.setdefault(answer.identity.drive, answer)
        else:
            unread.append(answer)
    seen: set[DriveId] = set(readings)
    left: list[DriveUnread] = []
    for missing in unread:
        if missing.drive is not None and missing.drive in seen:
            continue
        if missing.drive is not None:
            seen.add(missing.drive)
        left.append(missing)
    return tuple(readings.values()), tuple(left)


def learn_ids(readings: Iterable[DriveReading], blocks: BlockMap) -> dict[DriveId, DriveId]:
    """Give the ids of the block layer that the drives themselves put right.

    A USB bridge may show its own serial number to the block layer while smartctl reaches the drive
    behind it. Pools are traced through the block layer, so its map must use the drive's own id:
    hand the result to ``BlockMap.with_aliases``, and keep it for as long as the box runs, so that
    the id stays the same while the drive sleeps.
    """
    learned: dict[DriveId, DriveId] = {}
    for reading in readings:
        if "," in reading.device_type or reading.identity.drive.startswith("unidentified_"):
            continue
        seen = blocks.drive_of_disk(reading.node)
        if seen is not None and seen != reading.identity.drive:
            learned[seen] = reading.identity.drive
    return learned
