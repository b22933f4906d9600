from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store.made import BOX, DAY, HOUR, MINUTE, NOW, drive_id, event, reading, survey, unread
from watcher.facts.drive import Metric, Trace, Unread, span_of
from watcher.store.database import Store, open_memory
from watcher.store.errors import StoreDamaged
from watcher.store.times import to_micros


def take(store: Store, hours: float, **metrics: int) -> None:
    at = NOW + hours * HOUR
    with store.transaction() as tx:
        seen = survey(f"s{hours}", at, drives=(reading(1, at, **metrics),))
        tx.take_survey(seen, NOW + 40 * HOUR)


def trace(store: Store, metric: Metric, since: float, now: float) -> Trace | None:
    with store.snapshot() as tx:
        return tx.drive_pasts(BOX, NOW + since * HOUR, NOW + now * HOUR)[drive_id(1)].trace(metric)


def test_a_trace_begins_with_what_held_before_the_window(store: Store) -> None:
    for hours, value in ((0, 1), (10, 2), (20, 3), (30, 3), (40, 5)):
        take(store, hours, pending_sectors=value)
    found = trace(store, Metric.PENDING_SECTORS, since=15, now=41)
    assert found == Trace(
        metric=Metric.PENDING_SECTORS,
        points=((NOW + 10 * HOUR, 2), (NOW + 20 * HOUR, 3), (NOW + 40 * HOUR, 5)),
    )
    assert found.rise_since(NOW + 15 * HOUR) == 3


def test_a_quiet_counter_is_one_point_from_when_it_began(store: Store) -> None:
    for hours in (0, 10, 20):
        take(store, hours, pending_sectors=4)
    for since in (-5, 5, 25):
        found = trace(store, Metric.PENDING_SECTORS, since=since, now=26)
        assert found == Trace(metric=Metric.PENDING_SECTORS, points=((NOW, 4),))


def test_a_metric_that_was_never_recorded_has_no_trace(store: Store) -> None:
    take(store, 0, pending_sectors=4)
    assert trace(store, Metric.MEDIA_ERRORS, since=-5, now=1) is None


def test_the_temperature_tells_its_extremes_of_the_last_day(store: Store) -> None:
    for number in range(40 * 6):
        celsius = 30 + (15 if number == 35 * 6 + 3 else 0) - (9 if number == 3 else 0)
        take(store, number / 6, temperature_celsius=celsius)
    found = trace(store, Metric.TEMPERATURE_CELSIUS, since=-900, now=40)
    assert found is not None
    values = [value for _, value in found.points]
    assert max(values) == 45  # within the day
    assert min(values) == 30  # the dip of the first hour is over a day old
    assert (NOW + (35 * 6 + 3) / 6 * HOUR, 45) in found.points
    assert found.points[-1][0] == NOW + 239 / 6 * HOUR
    assert len(found.points) <= 3
    assert list(found.points) == sorted(found.points)


@given(st.lists(st.tuples(st.integers(1, 400), st.integers(20, 60)), min_size=1, max_size=40))
@settings(max_examples=40, deadline=None)
def test_the_extremes_of_a_day_are_those_of_all_its_readings(steps: list[tuple[int, int]]) -> None:
    """Only some hours are kept; never one too few."""
    with open_memory(now=NOW) as store:
        minutes, read = 0, []
        for gap, celsius in steps:
            minutes += gap
            take(store, minutes / 60, temperature_celsius=celsius)
            read.append((minutes, celsius))
            found = trace(store, Metric.TEMPERATURE_CELSIUS, since=-900, now=minutes / 60)
            assert found is not None
            day = [told for at, told in read if at > minutes - 24 * 60]
            told = [value for _, value in found.points]
            assert (min(told), max(told), told[-1]) == (min(day), max(day), celsius)


def test_other_moving_series_give_their_latest_value(store: Store) -> None:
    take(store, 0, power_on_hours=100, bytes_written=5)
    take(store, 1, power_on_hours=101, bytes_written=9)
    found = trace(store, Metric.BYTES_WRITTEN, since=-5, now=2)
    assert found == Trace(metric=Metric.BYTES_WRITTEN, points=((NOW + HOUR, 9),))


@pytest.mark.parametrize("hours", [0, 5, 23, 26, 30, 60])
def test_the_span_of_a_series_is_that_of_its_trace(store: Store, hours: int) -> None:
    """Told of the temperature without making the trace: every drive is asked at every survey."""
    for at, celsius in enumerate((30, 44, 31, 12, 33, 29)):
        take(store, 4 * at, temperature_celsius=celsius, pending_sectors=at, bytes_written=at)
    with store.snapshot() as tx:
        found = tx.drive_pasts(BOX, NOW - HOUR, NOW + hours * HOUR)[drive_id(1)]
    for metric in (*(trace.metric for trace in found.traces), Metric.MEDIA_ERRORS):
        assert found.span(metric) == span_of(found.trace(metric)), metric
    assert found.span(Metric.MEDIA_ERRORS) is None
    plain = replace(found, traces=tuple(found.traces))
    assert plain.span(Metric.TEMPERATURE_CELSIUS) == found.span(Metric.TEMPERATURE_CELSIUS)


def test_the_past_tells_when_a_drive_was_read_and_there(store: Store) -> None:
    take(store, 0, pending_sectors=4)
    at = NOW + HOUR
    with store.transaction() as tx:
        tx.take_survey(survey("asleep", at, missing=(unread(1, Unread.ASLEEP, at),)), at)
        past = tx.drive_pasts(BOX, NOW, at)[drive_id(1)]
    assert (past.first_seen, past.last_read, past.last_present) == (NOW, NOW, at)
    assert (past.node, past.bay, past.in_use) == ("/dev/sdb", None, True)
    assert past.identity == reading(1).identity


def test_a_metric_of_another_version_is_left_out(store: Store) -> None:
    take(store, 0, pending_sectors=4)
    with store.transaction() as tx:
        tx.db.change("""UPDATE drive SET counters = '{"wobble":[1,2]}'""")
        assert tx.drive_pasts(BOX, NOW, NOW)[drive_id(1)].traces == ()


def test_latest_values_that_make_no_sense_are_damage(store: Store) -> None:
    take(store, 0, pending_sectors=4)
    with store.transaction() as tx:
        tx.db.change("UPDATE drive SET counters = substr(counters, 1, 9)")
        with pytest.raises(StoreDamaged):
            tx.drive_pasts(BOX, NOW, NOW)


def test_recent_events_are_those_that_lasted_into_the_window(store: Store) -> None:
    with store.transaction() as tx:
        tx.take_survey(survey("s", events=(event(NOW), event(NOW + 30 * MINUTE))), NOW)
        assert len(tx.recent_events(BOX, NOW + 10 * MINUTE)) == 1
        assert tx.recent_events(BOX, NOW + DAY) == ()


@settings(deadline=None, max_examples=60)
@given(
    st.dictionaries(st.integers(0, 30), st.integers(0, 2), max_size=12),
    st.integers(-1, 31),
)
def test_a_trace_is_what_the_changes_say_in_whatever_order_surveys_come(
    told: dict[int, int], since: int
) -> None:
    """The short way (one row for each drive) gives the same as reading all changes."""
    store = open_memory(now=NOW)
    for hour, value in told.items():
        take(store, hour, pending_sectors=value)
    if not told:
        return
    begin = to_micros(NOW + since * HOUR)
    with store.snapshot() as tx:
        number = tx.db.one("SELECT id FROM drive")["id"]
        changes = tx._points(number, Metric.PENDING_SECTORS.value, begin)
    found = trace(store, Metric.PENDING_SECTORS, since=since, now=32)
    assert found is not None
    assert found.points == changes
    assert found.points[-1][1] == told[max(told)]
    if list(told) == sorted(told):
        for hour in (hour for hour in told if hour >= since):
            held = [value for at, value in found.points if at <= NOW + hour * HOUR]
            assert held[-1] == told[hour]
