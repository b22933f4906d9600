"""What a burn-in comes to: passed, failed, or to be looked at, with the reasons. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from watcher.facts.drive import Medium, Metric
from watcher.facts.units import say_count
from watcher.recovery.proving import OwnTest, Phase, Proof, Stretch

SURFACE: Final = (
    Metric.REALLOCATED_SECTORS,
    Metric.REALLOCATION_EVENTS,
    Metric.PENDING_SECTORS,
    Metric.OFFLINE_UNCORRECTABLE,
    Metric.REPORTED_UNCORRECTABLE,
    Metric.MEDIA_ERRORS,
    Metric.GROWN_DEFECTS,
    Metric.READ_ERRORS_UNCORRECTED,
    Metric.WRITE_ERRORS_UNCORRECTED,
    Metric.VERIFY_ERRORS_UNCORRECTED,
    Metric.SPIN_RETRIES,
)
"""Counters of which a new drive must not raise any in one burn-in (common practice, no source)."""

LINK: Final = (Metric.INTERFACE_CRC_ERRORS, Metric.COMMAND_TIMEOUTS)
"""Counters that point at cable, backplane or power rather than at the drive."""

SLOW_SHARE: Final = 0.5
"""A part of the drive that reads at less than this share of its neighbours is slow. Our choice:
tracks change by a few per cent from part to part; half is a drive that tries again and again."""

SLOW_NEIGHBOURS: Final = 10
"""How many parts on each side a part is compared with."""

SLOW_SECONDS: Final = 2.0
"""A part that took less is not judged: on a small or very fast drive anything else that the machine
does shows. Our choice; a part of a disk of 1 TB takes about half a minute."""

SLOW_PARTS: Final = 3
"""So many slow parts are told: single ones are the machine's other work. Our choice."""


class Result(StrEnum):
    """What a burn-in came to."""

    PASSED = "passed"
    FAILED = "failed"
    DOUBTFUL = "doubtful"  # passed, and something must be looked at before it counts
    UNFINISHED = "unfinished"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The verdict with its reasons."""

    result: Result
    sentence: str
    reasons: tuple[str, ...] = ()  # why it failed or is doubtful
    remarks: tuple[str, ...] = ()  # what the proof does not cover

    @property
    def proves(self) -> bool:
        """Whether the drive is a proven spare now."""
        return self.result is Result.PASSED


def outcome_of(proof: Proof) -> Outcome:
    """Give the verdict on a burn-in."""
    failed = _failures(proof)
    if failed:
        return Outcome(
            result=Result.FAILED,
            sentence="The drive did not pass. Do not use it; have it exchanged.",
            reasons=failed,
            remarks=_remarks(proof),
        )
    if proof.phase is not Phase.DONE or proof.gave_up:
        return Outcome(
            result=Result.UNFINISHED,
            sentence="The burn-in is not finished; nothing is proven yet.",
            reasons=(proof.gave_up,) if proof.gave_up else (),
        )
    doubts = _doubts(proof)
    if doubts:
        return Outcome(
            result=Result.DOUBTFUL,
            sentence="No data was lost, but something must be looked at before it counts.",
            reasons=doubts,
            remarks=_remarks(proof),
        )
    return Outcome(
        result=Result.PASSED,
        sentence=(
            "Every sector could be read. Nothing was written, so writing is not proven."
            if proof.read_only
            else "Every sector was written, read back and compared."
        ),
        remarks=_remarks(proof),
    )


def _failures(proof: Proof) -> tuple[str, ...]:
    """Say why a drive fails."""
    reasons = [fault.text for fault in proof.faults[:5]]
    if proof.faults_count > len(reasons):
        reasons.append(f"{say_count(proof.faults_count, 'fault')} in all.")
    reasons += [
        f"{metric.value.replace('-', ' ')} rose from {was} to {now}."
        for metric, was, now in proof.grew(SURFACE)
    ]
    if proof.test is OwnTest.DAMAGE:
        reasons.append(proof.test_text or "Its own extended self-test found damage.")
    if proof.condemned:
        reasons.append("The drive says of itself that it is failing.")
    pending = dict(proof.after or ()).get(Metric.PENDING_SECTORS, 0)
    if pending and not any(m is Metric.PENDING_SECTORS for m, _, _ in proof.grew(SURFACE)):
        reasons.append(f"{say_count(pending, 'sector')} could not be read and still waits.")
    return tuple(reasons)


def _doubts(proof: Proof) -> tuple[str, ...]:
    """Say what must be looked at."""
    reasons = [
        f"{metric.value.replace('-', ' ')} rose from {was} to {now}: check cable, backplane and "
        "power, then prove it again."
        for metric, was, now in proof.grew(LINK)
    ]
    if proof.test is OwnTest.ABORTED:
        reasons.append("Its own self-test was broken off; start it again.")
    slow = slow_parts(proof.read)
    if len(slow) >= SLOW_PARTS and proof.identity.medium is not Medium.FLASH:
        reasons.append(
            f"{len(slow)} of {len(proof.read)} parts read at less than half of their neighbours' "
            "speed: the drive may be trying again and again. Prove it once more with nothing else "
            "running."
        )
    return tuple(reasons)


def slow_parts(stretches: tuple[Stretch, ...]) -> tuple[int, ...]:
    """Name the parts that are much slower than those around them."""
    speeds = [stretch.bytes_per_second for stretch in stretches]
    found = []
    for number, speed in enumerate(speeds):
        low = max(0, number - SLOW_NEIGHBOURS)
        around = sorted(
            other
            for place, other in enumerate(speeds[low : number + SLOW_NEIGHBOURS + 1], low)
            if other is not None and place != number
        )
        if speed is None or len(around) < SLOW_NEIGHBOURS // 2:
            continue
        if stretches[number].seconds < SLOW_SECONDS:
            continue
        if speed < around[len(around) // 2] * SLOW_SHARE:
            found.append(number)
    return tuple(found)


def _remarks(proof: Proof) -> tuple[str, ...]:
    """Say what the proof does not cover."""
    remarks = []
    if proof.before is None or proof.after is None:
        remarks.append("Its own counters could not be read, before, after or both.")
    if proof.test is OwnTest.NONE:
        remarks.append(proof.test_text or "It ran no self-test of its own.")
    if proof.resumed:
        remarks.append(f"It was taken up again {say_count(proof.resumed, 'time')}.")
    if not proof.warmth:
        remarks.append("It did not tell its temperature.")
    return tuple(remarks)
