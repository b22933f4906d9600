"""What a drive says of itself in one reading: its own verdict, failing attributes, self-tests."""

from __future__ import annotations

from typing import Final

from watcher.facts.drive import Attribute, DriveReading, Metric, SelfTest, Verdict

HOT_ATTRIBUTES: Final = frozenset({190, 194})
"""Temperature rows: "failed in the past" there is a warm day, not a failure (717 of the 976 drives
with such a row in smartctl_reports)."""
RELIABILITY_LOST: Final = 1 << 2
POWER_GUARD_LOST: Final = 1 << 4
EXPLAINED_BITS: Final = (1 << 0) | (1 << 1) | (1 << 3) | POWER_GUARD_LOST
"""Spare, temperature, read-only and lost power guard have rules of their own (NVMe Base
Specification, SMART / Health Information log, byte 0)."""


def failing_attributes(reading: DriveReading) -> tuple[Attribute, ...]:
    """Give the pre-fail attributes that stand at or below their threshold now.

    Equal counts as failing (SFF-8035i revision 2, page 19). A threshold of 0 never trips.
    """
    return tuple(
        [
            row
            for row in reading.attributes
            if row.prefail
            and (
                row.failing_now
                or (row.threshold and row.value is not None and row.value <= row.threshold)
            )
            and row.number not in HOT_ATTRIBUTES
        ]
    )


def condemned(reading: DriveReading) -> bool:
    """Tell whether a drive says of itself that it is failing.

    An NVMe drive fails its own verdict for any warning, warmth alone included; such a verdict is
    left to the rule about that warning. A warning that no rule is about is the verdict's own.
    """
    bits = reading.metric(Metric.CRITICAL_WARNING) or 0
    if bits & RELIABILITY_LOST or failing_attributes(reading):
        return True
    explained = bits & EXPLAINED_BITS and not bits & ~EXPLAINED_BITS
    return reading.verdict is Verdict.FAILING and not explained


def damage_in(reading: DriveReading) -> SelfTest | None:
    """Give the latest self-test that found damage, unless a full one passed since."""
    for test in reading.self_tests:  # newest first
        if test.found_damage:
            return test
        if test.passed and test.is_full:
            return None
    return None
