"""All drives at once: each is asked by a worker of its own, so a hung one holds up nobody else.

What several targets turn out to be (a drive behind a controller that the block layer shows too, a
drive on two paths) is one drive: a reading wins over no reading, the first over the later.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial

from watcher.facts.drive import SAME_NAME, DriveReading, DriveUnread, Unread
from watcher.facts.identity import DriveId, drive_id
from watcher.readers.block_map import BlockMap
from watcher.readers.drive_target import DriveTarget, behind_controller, unread_of
from watcher.readers.host import Host
from watcher.readers.smartctl import LIMIT_SECONDS, read_drive

WORKERS = 32
"""How many drives are asked at the same time. Our choice: a worker only waits, so there are enough
for a shelf of drives; with more hung drives than this, the rest would have to wait."""


BETWEEN_SECONDS = 0.25
"""How often one who waits is asked whether to go on. Our choice: a key pressed feels heard."""

Answer = DriveReading | DriveUnread
Answers = tuple[tuple[DriveReading, ...], tuple[DriveUnread, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """Some drives have not answered yet."""

    silent: tuple[DriveTarget, ...]
    waited_seconds: float
    limit_seconds: float  # after this they count as hung
    so_far: Callable[[], Answers]  # what is known now; the silent ones are unread


def read_all(
    host: Host,
    targets: Sequence[DriveTarget],
    *,
    observed_at: datetime,
    limit_seconds: float = LIMIT_SECONDS,
    slow_pages: frozenset[str] = frozenset(),
    wake: bool = False,
    goes_on: Callable[[Silence], bool] | None = None,
) -> Answers:
    """Ask all drives; takes about as long as the slowest. Every drive is in one of the two.

    ``slow_pages`` names the lanes of those that are asked for their slow pages too.
    ``goes_on`` is asked again and again while some are silent; when it says no, they are not waited
    for. The programs that ask them then still run: ``RealHost.abandon`` ends them.
    """
    if not targets:
        return (), ()
    ask = partial(
        read_drive,
        host,
        observed_at=observed_at,
        limit_seconds=limit_seconds,
        wake=wake,
    )
    pool = ThreadPoolExecutor(max_workers=max(1, min(WORKERS, len(targets))))
    try:
        asked = [
            (target, pool.submit(ask, target, deep=target.lane in slow_pages)) for target in targets
        ]
        if goes_on is not None:
            _wait(asked, observed_at, limit_seconds, goes_on)
        else:
            wait([future for _, future in asked])
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
    return _answers(asked, observed_at)


def _wait(
    asked: list[tuple[DriveTarget, Future[Answer]]],
    observed_at: datetime,
    limit_seconds: float,
    goes_on: Callable[[Silence], bool],
) -> None:
    """Wait for all, or until one who waits has had enough."""
    started = time.monotonic()
    while True:
        _, silent = wait([future for _, future in asked], timeout=BETWEEN_SECONDS)
        if not silent:
            return
        silence = Silence(
            silent=tuple(target for target, future in asked if future in silent),
            waited_seconds=time.monotonic() - started,
            limit_seconds=limit_seconds,
            so_far=lambda: _answers(asked, observed_at),
        )
        if not goes_on(silence):
            return


def _answers(asked: list[tuple[DriveTarget, Future[Answer]]], observed_at: datetime) -> Answers:
    return sort_answers(
        future.result()
        if future.done() and not future.cancelled()
        else unread_of(target, Unread.NOT_YET, f"{target.node} has not answered yet.", observed_at)
        for target, future in asked
    )


def sort_answers(
    answers: Iterable[DriveReading | DriveUnread],
) -> tuple[tuple[DriveReading, ...], tuple[DriveUnread, ...]]:
    """Part readings from the rest, each drive once."""
    readings: dict[DriveId, DriveReading] = {}
    unread: list[DriveUnread] = []
    for answer in answers:
        if isinstance(answer, DriveReading):
            one = _own_name(answer, readings.get(answer.identity.drive))
            readings.setdefault(one.identity.drive, one)
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


def _own_name(one: DriveReading, other: DriveReading | None) -> DriveReading:
    """Name a reading by its serial number where another drive has its World Wide Name.

    One drive on two paths tells one serial number.
    """
    who = one.identity
    if other is None or not who.serial or who.serial == other.identity.serial:
        return one
    plain = drive_id(wwn=None, model=who.model, serial=who.serial)
    if plain is None:
        return one
    return replace(one, identity=replace(who, drive=plain), doubts=(*one.doubts, SAME_NAME))


def learn_ids(readings: Iterable[DriveReading], blocks: BlockMap) -> dict[DriveId, DriveId]:
    """Give the ids of the block layer that the drives themselves put right.

    A USB bridge may show its own serial number to the block layer while smartctl reaches the drive
    behind it. Pools are traced through the block layer, so its map must use the drive's own id:
    hand the result to ``BlockMap.with_aliases``, and keep it for as long as the box runs, so that
    the id stays the same while the drive sleeps.
    """
    learned: dict[DriveId, DriveId] = {}
    for reading in readings:
        if behind_controller(reading.device_type) or reading.identity.drive.startswith(
            "unidentified_"
        ):
            continue
        seen = blocks.drive_of_disk(reading.node)
        if seen is not None and seen != reading.identity.drive:
            learned[seen] = reading.identity.drive
    return learned
