"""Runs a burn-in on one drive: phase after phase, kept every few seconds, taken up where it was.

What a kill or a power cut costs is the seconds since the last save: before each save the drive is
asked to bring its cache to the medium, so that a place that counts as written is written.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from typing import Final, Protocol

from watcher.facts.drive import DriveReading, Medium, Metric, SelfTest, Verdict
from watcher.recovery.pattern import Pattern
from watcher.recovery.proving import (
    Curve,
    OwnTest,
    Phase,
    Proof,
    Warmth,
)
from watcher.service.clock import Clock
from watcher.service.prove_pass import DriveGone, Faults, Pass, ReadPass, WritePass
from watcher.service.raw_device import Device

SAVE_SECONDS: Final = 10.0
"""How often the record is saved. Our choice: ten seconds of work are cheap to do again."""

LOOK_SECONDS: Final = 60.0
"""How often the drive is asked for its temperature, and how its own test goes."""

TELL_SECONDS: Final = 1.0
"""How often a person is told how far it is."""

COOL_BY: Final = 5
"""After a pause for heat the drive must be so many degrees below the limit."""

HOT_DISK: Final = 60
HOT_FLASH: Final = 70
"""Limits in degrees Celsius for drives that tell none. Most data sheets of disks give 60, of flash
drives 70 (from memory)."""

WARMTHS_KEPT: Final = 600
"""How many temperatures are kept; then every second one is let go."""

GRACE_LOOKS: Final = 3
"""How many looks a self-test has to show up after it was started."""


class Drive(Protocol):
    """The drive as something that can be asked; see ``cli/prove.py`` for the real one."""

    def reading(self) -> DriveReading | None:
        """Give what it says of itself; None when it does not answer."""

    def start_self_test(self) -> str:
        """Start its extended self-test; the reason when it did not start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """All that a burn-in needs from outside."""

    device: Device
    drive: Drive
    clock: Clock
    save: Callable[[Proof], None]
    tell: Callable[[Proof], None]
    wait: Callable[[float], None]
    stopped: Callable[[], bool]  # a person asked to stop


class Interrupted(Exception):
    """A person asked to stop; what was done is saved."""


class Prover:
    """One burn-in, from where its record says it is."""

    def __init__(self, proof: Proof, around: Surroundings) -> None:
        """Take up a burn-in."""
        self.proof = proof
        self.around = around
        self._saved_at = self._told_at = around.clock.monotonic()
        self._looked_at: float | None = None

    def run(self) -> Proof:
        """Go on to the end. Raises ``Interrupted`` when a person asked to stop."""
        try:
            first = self.proof.phase is self.proof.phases[0] and self.proof.position == 0
            if first and self.proof.before is None:
                self._note_before()
            if self.proof.phase is Phase.WRITE:
                self._write()
            if self.proof.phase is Phase.READ:
                self._read()
            if self.proof.phase is Phase.SELF_TEST:
                self._self_test()
        except DriveGone as error:
            self._give_up(f"The drive went away during the burn-in ({error}).")
        if self.proof.phase is Phase.DONE and not self.proof.gave_up:
            self._save()
        return self.proof

    def _note_before(self) -> None:
        """Keep the counters as they are at the beginning."""
        reading = self.around.drive.reading()
        if reading is not None:
            self.proof = replace(self.proof, before=reading.metrics)

    def _write(self) -> None:
        """Write the whole drive."""
        curve = Curve.over(self.proof.size_bytes, self.proof.write)
        work = WritePass(self.around.device, self.around.clock.monotonic, curve)
        work.faults = self._faults()
        pattern = Pattern(bytes.fromhex(self.proof.seed))
        with closing(work.run(pattern, self.proof.position)) as pieces:
            for position in pieces:
                self._progress(work, position, write=True)
                if work.faults.too_many:
                    self._give_up("So much could not be written that it was broken off.")
                    return
        self.around.device.flush()
        self._next(Phase.READ)

    def _read(self) -> None:
        """Read all of it back, and compare."""
        curve = Curve.over(self.proof.size_bytes, self.proof.read)
        work = ReadPass(self.around.device, self.around.clock.monotonic, curve)
        work.faults = self._faults()
        pattern = None if self.proof.read_only else Pattern(bytes.fromhex(self.proof.seed))
        with closing(work.run(pattern, self.proof.position)) as pieces:
            for position in pieces:
                self._progress(work, position, write=False)
                if work.faults.too_many:
                    self._give_up("So much could not be read that it was broken off.")
                    return
        self._next(Phase.SELF_TEST)

    def _faults(self) -> Faults:
        """Go on with the faults of before."""
        kept = list(self.proof.faults)
        return Faults(kept=kept, count=self.proof.faults_count, bytes=sum(f.bytes for f in kept))

    def _progress(self, work: Pass, position: int, *, write: bool) -> None:
        """Save and tell when it is time, look at the drive, and stop when asked to."""
        now = self.around.clock.monotonic()
        due = now - self._saved_at >= SAVE_SECONDS
        look = self._looked_at is None or now - self._looked_at >= LOOK_SECONDS
        stop = self.around.stopped()
        if not (due or look or stop or work.faults.too_many) and position < self.proof.size_bytes:
            if now - self._told_at >= TELL_SECONDS:
                self._told_at = now
                self.around.tell(self._seen(work, position, write=write))
            return
        self.proof = self._seen(work, position, write=write)
        if look:
            self._look(position)
        if write:
            self.around.device.flush()
        self._save()
        if stop:
            raise Interrupted

    def _seen(self, work: Pass, position: int, *, write: bool) -> Proof:
        """Give the record as it is now."""
        stretches = work.curve.stretches()
        return replace(
            self.proof,
            position=position,
            write=stretches if write else self.proof.write,
            read=self.proof.read if write else stretches,
            faults=tuple(work.faults.kept),
            faults_count=work.faults.count,
        )

    def _look(self, position: int) -> None:
        """Ask the drive how warm it is, and wait while it is too warm."""
        self._looked_at = self.around.clock.monotonic()
        reading = self.around.drive.reading()
        celsius = None if reading is None else reading.metric(Metric.TEMPERATURE_CELSIUS)
        if reading is None or celsius is None:
            return
        self._warm(celsius, position)
        limit = heat_limit(reading)
        if celsius < limit:
            return
        while celsius is not None and celsius > limit - COOL_BY and not self.around.stopped():
            self.around.wait(LOOK_SECONDS / 2)
            paused = self.proof.paused_seconds + LOOK_SECONDS / 2
            self.proof = replace(self.proof, paused_seconds=paused)
            self.around.tell(self.proof)
            reading = self.around.drive.reading()
            celsius = None if reading is None else reading.metric(Metric.TEMPERATURE_CELSIUS)

    def _warm(self, celsius: int, position: int) -> None:
        """Keep a temperature; when there are many, every second one goes."""
        warmth = self.proof.warmth
        if len(warmth) >= WARMTHS_KEPT:
            warmth = warmth[::2]
        done = position / self.proof.size_bytes
        fresh = Warmth(phase=self.proof.phase, done=round(done, 4), celsius=celsius)
        self.proof = replace(self.proof, warmth=(*warmth, fresh))

    def _self_test(self) -> None:
        """Let the drive test itself, follow it, and read the counters again."""
        first = self.around.drive.reading()
        if first is None:
            self._end(OwnTest.NONE, "It does not answer SMART, so it ran no self-test.", None)
            return
        if first.self_test_remaining_percent is None and not self._has_ended(first):
            refused = self.around.drive.start_self_test()
            if refused:
                self._end(OwnTest.NONE, f"It ran no self-test of its own: {refused}", first)
                return
            self.proof = replace(
                self.proof,
                test=OwnTest.RUNNING,
                test_hours=first.metric(Metric.POWER_ON_HOURS),
            )
        self._save()
        self._follow_test(first)

    def _has_ended(self, reading: DriveReading) -> bool:
        """Tell whether the test of this burn-in came to an end before it was taken up again."""
        newest = newest_full(reading)
        hours = self.proof.test_hours
        return (
            self.proof.test is OwnTest.RUNNING
            and newest is not None
            and hours is not None
            and newest.power_on_hours is not None
            and (newest.power_on_hours - hours) % 65536 < 65536 // 2
            and (bool(newest.passed) or newest.found_damage)
        )

    def _follow_test(self, reading: DriveReading) -> None:
        """Ask again and again until the test is over."""
        before = reading.self_tests
        idle = 0
        latest: DriveReading | None = reading
        while True:
            if latest is not None:
                remaining = latest.self_test_remaining_percent
                if remaining is not None:
                    idle = 0
                    self.proof = replace(self.proof, test_percent=100 - min(max(remaining, 0), 100))
                elif self._has_ended(latest) or latest.self_tests != before:
                    self._end(*judged(latest), latest)
                    return
                elif idle >= GRACE_LOOKS:
                    self._end(OwnTest.ABORTED, "Its own self-test left no result.", latest)
                    return
                else:
                    idle += 1
            self.around.tell(self.proof)
            self._save()
            if self.around.stopped():
                raise Interrupted
            self.around.wait(LOOK_SECONDS)
            latest = self.around.drive.reading()

    def _end(self, test: OwnTest, text: str, last: DriveReading | None) -> None:
        """Note what the test came to, and the counters as they are now."""
        self.proof = replace(
            self.proof,
            test=test,
            test_text=text,
            test_percent=100,
            after=last.metrics if last is not None else None,
            condemned=last is not None and last.verdict is Verdict.FAILING,
            phase=Phase.DONE,
            ended_at=self.around.clock.now(),
        )

    def _next(self, phase: Phase) -> None:
        """Go on with the next phase."""
        self.proof = replace(self.proof, phase=phase, position=0)
        self._save()

    def _give_up(self, why: str) -> None:
        """End before the end."""
        last = self.around.drive.reading()
        self.proof = replace(
            self.proof,
            gave_up=why,
            after=last.metrics if last is not None else None,
            phase=Phase.DONE,
            ended_at=self.around.clock.now(),
        )
        self._save()

    def _save(self) -> None:
        """Save the record and tell of it."""
        self._saved_at = self._told_at = self.around.clock.monotonic()
        self.proof = replace(self.proof, saved_at=self.around.clock.now())
        self.around.save(self.proof)
        self.around.tell(self.proof)


def heat_limit(reading: DriveReading) -> int:
    """Give the temperature at which work stops: the drive's own limit, else one for its kind."""
    own = reading.metric(Metric.TEMPERATURE_WARNING_CELSIUS)
    if own is not None and own > 0:
        return own
    return HOT_FLASH if reading.identity.medium is Medium.FLASH else HOT_DISK


def newest_full(reading: DriveReading) -> SelfTest | None:
    """Give the newest entry of the log that is a full test."""
    return next((t for t in reading.self_tests if t.is_full), None)


def judged(reading: DriveReading) -> tuple[OwnTest, str]:
    """Say what the newest full test in the log came to."""
    newest = newest_full(reading)
    if newest is None:
        return OwnTest.ABORTED, "Its own self-test left no result."
    if newest.found_damage:
        where = "" if newest.first_bad_lba is None else f", first at sector {newest.first_bad_lba}"
        return OwnTest.DAMAGE, f"Its own extended self-test found damage{where}."
    if newest.passed:
        return OwnTest.PASSED, "Its own extended self-test passed."
    return OwnTest.ABORTED, "Its own self-test was broken off."
