"""Time-zero tables of the rules about a drive as a whole."""

from __future__ import annotations

import pytest

from tests.rules.build import (
    attribute,
    event,
    identity,
    of,
    past,
    pool,
    reading,
    self_test,
    urgency,
    view,
)
from watcher.facts.drive import Metric, Protocol, Verdict
from watcher.facts.kernel_event import Category
from watcher.rules.look import looks
from watcher.rules.tuning import UNTUNED, Override, Tuning

HOURS = Metric.POWER_ON_HOURS


def test_a_drive_that_condemns_itself_is_for_today_and_for_now_without_margin() -> None:
    """Murray et al., JMLR 2005: makers' thresholds are rarely wrong, and late."""
    bad = reading("a", verdict=Verdict.FAILING)
    assert urgency("drive-condemns-itself", view(bad)) == "today"
    assert urgency("drive-condemns-itself", view(bad, pools=(pool(),))) == "today"
    assert urgency("drive-condemns-itself", view(bad, pools=(pool(lost="c"),))) == "now"
    assert urgency("drive-condemns-itself", view(reading("a"))) is None


def test_a_verdict_grows_with_each_failing_attribute() -> None:
    """Level and evidence."""
    rows = (attribute(5, 3, 10), attribute(10, 3, 10))
    (finding,) = of("drive-condemns-itself", view(reading("a", attributes=rows)))
    assert finding.level == 3
    assert [e.value for e in finding.evidence] == ["passed", "3, limit 10", "3, limit 10"]


@pytest.mark.parametrize(("bits", "expected"), [(0, None), (0b1111, None), (0b10000, "this-week")])
def test_a_lost_power_guard_is_told(bits: int, expected: str | None) -> None:
    """NVMe Base Specification, health log byte 0 bit 4."""
    assert (
        urgency("power-guard-lost", view(reading("a", {Metric.CRITICAL_WARNING: bits}))) == expected
    )


@pytest.mark.parametrize(
    ("before", "now", "expected"),
    [(None, 0, None), (None, 1, "note"), (1, 1, "note"), (0, 1, "this-week"), (None, None, None)],
)
def test_a_spindle_that_does_not_start_at_once_is_told(
    before: int | None, now: int | None, expected: str | None
) -> None:
    """Common practice, no source."""
    metric = Metric.SPIN_RETRIES
    pasts = () if before is None else (past("a", {metric: [(60, before)]}),)
    metrics = {} if now is None else {metric: now}
    assert urgency("cannot-spin-up-cleanly", view(reading("a", metrics), pasts=pasts)) == expected


@pytest.mark.parametrize(
    ("fill", "expected"),
    [(None, None), (100, None), (99, "this-week"), (76, "this-week"), (75, "today"), (1, "today")],
)
def test_helium_that_escapes_is_told(fill: int | None, expected: str | None) -> None:
    """Our choice: sound drives read 100 all their life."""
    metrics = {} if fill is None else {Metric.HELIUM_PERCENT: fill}
    assert urgency("helium-escaping", view(reading("a", metrics))) == expected
    for finding in of("helium-escaping", view(reading("a", metrics))):
        assert finding.level == {99: 1, 76: 3, 75: 3, 1: 10}[fill or 0]
        assert finding.evidence[0].value.startswith(f"{fill} percent")


def test_damage_found_by_a_self_test_is_told_with_its_place() -> None:
    """The first bad block is evidence."""
    bad = self_test(passed=False, found_damage=True, first_bad_lba=77)
    (finding,) = of("self-test-found-damage", view(reading("a", self_tests=(bad,))))
    assert (finding.urgency.value, finding.level) == ("this-week", 2)
    assert finding.evidence[0].value == "extended at 1000 power-on hours, first bad block 77"
    assert of("self-test-found-damage", view(reading("a", self_tests=(self_test(), bad)))) == []
    bare = self_test(passed=False, found_damage=True, power_on_hours=None)
    (finding,) = of("self-test-found-damage", view(reading("a", self_tests=(bare, bad))))
    assert (finding.level, finding.evidence[0].value) == (3, "extended")


@pytest.mark.parametrize(
    ("hours", "tests", "expected"),
    [
        (3160, (self_test(),), "note"),  # 2,160 h since the last one: equal counts
        (3159, (self_test(),), None),
        (1000 + 65536 + 10, (self_test(),), None),  # the log keeps 16 bits of the hours
        (9000, (self_test("short", power_on_hours=8990),), "note"),
        (9000, (self_test("Conveyance offline", power_on_hours=8990),), "note"),
        (9000, (self_test("Background long", power_on_hours=8990),), None),
        (9000, (self_test(power_on_hours=None), self_test(power_on_hours=8990)), None),
        (9000, (self_test(power_on_hours=8990), self_test(power_on_hours=10)), None),
        (9000, (self_test(passed=None, power_on_hours=8990),), "note"),  # aborted
        (9000, (self_test(passed=False, found_damage=True, power_on_hours=8990),), None),
        (9000, (), "note"),
        (100, (), None),
    ],
)
def test_a_full_self_test_is_missed_after_a_quarter_of_running(
    hours: int, tests: tuple[object, ...], expected: str | None
) -> None:
    """Our choice: 90 days of running."""
    seen = view(reading("a", {HOURS: hours}, self_tests=tests))  # type: ignore[arg-type]
    assert urgency("self-test-overdue", seen) == expected


def test_no_self_test_is_missed_where_none_may_exist_or_one_runs() -> None:
    """Unknown protocols, unknown hours, and a test under way are quiet."""
    stranger = identity("a", protocol=Protocol.NVME)
    assert urgency("self-test-overdue", view(reading("a", {HOURS: 9000}, who=stranger))) is None
    assert urgency("self-test-overdue", view(reading("a", {HOURS: 9000}, remaining=90))) is None
    assert urgency("self-test-overdue", view(reading("a"))) is None


def test_one_sign_never_says_replace_and_signs_together_do() -> None:
    """DESIGN: watch or plan, unless signs combine."""
    one = {Metric.PENDING_SECTORS: 24}
    assert urgency("signs-add-up", view(reading("a", one))) is None
    many = {
        Metric.PENDING_SECTORS: 24,
        Metric.REALLOCATED_SECTORS: 4000,
        Metric.REPORTED_UNCORRECTABLE: 30,
    }
    before = past("a", {metric: [(60, 0)] for metric in many})
    seen = view(reading("a", many), pasts=(before,))
    (finding,) = of("signs-add-up", seen)
    assert finding.urgency.value == "today"
    assert "fail within 30 days" in finding.sentence
    assert len(finding.evidence) >= 4
    assert (
        urgency("signs-add-up", view(reading("a", many), pasts=(before,), pools=(pool(lost="c"),)))
        == "now"
    )


def test_a_chance_equal_to_the_threshold_counts() -> None:
    """The owner may move the threshold; equal is enough."""
    many = {Metric.PENDING_SECTORS: 24, Metric.REALLOCATED_SECTORS: 4000}
    seen = view(reading("a", many))
    (look,) = looks(seen, UNTUNED)
    chance = look.chance.p
    for value, expected in ((chance, "today"), (chance * 1.001, None)):
        tuning = Tuning(
            overrides=(Override(rule="signs-add-up", threshold="chance-replace", value=value),)
        )
        assert urgency("signs-add-up", seen, tuning) == expected


def test_the_kernel_log_makes_a_pending_sector_worth_a_look() -> None:
    """Where the log exists, it helps: FAST 2007 section 3.5.1."""
    small = identity("a", capacity_bytes=5 * 10**11)
    quiet = reading("a", {Metric.PENDING_SECTORS: 1}, who=small)
    assert urgency("sectors-in-doubt", view(quiet)) == "note"
    logged = view(quiet, recent=(event("a", Category.MEDIUM),))
    assert urgency("sectors-in-doubt", logged) == "this-week"


def test_no_self_test_is_asked_of_a_drive_that_must_be_spared() -> None:
    """The advice for a bare pool is to start no test; both at once would contradict each other."""
    old = {Metric.POWER_ON_HOURS: 40_000}
    assert urgency("self-test-overdue", view(reading("a", old), pools=(pool(),))) == "note"
    for letters, bears, lost in (("abc", 1, "c"), ("abcd", 2, "d"), ("abc", 1, "bc")):
        short = pool(letters, bears=bears, lost=lost)
        assert urgency("self-test-overdue", view(reading("a", old), pools=(short,))) is None
    failing = reading("a", old, verdict=Verdict.FAILING)
    assert urgency("self-test-overdue", view(failing)) is None
