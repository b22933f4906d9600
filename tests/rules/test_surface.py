"""Time-zero tables of the rules about the surface."""

from __future__ import annotations

import pytest

from tests.rules.build import DAY, T0, of, past, reading, urgency, view
from watcher.facts.drive import Metric
from watcher.rules.tuning import Override, Tuning

PENDING, MOVED = Metric.PENDING_SECTORS, Metric.REALLOCATED_SECTORS
OFFLINE, REPORTED = Metric.OFFLINE_UNCORRECTABLE, Metric.REPORTED_UNCORRECTABLE


@pytest.mark.parametrize(
    ("count", "expected"),
    [(None, None), (0, None), (1, "note"), (8, "note"), (99, "note"), (100, "this-week")],
)
def test_the_first_sector_in_doubt_is_told_and_none_is_quiet(
    count: int | None, expected: str | None
) -> None:
    """FAST 2007 section 3.5.4: the threshold is 1. With no history the level alone speaks."""
    metrics = {} if count is None else {PENDING: count}
    assert urgency("sectors-in-doubt", view(reading("a", metrics))) == expected


@pytest.mark.parametrize(
    ("metric", "count", "expected"),
    [
        (Metric.MEDIA_ERRORS, 99, "note"),
        (Metric.MEDIA_ERRORS, 5000, "this-week"),
        (Metric.REPORTED_UNCORRECTABLE, 100, "this-week"),
    ],
)
def test_many_places_that_cannot_be_read_are_no_mere_note(
    metric: Metric, count: int, expected: str
) -> None:
    """However small the chance that the drive dies: a rebuild must read them all."""
    (finding,) = of("sectors-unreadable", view(reading("a", {metric: count})))
    assert finding.urgency.value == expected
    assert finding.next_step.startswith("Watch it" if expected == "note" else "Plan for")


def test_a_threshold_that_the_owner_raised_is_met_by_the_equal_value() -> None:
    """Equal counts."""
    tuning = Tuning(overrides=(Override(rule="sectors-in-doubt", threshold="sectors", value=9),))
    assert urgency("sectors-in-doubt", view(reading("a", {PENDING: 8})), tuning) is None
    assert urgency("sectors-in-doubt", view(reading("a", {PENDING: 9})), tuning) == "note"


@pytest.mark.parametrize(
    ("before", "now", "expected"),
    [
        (0, 0, None),
        (0, 1, "note"),  # new, but small
        (4, 4, None),  # old and still: 4 to 7 in 100 sound drives have one
        (99, 99, None),
        (100, 100, "note"),  # the level itself
        (50, 0, None),  # a reset
        (3000, 3600, "this-week"),  # many, and many more this week
    ],
)
def test_reallocated_sectors_speak_by_growth_and_by_level(
    before: int, now: int, expected: str | None
) -> None:
    """A count that stands still below the level is quiet."""
    seen = view(reading("a", {MOVED: now, PENDING: 0}), pasts=(past("a", {MOVED: [(60, before)]}),))
    assert urgency("surface-giving-way", seen) == expected


def test_with_no_history_growth_is_not_known_and_a_small_level_stays_quiet() -> None:
    """First survey: level-based signs work, growth is silent."""
    assert urgency("surface-giving-way", view(reading("a", {MOVED: 40}))) is None
    assert urgency("surface-giving-way", view(reading("a", {MOVED: 100}))) == "note"


def test_growth_after_a_reset_counts_from_the_reset() -> None:
    """A counter that fell to 0 and rose to 3 grew by 3, not by minus 47."""
    seen = view(reading("a", {MOVED: 3}), pasts=(past("a", {MOVED: [(60, 50), (2, 0)]}),))
    (finding,) = of("surface-giving-way", seen)
    assert finding.level == 2
    assert "keeps moving" in finding.sentence


def test_growth_older_than_a_week_is_quiet() -> None:
    """The window is 7 days: what rose 7 days ago still counts at that moment, not after."""
    old = past("a", {MOVED: [(60, 0), (8, 5)]})
    assert urgency("surface-giving-way", view(reading("a", {MOVED: 5}), pasts=(old,))) is None
    new = past("a", {MOVED: [(60, 0), (6, 5)]})
    assert urgency("surface-giving-way", view(reading("a", {MOVED: 5}), pasts=(new,))) == "note"


def test_a_rise_over_a_long_gap_is_spread_over_it() -> None:
    """Nobody looked for 91 days: 13 sectors are one a week, 12 are none for sure."""
    for rise, expected in ((13, "note"), (12, None)):
        before = past("a", {MOVED: [(100, 0)]}, last_read=T0 - 91 * DAY)
        seen = view(reading("a", {MOVED: rise}), pasts=(before,))
        assert urgency("surface-giving-way", seen) == expected


def test_a_swapped_drive_starts_anew() -> None:
    """The past of another drive in the same place says nothing of this one."""
    seen = view(reading("b", {MOVED: 40}), pasts=(past("a", {MOVED: [(60, 0)]}),))
    assert urgency("surface-giving-way", seen) is None


@pytest.mark.parametrize(
    ("metrics", "expected"),
    [
        ({}, None),
        ({REPORTED: 0}, None),
        ({REPORTED: 1}, "note"),
        ({OFFLINE: 8, PENDING: 8}, None),  # the same counter under two numbers
        ({OFFLINE: 9, PENDING: 8}, "note"),
        ({OFFLINE: 8}, "note"),
        ({Metric.MEDIA_ERRORS: 1}, "note"),
        ({Metric.READ_ERRORS_UNCORRECTED: 1}, "note"),
        ({Metric.ERROR_LOG_ENTRIES: 900}, None),  # counts any refused command
        ({Metric.NON_MEDIUM_ERRORS: 900}, None),
    ],
)
def test_unreadable_data_is_told_once(metrics: dict[Metric, int], expected: str | None) -> None:
    """NVMe Base Specification: only media errors are damage, the error log counts any error."""
    assert urgency("sectors-unreadable", view(reading("a", metrics))) == expected


def test_unreadable_data_that_grows_is_worth_a_look_from_the_first() -> None:
    """FAST 2007 section 3.5.1: the first scan error counts."""
    seen = view(reading("a", {REPORTED: 1}), pasts=(past("a", {REPORTED: [(60, 0)]}),))
    assert urgency("sectors-unreadable", seen) == "this-week"


def test_timeouts_speak_by_growth_only() -> None:
    """Five within 7 days; four, an old count, or no history are quiet."""
    for before, now, expected in ((0, 5, "note"), (0, 4, None), (900, 900, None), (7, 2, None)):
        seen = view(
            reading("a", {Metric.COMMAND_TIMEOUTS: now}),
            pasts=(past("a", {Metric.COMMAND_TIMEOUTS: [(60, before)]}),),
        )
        assert urgency("answers-too-late", seen) == expected
    assert urgency("answers-too-late", view(reading("a", {Metric.COMMAND_TIMEOUTS: 900}))) is None


def test_defects_of_scsi_drives_speak_like_reallocated_sectors() -> None:
    """Growth, or a long list."""
    for before, now, expected in ((0, 1, "note"), (5, 5, None), (99, 99, None), (100, 100, "note")):
        seen = view(
            reading("a", {Metric.GROWN_DEFECTS: now}),
            pasts=(past("a", {Metric.GROWN_DEFECTS: [(60, before)]}),),
        )
        assert urgency("grown-defects", seen) == expected


def test_a_finding_carries_counters_in_its_evidence_and_grows_with_doubling() -> None:
    """The sentence is for the person woken; the numbers are kept beside it."""
    before = past("a", {PENDING: [(60, 0), (3, 8)]})
    (finding,) = of("sectors-in-doubt", view(reading("a", {PENDING: 8}), pasts=(before,)))
    assert not any(sign.isdigit() for sign in finding.sentence)
    assert finding.evidence[0].value == "8, was 0 until 2026-02-26 12:00 UTC"
    assert finding.label == "Altair A8, 8 TB, serial XA1 (sda)"
    levels = [of("sectors-in-doubt", view(reading("a", {PENDING: n})))[0].level for n in (1, 2, 4)]
    assert levels == [1, 2, 3]
