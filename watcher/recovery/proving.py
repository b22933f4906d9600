"""The burn-in of a spare: what has been done, how long it still takes, and what came of it. Pure.

The order: read the drive's counters; write the whole drive; read all of it back and compare; let
the drive run its own extended self-test; read the counters again. With ``read_only`` nothing is
written and nothing compared, and the proof is worth less: it says so.

A record of it is kept after every few seconds, so that a kill or a power cut costs those seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from watcher.exposure.life import DriveClass
from watcher.exposure.rebuild import curve_ratio, drive_pass_hours
from watcher.exposure.track import time_share
from watcher.facts.checks import require_utc
from watcher.facts.drive import DriveIdentity, Metric
from watcher.recovery.shelf import class_of

PROOF_FORMAT: Final = 1  # version of the shape in which a burn-in is kept

BUCKETS: Final = 200
"""Into how many parts of equal size the drive is divided for the speed curve. Our choice: half a
per cent each, enough to see a slow zone."""

FAULTS_KEPT: Final = 200
"""How many faults are told one by one; beyond, they are only counted."""

FAULTS_MOST: Final = 1000
"""After so many faults the drive is not tried any further: it will not pass."""


class Phase(StrEnum):
    """Where a burn-in is."""

    WRITE = "write"
    READ = "read"
    SELF_TEST = "self-test"
    DONE = "done"


PHASE_WORDS: Final = {
    Phase.WRITE: "writing",
    Phase.READ: "reading back",
    Phase.SELF_TEST: "extended self-test",
    Phase.DONE: "done",
}


class FaultKind(StrEnum):
    """What went wrong at one place."""

    WRITE_FAILED = "write-failed"
    READ_FAILED = "read-failed"
    WRONG_CONTENT = "wrong-content"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One place that failed."""

    kind: FaultKind
    at: int  # byte offset
    bytes: int
    text: str  # one sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """How one part of the drive was passed over in one pass."""

    bytes: int = 0
    seconds: float = 0.0

    @property
    def bytes_per_second(self) -> float | None:
        """The speed; None where nothing was timed."""
        return self.bytes / self.seconds if self.bytes and self.seconds > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """One temperature."""

    phase: Phase
    done: float  # 0 to 1 of that phase
    celsius: int


class OwnTest(StrEnum):
    """What became of the drive's own test."""

    NOT_YET = "not-yet"
    RUNNING = "running"
    PASSED = "passed"
    DAMAGE = "damage"
    ABORTED = "aborted"
    NONE = "none"  # the drive has no such test, or cannot be asked


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """All that is known of one burn-in; complete and serialisable."""

    identity: DriveIdentity
    size_bytes: int
    seed: str  # hex
    read_only: bool
    begun_at: datetime
    saved_at: datetime
    phase: Phase
    position: int = 0  # bytes of the phase that are through
    write: tuple[Stretch, ...] = ()  # one for each bucket
    read: tuple[Stretch, ...] = ()
    faults: tuple[Fault, ...] = ()  # the first ones
    faults_count: int = 0
    warmth: tuple[Warmth, ...] = ()
    before: tuple[tuple[Metric, int], ...] | None = None  # None: the drive did not tell
    after: tuple[tuple[Metric, int], ...] | None = None
    condemned: bool = False  # the drive says of itself that it fails
    test: OwnTest = OwnTest.NOT_YET
    test_text: str = ""
    test_hours: int | None = None  # the drive's hours of running when its test began
    test_percent: int = 0
    resumed: int = 0  # how often it was taken up again
    paused_seconds: float = 0.0  # it was too warm
    ended_at: datetime | None = None
    gave_up: str = ""  # why it ended early, one sentence
    format: int = PROOF_FORMAT

    def __post_init__(self) -> None:
        """Check times and sizes."""
        require_utc(self.begun_at, "begun_at")
        require_utc(self.saved_at, "saved_at")
        if self.size_bytes <= 0 or not 0 <= self.position <= self.size_bytes:
            raise ValueError("the position lies within the drive")

    @property
    def phases(self) -> tuple[Phase, ...]:
        """The phases of this burn-in, in order."""
        work = (Phase.READ, Phase.SELF_TEST)
        return (*work,) if self.read_only else (Phase.WRITE, *work)

    @property
    def done_fraction(self) -> float:
        """How far the present phase is, 0 to 1."""
        if self.phase is Phase.DONE:
            return 1.0
        if self.phase is Phase.SELF_TEST:
            return self.test_percent / 100
        return self.position / self.size_bytes

    def grew(self, metrics: Sequence[Metric]) -> tuple[tuple[Metric, int, int], ...]:
        """Give the counters of some kinds that rose, each with what it was and is."""
        if self.before is None or self.after is None:
            return ()
        was, now = dict(self.before), dict(self.after)
        return tuple(
            (m, was.get(m, 0), now[m]) for m in metrics if m in now and now[m] > was.get(m, 0)
        )


def bucket_of(position: int, size: int) -> int:
    """Give the part of the drive in which a position lies."""
    return min(position * BUCKETS // size, BUCKETS - 1)


def _seconds_of(stretches: Sequence[Stretch], start: int = 0, end: int = BUCKETS) -> float:
    """Give the time that some parts took."""
    return sum(stretch.seconds for stretch in stretches[start:end])


def _pass_seconds(proof: Proof) -> float:
    """Estimate one whole pass: from this burn-in's own passes, else from the size alone."""
    for stretches, phase in ((proof.write, Phase.WRITE), (proof.read, Phase.READ)):
        taken = _seconds_of(stretches)
        if proof.phase is phase and proof.position:
            return taken / max(time_share(proof.done_fraction, _ratio(proof)), 1e-9)
        if taken and proof.phases.index(phase) < _index(proof):
            return taken
    return drive_pass_hours(class_of(proof.identity), proof.size_bytes) * 3600.0


def _index(proof: Proof) -> int:
    """Give which phase is on, counted from 0."""
    phases = proof.phases
    return phases.index(proof.phase) if proof.phase in phases else len(phases)


def _ratio(proof: Proof) -> float:
    """Give inner over outer speed; a drive that is not known to turn is even."""
    kind = class_of(proof.identity)
    return curve_ratio(kind) if kind is not DriveClass.UNKNOWN else 1.0


CALM_SHARE: Final = 0.005
"""Before this share of a pass its own pace says little: the size alone is told instead."""


def time_left(proof: Proof, *, test_minutes: int | None = None) -> timedelta:
    """Give how long the rest takes.

    The inner tracks of a disk are slower than the outer ones, so what is left of a pass takes
    longer than what is through: it follows the track curve, and in the second pass the first one's
    own curve. ``test_minutes`` is what the drive says of its self-test.
    """
    whole = _pass_seconds(proof)
    phases = proof.phases
    here = _index(proof)
    seconds = 0.0
    for number, phase in enumerate(phases):
        if number < here:
            continue
        if phase is Phase.SELF_TEST:
            if proof.test is OwnTest.NONE:
                continue
            full = test_minutes * 60.0 if test_minutes else whole
            done = proof.test_percent / 100 if number == here else 0.0
            seconds += full * (1.0 - done)
        elif number == here and proof.done_fraction >= CALM_SHARE:
            seconds += _rest_of_pass(proof, phase, whole)
        else:
            seconds += whole
    return timedelta(seconds=round(seconds))


def _rest_of_pass(proof: Proof, phase: Phase, whole: float) -> float:
    """Give what is left of the pass that is on."""
    if phase is Phase.READ and not proof.read_only:
        bucket = bucket_of(proof.position, proof.size_bytes)
        ahead = _seconds_of(proof.write, bucket)
        behind = _seconds_of(proof.write, 0, bucket)
        pace = _seconds_of(proof.read, 0, bucket) / behind if behind > 0 else 1.0
        return ahead * pace
    return whole * (1.0 - time_share(proof.done_fraction, _ratio(proof)))


@dataclass(slots=True)
class Curve:
    """Gathers how fast each part of the drive was passed over."""

    size: int
    bytes: list[int] = field(default_factory=lambda: [0] * BUCKETS)
    seconds: list[float] = field(default_factory=lambda: [0.0] * BUCKETS)

    @classmethod
    def over(cls, size: int, stretches: Sequence[Stretch] = ()) -> Curve:
        """Begin anew, or go on from what was kept."""
        made = cls(size)
        for number, stretch in enumerate(stretches[:BUCKETS]):
            made.bytes[number] = stretch.bytes
            made.seconds[number] = stretch.seconds
        return made

    def add(self, at: int, count: int, seconds: float) -> None:
        """Note that ``count`` bytes at ``at`` took a time; they count where they begin."""
        number = bucket_of(at, self.size)
        self.bytes[number] += count
        self.seconds[number] += seconds

    def stretches(self) -> tuple[Stretch, ...]:
        """Give it as facts."""
        return tuple(
            Stretch(bytes=count, seconds=round(seconds, 6))
            for count, seconds in zip(self.bytes, self.seconds, strict=True)
        )
