"""One pass over a drive: every piece written, or read and compared, with time and faults kept.

A few buffers take turns: while one is on its way to or from the drive, the next ones are filled or
compared by a helper, so that the drive never waits for us. A piece that fails is halved until the
bad place is small; the pass goes on behind it.
"""

from __future__ import annotations

import errno
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from typing import Final, TypeVar

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

AHEAD: Final = 3
"""How many pieces are made ready, or read, ahead. Our choice: enough that a moment's delay of one
thread does not stop the other; 16 MiB in all."""

T = TypeVar("T")

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
    operation: Callable[[int, memoryview], None],
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
class _Got:
    """What reading one piece gave."""

    buffer: memoryview
    error: OSError | None
    seconds: float


def ahead_of(
    helper: ThreadPoolExecutor, make: Callable[[int, int], T], places: Iterable[int]
) -> Iterator[tuple[int, T]]:
    """Give each place with what was made of it, a few places made ahead by the helper.

    ``make`` gets a number that counts up and the place. What was made ``AHEAD + 1`` places before
    is not in use any more.
    """
    waiting: deque[tuple[int, Future[T]]] = deque()
    numbered = enumerate(places)
    for number, place in islice(numbered, AHEAD):
        waiting.append((place, helper.submit(make, number, place)))
    while waiting:
        place, made = waiting.popleft()
        result = made.result()
        for number, following in islice(numbered, 1):
            waiting.append((following, helper.submit(make, number, following)))
        yield place, result


class Pass:
    """What both directions share: where we are, how long it took, what failed."""

    def __init__(self, device: Device, clock: Callable[[], float], curve: Curve) -> None:
        """Work on a device; ``clock`` gives seconds that only grow."""
        self.device = device
        self.clock = clock
        self.curve = curve
        self.faults = Faults()
        self.smallest = max(SMALLEST_BYTES, device.sector)

    def places(self, start: int) -> range:
        """Give where each piece begins; ``start`` is a whole number of pieces."""
        return range(start, self.device.size, NOISE_BYTES)

    def length(self, at: int) -> int:
        """Give the length of the piece that begins there."""
        return min(NOISE_BYTES, self.device.size - at)


class WritePass(Pass):
    """Fills the drive with the pattern."""

    def run(self, pattern: Pattern, start: int) -> Generator[int, None, None]:
        """Write from ``start`` on; gives after each piece up to where it is through."""
        buffers = [aligned(NOISE_BYTES) for _ in range(AHEAD + 1)]
        for buffer in buffers:
            pattern.prepare(buffer)

        def made(number: int, at: int) -> memoryview:
            buffer = buffers[number % len(buffers)][: self.length(at)]
            pattern.stamp(buffer, at)
            return buffer

        with ThreadPoolExecutor(1, thread_name_prefix="stamp") as helper:
            for at, buffer in ahead_of(helper, made, self.places(start)):
                self._write(at, buffer)
                yield at + len(buffer)

    def _write(self, at: int, buffer: memoryview) -> None:
        """Write one piece."""
        began = self.clock()
        try:
            self.device.write_at(at, buffer)
        except OSError as error:
            _raise_when_gone(error)
            for place, length, why in _narrowed(self.device.write_at, at, buffer, self.smallest):
                self.faults.add(
                    Fault(
                        kind=FaultKind.WRITE_FAILED,
                        at=place,
                        bytes=length,
                        text=f"{length} bytes at {place} could not be written ({why}).",
                    )
                )
        self.curve.add(at, len(buffer), self.clock() - began)


class ReadPass(Pass):
    """Reads the drive, and compares with the pattern where there is one."""

    def run(self, pattern: Pattern | None, start: int) -> Generator[int, None, None]:
        """Read from ``start`` on; gives after each piece up to where it is through."""
        buffers = [aligned(NOISE_BYTES) for _ in range(AHEAD + 1)]
        wanted = memoryview(bytearray(NOISE_BYTES))
        if pattern is not None:
            pattern.prepare(wanted)

        def made(number: int, at: int) -> _Got:
            return self._read(at, buffers[number % len(buffers)][: self.length(at)])

        with ThreadPoolExecutor(1, thread_name_prefix="read") as helper:
            for at, got in ahead_of(helper, made, self.places(start)):
                buffer, seconds = got.buffer, got.seconds
                bad: list[tuple[int, int]] = []
                if got.error is not None:
                    began = self.clock()
                    helper.submit(int).result()  # what reads ahead is through: one at a time now
                    bad = self._narrow(at, buffer)
                    seconds += self.clock() - began
                self.curve.add(at, len(buffer), seconds)
                if pattern is not None:
                    self._compare(pattern, at, buffer, wanted[: len(buffer)], bad)
                yield at + len(buffer)

    def _read(self, at: int, buffer: memoryview) -> _Got:
        """Read one piece, in the helper."""
        began = self.clock()
        error: OSError | None = None
        try:
            self.device.read_at(at, buffer)
        except OSError as failed:
            _raise_when_gone(failed)
            error = failed
        return _Got(buffer=buffer, error=error, seconds=self.clock() - began)

    def _narrow(self, at: int, buffer: memoryview) -> list[tuple[int, int]]:
        """Find the places of a piece that cannot be read."""
        bad = []
        for place, length, why in _narrowed(self.device.read_at, at, buffer, self.smallest):
            bad.append((place, length))
            self.faults.add(
                Fault(
                    kind=FaultKind.READ_FAILED,
                    at=place,
                    bytes=length,
                    text=f"{length} bytes at {place} could not be read ({why}).",
                )
            )
        return bad

    def _compare(
        self,
        pattern: Pattern,
        at: int,
        buffer: memoryview,
        wanted: memoryview,
        bad: list[tuple[int, int]],
    ) -> None:
        """Compare one piece with what was written there; what could not be read is left out."""
        pattern.stamp(wanted, at)
        if not bad and same(buffer, wanted):
            return
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
