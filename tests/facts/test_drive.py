"""What one drive said, and how a counter of it changed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.drive import (
    DriveIdentity,
    DrivePast,
    DriveReading,
    Metric,
    SelfTest,
    Trace,
    TracesAsAsked,
)
from watcher.facts.identity import DriveId

T0 = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)


def trace(*points: tuple[float, int]) -> Trace:
    """Make a trace as (days ago, value), oldest first."""
    return Trace(
        metric=Metric.PENDING_SECTORS,
        points=tuple((T0 - ago * DAY, value) for ago, value in points),
    )


@pytest.mark.parametrize(
    ("points", "days", "rise"),
    [
        ((), 7, None),
        (((60, 5),), 7, 0),
        (((60, 5), (1, 9)), 7, 4),
        (((60, 5), (7, 9)), 7, 0),  # it had that value when the window began
        (((60, 5), (6, 9)), 7, 4),
        (((60, 5), (6, 0), (1, 3)), 7, 3),  # a reset: from the lowest since
        (((3, 5), (1, 3)), 7, 0),  # it fell within its first window
        (((3, 5), (2, 0), (1, 3)), 7, 3),
    ],
)
def test_a_rise_is_counted_from_the_value_at_the_start_or_the_lowest_since(
    points: tuple[tuple[float, int], ...], days: int, rise: int | None
) -> None:
    """None without points; never negative."""
    assert trace(*points).rise_since(T0 - days * DAY) == rise


@given(
    st.lists(st.integers(0, 100), min_size=1, max_size=10),
    st.integers(-1, 12),
    st.integers(0, 5),
)
def test_a_longer_window_never_shows_a_smaller_rise(
    values: list[int], days: int, longer: int
) -> None:
    """And no rise is above the value itself."""
    seen = trace(*((float(len(values) - i), v) for i, v in enumerate(values)))
    short, long = (seen.rise_since(T0 - d * DAY) for d in (days, days + longer))
    assert short is not None
    assert long is not None
    assert 0 <= short <= long <= values[-1]


def test_a_metric_is_named_once_and_an_absent_one_is_not_known() -> None:
    """Not zero."""
    who = DriveIdentity(drive=DriveId("a"), model="Altair A8", serial="X1")
    facts = {"identity": who, "observed_at": T0, "node": "/dev/sda", "device_type": "sat"}
    seen = DriveReading(metrics=((Metric.PENDING_SECTORS, 0),), **facts)  # type: ignore[arg-type]
    assert seen.metric(Metric.PENDING_SECTORS) == 0
    assert seen.metric(Metric.REALLOCATED_SECTORS) is None
    with pytest.raises(ValueError, match="twice"):
        DriveReading(metrics=((Metric.PENDING_SECTORS, 0),) * 2, **facts)  # type: ignore[arg-type]


class Doubled(TracesAsAsked):
    """Traces of two metrics, that counts how many were made."""

    def __init__(self) -> None:
        super().__init__()
        self.made = 0

    def metrics(self) -> tuple[Metric, ...]:
        return (Metric.PENDING_SECTORS, Metric.SPIN_RETRIES)

    def make(self, metric: Metric) -> Trace | None:
        self.made += 1
        return Trace(metric=metric, points=()) if metric in self.metrics() else None


def test_traces_are_made_when_asked_for_and_once() -> None:
    kept = Doubled()
    who = DriveIdentity(drive=DriveId("wwn-a"), model="Altair A8", serial="X1")
    past = DrivePast(identity=who, first_seen=T0, last_read=T0, last_present=T0, traces=kept)
    assert kept.made == 0
    assert past.trace(Metric.SPIN_RETRIES) is past.trace(Metric.SPIN_RETRIES)
    assert past.trace(Metric.MEDIA_ERRORS) is None
    assert past.trace(Metric.MEDIA_ERRORS) is None
    assert kept.made == 2


def test_traces_made_late_are_the_same_as_those_at_hand() -> None:
    plain = tuple(
        Trace(metric=metric, points=()) for metric in (Metric.PENDING_SECTORS, Metric.SPIN_RETRIES)
    )
    assert (Doubled(), len(Doubled()), Doubled()[1]) == (plain, 2, plain[1])
    assert plain == Doubled()
    assert Doubled() != plain[:1]
    assert Doubled() != 3
    assert hash(Doubled()) == hash(plain)
    assert repr(Doubled()) == repr(plain)


@pytest.mark.parametrize(
    ("kind", "full"),
    [
        ("Extended offline", True),
        ("Extended captive", True),
        ("Short offline", False),
        ("Short captive", False),
        ("Conveyance offline", False),
        ("Conveyance captive", False),
        ("Selective offline", False),
        ("Selective captive", False),
        ("Offline", False),
        ("Vendor (0xc7)", False),
        ("Background long", True),
        ("Foreground long", True),
        ("Background short", False),
        ("Foreground short", False),
        ("Extended", True),
        ("Short", False),
        ("", False),
    ],
)
def test_only_a_test_that_reads_the_whole_drive_is_a_full_one(kind: str, full: bool) -> None:
    """The names are those that smartctl 7.3 gives (its own text). A drive of 16 TB tells 1,405
    minutes for its extended and 2 for its conveyance test.
    """
    test = SelfTest(
        kind=kind, passed=True, found_damage=False, power_on_hours=1, first_bad_lba=None
    )
    assert test.is_full is full
