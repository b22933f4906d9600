"""One pass over a drive: every piece written, or read and compared, with time and faults kept.

Two helpers take a piece each and do all there is to do with it: one fills or compares while the
drive works for the other, so that the drive never waits for us. What came of the pieces is heard in
their order. A piece that fails is halved until the bad place is small, and nothing else is asked of
the drive meanwhile; the pass goes on behind it.
"""

from __future__ import annotations

import errno
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from itertools import islice
from math import inf
from typing import Final

from watcher.recovery.pattern import NOISE_BYTES, SECTOR_BYTES, Pattern
from watcher.recovery.proving import FAULTS_KEPT, FAULTS_MOST, Curve, Fault, FaultKind
from watcher.service.raw_device import Device, aligned, same

SMALLEST_BYTES: Final = 4096
"""A bad place is narrowed down to this, or to a sector where that is larger."""

TRIES_IN_A_PIECE: Final = 64
"""How many failing tries one piece of the drive may cost. Our choice: each can take a drive many
seconds; what is left of the piece then counts as failed in one."""

BAD_BYTES_MOST: Final = 256 * 1024 * 1024
"""So much that failed ends a burn-in too, however few places it makes. Our choice: no drive with a
quarter of a gigabyte of bad data is worth more hours."""

ABREAST: Final = 2
"""How many pieces are worked on at a time. Our choice: what keeps a drive busy, measured beside dd
in ``tests/bench/prove.py``."""

AHEAD: Final = 3
"""How many pieces are given out beyond the one that is heard. Our choice: those that are worked on
and one more, so that no helper waits to be heard."""

Operation = Callable[[int, memoryview], None]
"""Reads or writes a buffer at a place; OSError when that cannot be done."""

_GONE: Final = frozenset({errno.ENODEV, errno.ENXIO, errno.EBADF})


class DriveGone(Exception):
    """The drive does not take commands any more."""


@dataclass(slots=True)
class Faults:
    """What failed so far."""

    kept: list[Fault] = field(default_factory=list)
    count: int = 0
    bytes: int = 0

    def add(self, fault: Fault) -> None:
        """Note one fault."""
        self.count += 1
        self.bytes += fault.bytes
        if len(self.kept) < FAULTS_KEPT:
            self.kept.append(fault)

    @property
    def too_many(self) -> bool:
        """Whether there is no point in going on."""
        return self.count >= FAULTS_MOST or self.bytes >= BAD_BYTES_MOST


def _raise_when_gone(error: OSError) -> None:
    """Tell a drive that is gone from a place that fails."""
    if error.errno in _GONE:
        raise DriveGone(error.strerror or "no such device") from error


def _narrowed(
    operation: Operation,
    at: int,
    buffer: memoryview,
    smallest: int,
) -> Iterator[tuple[int, int, str]]:
    """Do an operation piece by piece, halving what fails; give the places that fail."""
    tries = 0
    waiting = [(0, len(buffer))]
    while waiting:
        start, length = waiting.pop()
        if tries >= TRIES_IN_A_PIECE:
            yield at + start, length, "given up after many tries"
            continue
        try:
            operation(at + start, buffer[start : start + length])
        except OSError as error:
            _raise_when_gone(error)
            tries += 1
            if length <= smallest:
                yield at + start, length, error.strerror or "failed"
                continue
            half = (length // 2 + smallest - 1) // smallest * smallest
            waiting += [(start + half, length - half), (start, half)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """What came of one piece."""

    buffer: memoryview  # its content holds for a piece that is not right; others take it meanwhile
    began: float  # when the drive was asked, and when it had answered; seconds that only grow
    ended: float
    error: OSError | None = None
    differs: bool = False  # it was read, and holds something else than what was written

    @property
    def is_right(self) -> bool:
        """Whether there is nothing to find out about it."""
        return self.error is None and not self.differs

    def own_seconds(self, through: float) -> float:
        """Give how long the drive took for it alone, when the one before was through at a time."""
        return max(0.0, self.ended - max(self.began, through))


class Buffers:
    """Buffers that are taken again and again, the last one first: a cache still holds it."""

    def __init__(self, pattern: Pattern | None = None) -> None:
        """Begin with none; each new one is prepared with a pattern."""
        self._pattern = pattern
        self._free: list[memoryview] = []

    def take(self) -> memoryview:
        """Give one that is free, or a new one."""
        try:
            return self._free.pop()
        except IndexError:
            made = aligned(NOISE_BYTES)
            if self._pattern is not None:
                self._pattern.prepare(made)
            return made

    def give_back(self, buffer: memoryview) -> None:
        """Let others take it; one that is not given back is let go."""
        self._free.append(buffer)


class Ahead:
    """Has pieces worked on, a few at a time, and gives what came of them in their order."""

    def __init__(
        self,
        helpers: ThreadPoolExecutor,
        work: Callable[[int], Worked],
        places: Iterable[int],
    ) -> None:
        """Begin at once.

        ``work`` gets the place of a piece.
        """
        self._helpers, self._work = helpers, work
        self._places = iter(places)
        self._waiting: deque[tuple[int, Future[Worked]]] = deque()
        self._give_out(AHEAD)

    def __iter__(self) -> Iterator[tuple[int, Worked]]:
        """Give each place with what came of it."""
        while self._waiting:
            place, future = self._waiting.popleft()
            worked = future.result()
            self._give_out(1)
            yield place, worked

    def settle(self) -> None:
        """Wait until nothing is asked of the drive."""
        wait([future for _, future in self._waiting])

    def _give_out(self, count: int) -> None:
        """Let the next pieces be worked on."""
        for place in islice(self._places, count):
            self._waiting.append((place, self._helpers.submit(self._work, place)))


class Pass:
    """What both directions share: where we are, how long it took, what failed."""

    def __init__(self, device: Device, clock: Callable[[], float], curve: Curve) -> None:
        """Work on a device; ``clock`` gives seconds that only grow."""
        self.device = device
        self.clock = clock
        self.curve = curve
        self.faults = Faults()
        self.smallest = max(SMALLEST_BYTES, device.sector)
        self._through = -inf  # when the last piece was through

    def places(self, start: int) -> range:
        """Give where each piece begins; ``start`` is a whole number of pieces."""
        return range(start, self.device.size, NOISE_BYTES)

    def length(self, at: int) -> int:
        """Give the length of the piece that begins there."""
        return min(NOISE_BYTES, self.device.size - at)

    def _ask(self, operation: Operation, at: int, buffer: memoryview) -> Worked:
        """Have one piece read or written. Raises ``DriveGone``."""
        began = self.clock()
        error: OSError | None = None
        try:
            operation(at, buffer)
        except OSError as failed:
            _raise_when_gone(failed)
            error = failed
        return Worked(buffer=buffer, began=began, ended=self.clock(), error=error)

    def _narrow(
        self, pieces: Ahead, operation: Operation, at: int, worked: Worked, kind: FaultKind
    ) -> list[tuple[int, int]]:
        """Note the time of a piece, and find the places of it that fail."""
        seconds = worked.own_seconds(self._through)
        self._through = max(worked.ended, self._through)
        bad: list[tuple[int, int]] = []
        if worked.error is not None:
            pieces.settle()
            began = self.clock()
            word = "written" if kind is FaultKind.WRITE_FAILED else "read"
            for place, length, why in _narrowed(operation, at, worked.buffer, self.smallest):
                bad.append((place, length))
                text = f"{length} bytes at {place} could not be {word} ({why})."
                self.faults.add(Fault(kind=kind, at=place, bytes=length, text=text))
            self._through = self.clock()
            seconds += self._through - began
        self.curve.add(at, len(worked.buffer), seconds)
        return bad


class WritePass(Pass):
    """Fills the drive with the pattern."""

    def run(self, pattern: Pattern, start: int) -> Generator[int, None, None]:
        """Write from ``start`` on; gives after each piece up to where it is through."""
        buffers = Buffers(pattern)

        def work(at: int) -> Worked:
            whole = buffers.take()
            buffer = whole[: self.length(at)]
            pattern.stamp(buffer, at)
            worked = self._ask(self.device.write_at, at, buffer)
            if worked.error is None:
                buffers.give_back(whole)
            return worked

        with ThreadPoolExecutor(ABREAST, thread_name_prefix="write") as helpers:
            pieces = Ahead(helpers, work, self.places(start))
            for at, worked in pieces:
                self._narrow(pieces, self.device.write_at, at, worked, FaultKind.WRITE_FAILED)
                yield at + len(worked.buffer)


class ReadPass(Pass):
    """Reads the drive, and compares with the pattern where there is one."""

    def run(self, pattern: Pattern | None, start: int) -> Generator[int, None, None]:
        """Read from ``start`` on; gives after each piece up to where it is through."""
        buffers, wanted = Buffers(), Buffers(pattern)

        def work(at: int) -> Worked:
            whole = buffers.take()
            worked = self._ask(self.device.read_at, at, whole[: self.length(at)])
            if pattern is not None and worked.error is None:
                prepared = wanted.take()
                there = prepared[: len(worked.buffer)]
                pattern.stamp(there, at)
                worked = replace(worked, differs=not same(worked.buffer, there))
                wanted.give_back(prepared)
            if worked.is_right:
                buffers.give_back(whole)
            return worked

        with ThreadPoolExecutor(ABREAST, thread_name_prefix="read") as helpers:
            pieces = Ahead(helpers, work, self.places(start))
            for at, worked in pieces:
                bad = self._narrow(pieces, self.device.read_at, at, worked, FaultKind.READ_FAILED)
                if pattern is not None and not worked.is_right:
                    self._explain(pattern, at, worked.buffer, bad)
                yield at + len(worked.buffer)

    def _explain(
        self, pattern: Pattern, at: int, buffer: memoryview, bad: list[tuple[int, int]]
    ) -> None:
        """Note which sectors read back wrong; what could not be read is left out."""
        unread = {
            sector
            for place, length in bad
            for sector in range(place // SECTOR_BYTES, (place + length) // SECTOR_BYTES)
        }
        sectors = self.device.size // SECTOR_BYTES
        run: list[int] = []
        text = ""
        for offset in range(0, len(buffer), SECTOR_BYTES):
            sector = (at + offset) // SECTOR_BYTES
            got = buffer[offset : offset + SECTOR_BYTES].tobytes()
            wrong = None if sector in unread else pattern.explain(sector, got, sectors)
            if wrong is None:
                self._note_run(run, text)
                run, text = [], ""
                continue
            run.append(sector)
            text = text or wrong.sentence
        self._note_run(run, text)

    def _note_run(self, run: list[int], text: str) -> None:
        """Note sectors in a row that read back wrong."""
        if not run:
            return
        more = f" So do the {len(run) - 1} after it." if len(run) > 1 else ""
        self.faults.add(
            Fault(
                kind=FaultKind.WRONG_CONTENT,
                at=run[0] * SECTOR_BYTES,
                bytes=len(run) * SECTOR_BYTES,
                text=f"{text}{more}",
            )
        )
