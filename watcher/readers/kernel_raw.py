"""Kernel lines where there is no journal: the kernel's own ring ``/dev/kmsg``, and log files.

The ring is described in the kernel's Documentation/ABI/testing/dev-kmsg; the prefixes of log files
in ``kernel_prefix``. The real ends are in ``kernel_follow``.

Traps:

* ``/dev/kmsg`` drops lines that were not read in time; the sequence numbers show how many.
* A log file is rotated: the rest of the old one is read by its inode before the new one. One that
  was emptied in place is shorter than the place where we stopped.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from watcher.facts.drive import Unread
from watcher.readers.errors import CannotRead
from watcher.readers.kernel_lines.setting import Line
from watcher.readers.kernel_log import SOURCE, Batch, Position
from watcher.readers.kernel_prefix import Dating, read_block, strip_prefix

MOST_LINES = 50_000
"""Lines of one batch. Our choice: about 10 MB; what is beyond it comes with the next batch."""

BLOCK_BYTES = 1 << 18
"""Of a file, read at once. Our choice: more is no faster, since it leaves the processor's cache."""

MOST_BYTES = 32 << 20
"""Of a file, read for one batch. Our choice."""

# -- /dev/kmsg

_SEQUENCE = re.compile(r"[0-9]{1,20}")


def parse_kmsg(records: Sequence[bytes], position: Position, booted_at: datetime) -> Batch:
    """Read records of /dev/kmsg; those at or before the position's number are passed over.

    A record is ``PRIORITY,SEQUENCE,MICROSECONDS,FLAGS;TEXT`` and may have further lines that begin
    with a blank (the device it is about); those are not messages.
    """
    lines: list[Line] = []
    lost = unreadable = 0
    last = position.sequence
    dating = Dating(now=booted_at, booted_at=booted_at)
    for record in records:
        text = record.decode("utf-8", "replace").split("\n", 1)[0]
        head, separator, _ = text.partition(";")
        numbers = head.split(",")
        if not separator or len(numbers) < 3 or not _SEQUENCE.fullmatch(numbers[1]):
            unreadable += 1
            continue
        sequence = int(numbers[1])
        if sequence <= last:
            continue
        if last >= 0:
            lost += sequence - last - 1
        last = sequence
        stripped = strip_prefix(text, dating)
        if stripped is None:
            continue
        lines.extend(
            Line(
                text=part,
                at=stripped.at,
                seconds=stripped.since_boot,
                since_boot=stripped.since_boot,
            )
            for part in stripped.text.replace("\\x0a", "\n").split("\n")
        )
    return Batch(
        lines=tuple(lines),
        position=replace(position, sequence=last),
        lost=lost,
        unreadable=unreadable,
    )


class Records(Protocol):
    """Gives records of /dev/kmsg; see ``kernel_follow.KernelRing``."""

    def take(self, most: int) -> tuple[bytes, ...]:
        """Give the records not yet given, without waiting; raises OSError."""


def read_kmsg(
    records: Records, position: Position | None, *, boot: str, booted_at: datetime
) -> Batch:
    """Read what came after a position of the same boot, or all; raises CannotRead."""
    start = position if position and position.boot == boot else None
    try:
        taken = records.take(MOST_LINES)
    except PermissionError as why:
        raise CannotRead(
            SOURCE,
            Unread.FORBIDDEN,
            "/dev/kmsg may not be read",
            remedy="Run as root, or set the kernel.dmesg_restrict setting to 0.",
        ) from why
    except OSError as why:
        raise CannotRead(
            SOURCE,
            Unread.VANISHED,
            f"/dev/kmsg cannot be read: {why.strerror}",
            remedy="Let the journal or a log file be read instead.",
        ) from why
    batch = parse_kmsg(taken, start or Position(source="kmsg", boot=boot), booted_at)
    return replace(batch, more=len(taken) >= MOST_LINES)


# -- a file


class LogFile(Protocol):
    """A log file that may be rotated; see ``kernel_follow.RealLogFile``."""

    def inode(self) -> int:
        """Tell which file the name stands for now; raises OSError."""

    def read(self, inode: int, offset: int, most: int) -> bytes | None:
        """Read from the file with that inode, also after it was rotated; None when it is gone."""


def read_file(log: LogFile, path: str, position: Position | None, dating: Dating) -> Batch:
    """Read a log file from a position on, through a rotation; raises CannotRead.

    Only whole lines are taken: a line still being written waits for the next look.
    """
    try:
        current = log.inode()
        start = position or Position(source="file", inode=current)
        return _read_from(log, current, start, dating)
    except FileNotFoundError as why:
        raise CannotRead(
            SOURCE,
            Unread.VANISHED,
            f"{path} does not exist",
            remedy="Correct the path in the configuration.",
        ) from why
    except PermissionError as why:
        raise CannotRead(
            SOURCE,
            Unread.FORBIDDEN,
            f"{path} may not be read",
            remedy="Run as root, or add the user to the group adm.",
        ) from why
    except OSError as why:
        raise CannotRead(
            SOURCE,
            Unread.VANISHED,
            f"{path} cannot be read: {why.strerror}",
            remedy="See whether the drive it is on still works.",
        ) from why


def _read_from(log: LogFile, current: int, start: Position, dating: Dating) -> Batch:
    lines: list[Line] = []
    doubts: list[str] = []
    inode, offset, total = start.inode, start.offset, 0
    while total < MOST_BYTES and len(lines) < MOST_LINES:
        block = log.read(inode, offset, BLOCK_BYTES)
        if block is None:
            doubts.append("The log file was rotated away before its end was read.")
            inode, offset = current, 0
            continue
        full = block[: block.rfind(b"\n") + 1]
        if not full and len(block) >= BLOCK_BYTES:
            full = block  # one line longer than a block: nothing the kernel writes
        if full:
            lines.extend(read_block(full, dating))
            offset += len(full)
            total += len(full)
            continue
        if inode != current:
            inode, offset = current, 0
            continue
        break
    else:
        return Batch(
            lines=tuple(lines),
            more=True,
            doubts=tuple(doubts),
            position=Position(source="file", inode=inode, offset=offset),
        )
    return Batch(
        lines=tuple(lines),
        doubts=tuple(doubts),
        position=Position(source="file", inode=inode, offset=offset),
    )
