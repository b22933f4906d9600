from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.store.times import DAY, HOUR, floor_to, from_micros, to_micros


@given(st.datetimes(timezones=st.just(UTC)))
def test_every_time_comes_back_exactly(moment: datetime) -> None:
    assert from_micros(to_micros(moment)) == moment


def test_the_epoch_is_zero_and_a_day_is_86400_seconds() -> None:
    # POSIX.1-2017, section 4.16, seconds since the Epoch.
    assert to_micros(datetime(1970, 1, 1, tzinfo=UTC)) == 0
    assert to_micros(datetime(2000, 1, 1, tzinfo=UTC)) == 946_684_800 * 1_000_000
    assert DAY == 24 * HOUR == 86_400 * 1_000_000


def test_other_zones_give_the_same_moment() -> None:
    east = datetime(2026, 3, 1, 12, 0, tzinfo=timezone(timedelta(hours=2)))
    assert from_micros(to_micros(east)) == datetime(2026, 3, 1, 10, 0, tzinfo=UTC)


def test_a_naive_time_is_refused() -> None:
    with pytest.raises(ValueError, match="aware"):
        to_micros(datetime(2026, 3, 1))  # noqa: DTZ001 - naive on purpose


@given(st.integers(min_value=-(10**15), max_value=10**16))
def test_a_span_begins_at_or_before_its_moment_and_holds_it(micros: int) -> None:
    begin = floor_to(micros, HOUR)
    assert begin % HOUR == 0
    assert begin <= micros < begin + HOUR
