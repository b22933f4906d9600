"""A drive in memory that can be made to fail in the ways that real ones do."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from tests.service.manual_clock import ManualClock
from watcher.facts.drive import DriveIdentity, DriveReading, Medium, Metric, SelfTest, Verdict
from watcher.facts.identity import DriveId
from watcher.recovery.proving import Phase, Proof
from watcher.service.prove import Surroundings

T0 = datetime(2026, 3, 1, tzinfo=UTC)
MIB = 1024 * 1024
WHO = DriveIdentity(
    drive=DriveId("Altair_A8_X1"), model="Altair A8", serial="X1", medium=Medium.ROTATING
)


@dataclass
class FakeDevice:
    """Bytes, and places that fail."""

    size: int = 20 * MIB + 512 * 3
    sector: int = 512
    content: bytearray = field(default_factory=bytearray)
    unreadable: Iterable[range] = ()
    unwritable: Iterable[range] = ()
    misplaces: dict[int, int] = field(default_factory=dict)  # what is written there goes here
    loses: Iterable[range] = ()  # writes that are said to be done and are not
    gone_after: int | None = None  # operations
    operations: int = 0
    flushed: int = 0
    on_write: Callable[[int], object] = id
    on_written: Callable[[int], object] = id

    def __post_init__(self) -> None:
        self.content = self.content or bytearray(self.size)
        self.counting = threading.Lock()  # two pieces are under way at a time

    def _count(self) -> None:
        with self.counting:
            self.operations += 1
        if self.gone_after is not None and self.operations > self.gone_after:
            raise OSError(errno.ENODEV, "No such device")

    @staticmethod
    def _hits(places: Iterable[range], at: int, length: int) -> bool:
        return any(p.start < at + length and at < p.stop for p in places)

    def read_at(self, at: int, into: memoryview) -> None:
        self._count()
        assert at % self.sector == 0
        assert len(into) % self.sector == 0
        if self._hits(self.unreadable, at, len(into)):
            raise OSError(errno.EIO, "Input/output error")
        into[:] = self.content[at : at + len(into)]

    def write_at(self, at: int, content: memoryview) -> None:
        self._count()
        self.on_write(at)
        if self._hits(self.unwritable, at, len(content)):
            raise OSError(errno.EIO, "Input/output error")
        for start in range(0, len(content), 512):
            place = at + start
            if self._hits(self.loses, place, 512):
                continue
            place = self.misplaces.get(place, place)
            self.content[place : place + 512] = content[start : start + 512]
        self.on_written(at)

    def flush(self) -> None:
        self.flushed += 1

    def close(self) -> None:
        """Nothing is held."""


@dataclass
class FakeAsk:
    """What the drive says of itself, one answer after another; the last one stays."""

    answers: list[DriveReading | None] = field(default_factory=list)
    refuses: str = ""
    started: int = 0
    on_start: Callable[[], None] = lambda: None

    def reading(self) -> DriveReading | None:
        if not self.answers:
            return None
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]

    def start_self_test(self) -> str:
        if not self.refuses:
            self.started += 1
            self.on_start()
        return self.refuses


def said(
    metrics: dict[Metric, int] | None = None,
    *,
    tests: tuple[SelfTest, ...] = (),
    remaining: int | None = None,
    verdict: Verdict = Verdict.PASSED,
) -> DriveReading:
    """Make one answer of the drive."""
    counts = {Metric.POWER_ON_HOURS: 10, Metric.PENDING_SECTORS: 0} | (metrics or {})
    return DriveReading(
        identity=WHO,
        observed_at=T0,
        node="/dev/sdz",
        device_type="sat",
        verdict=verdict,
        metrics=tuple(counts.items()),
        self_tests=tests,
        self_test_remaining_percent=remaining,
    )


def ended(*, passed: bool = True, hours: int = 11, kind: str = "extended") -> SelfTest:
    """Make an entry of the self-test log."""
    return SelfTest(
        kind=kind,
        passed=passed,
        found_damage=not passed,
        power_on_hours=hours,
        first_bad_lba=None if passed else 4711,
    )


@dataclass
class Scene:
    """A burn-in with everything around it."""

    device: FakeDevice = field(default_factory=FakeDevice)
    ask: FakeAsk = field(default_factory=FakeAsk)
    clock: ManualClock = field(default_factory=lambda: ManualClock(T0))
    saved: list[Proof] = field(default_factory=list)
    told: list[Proof] = field(default_factory=list)
    waits: list[float] = field(default_factory=list)
    stop: Callable[[], bool] = lambda: False

    def proof(self, **more: object) -> Proof:
        facts: dict[str, object] = {
            "identity": WHO,
            "size_bytes": self.device.size,
            "seed": "11" * 16,
            "read_only": False,
            "begun_at": T0,
            "saved_at": T0,
            "phase": Phase.WRITE,
        }
        return Proof(**(facts | more))  # type: ignore[arg-type]

    def around(self) -> Surroundings:
        return Surroundings(
            device=self.device,
            drive=self.ask,
            clock=self.clock,
            save=self.saved.append,
            tell=self.told.append,
            wait=self._wait,
            stopped=self._stopped,
        )

    def _stopped(self) -> bool:
        return self.stop()

    def _wait(self, seconds: float) -> None:
        self.waits.append(seconds)
        assert len(self.waits) < 1000, "it waits for ever"


def without_times(proof: Proof) -> Proof:
    """Leave out what differs from run to run."""
    return replace(proof, write=(), read=(), saved_at=T0, ended_at=None, resumed=0, warmth=())
