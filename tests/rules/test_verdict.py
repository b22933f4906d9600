"""What a drive says of itself."""

from __future__ import annotations

import pytest

from tests.rules.build import attribute, reading, self_test
from watcher.facts.drive import Metric, Verdict
from watcher.rules.verdict import condemned, damage_in, failing_attributes


@pytest.mark.parametrize(
    ("value", "threshold", "failing"),
    [(11, 10, False), (10, 10, True), (9, 10, True), (1, 0, False)],
)
def test_an_attribute_fails_at_its_threshold(value: int, threshold: int, failing: bool) -> None:
    """SFF-8035i revision 2, page 19: at or below; a threshold of 0 never trips."""
    row = attribute(5, value, threshold)
    assert (failing_attributes(reading(attributes=(row,))) == (row,)) is failing


@pytest.mark.parametrize(
    "row",
    [
        attribute(194, 5, 10),  # warm
        attribute(190, 45, 45, failing_now=True),
        attribute(190, 60, 45, failed_before=True),  # 717 of 976 such drives: a warm day
        attribute(9, 1, 10, prefail=False),  # old age
        attribute(5, 100, 10, failed_before=True),
    ],
)
def test_warm_days_old_age_and_the_past_condemn_nobody(row: object) -> None:
    """Look-alikes."""
    assert not condemned(reading(attributes=(row,)))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("bits", "verdict", "expected"),
    [
        (0, Verdict.PASSED, False),
        (0, Verdict.UNKNOWN, False),
        (0, Verdict.FAILING, True),
        (0b10, Verdict.FAILING, False),  # heat alone makes the verdict fail
        (0b1, Verdict.FAILING, False),
        (0b1000, Verdict.FAILING, False),
        (0b10000, Verdict.FAILING, False),
        (0b100, Verdict.FAILING, True),  # reliability degraded
        (0b100, Verdict.UNKNOWN, True),
        (0b110, Verdict.FAILING, True),
        (0b100000, Verdict.FAILING, True),  # of the persistent memory region: no rule is about it
        (0b100010, Verdict.FAILING, True),  # nor beside a warning that one is about
    ],
)
def test_a_warning_with_a_rule_of_its_own_is_no_verdict(
    bits: int, verdict: Verdict, expected: bool
) -> None:
    """NVMe Base Specification, health log byte 0: bits 0, 1, 3, 4 say what they are."""
    assert condemned(reading("a", {Metric.CRITICAL_WARNING: bits}, verdict=verdict)) is expected


def test_damage_is_outdated_by_a_later_full_test_alone() -> None:
    """smartctl(8), exit status bit 7: failures outdated by a later extended test are ignored."""
    bad = self_test(passed=False, found_damage=True)
    full, short = self_test(), self_test("short")
    stopped = self_test(passed=None)
    assert damage_in(reading(self_tests=(full, bad))) is None
    assert damage_in(reading(self_tests=(short, bad))) == bad
    assert damage_in(reading(self_tests=(stopped, bad))) == bad
    for part in ("Conveyance offline", "Selective offline", "Vendor (0xc7)"):
        assert damage_in(reading(self_tests=(self_test(part), bad))) == bad
    assert damage_in(reading(self_tests=(self_test("Background long"), bad))) is None
    assert damage_in(reading(self_tests=(bad, full))) == bad
    assert damage_in(reading(self_tests=(stopped,))) is None
    assert damage_in(reading()) is None
