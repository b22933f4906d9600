from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.web.ask import Ask, Refusal
from watcher.web.times import offers, until_of
from watcher.web.words import Clockwork

OSLO = ZoneInfo("Europe/Oslo")
NOW = datetime(2026, 3, 8, 2, 12, tzinfo=UTC)
ASK = Ask(method="POST", path="/", now=NOW)
CLOCK = Clockwork(now=NOW, zone=OSLO)
MONTH = timedelta(days=30)


def test_the_moments_on_offer_are_those_that_people_mean() -> None:
    found = {offer.words for offer in offers(CLOCK, longest=MONTH)}
    assert "until 06:12 today (for 3 hours)" in found
    assert "until 08:00 today (in the morning)" in found
    assert "until 18:00 today (in the evening)" in found
    assert "until 08:00 tomorrow (on Monday)" in found


@given(moment=st.datetimes(datetime(2026, 1, 1), datetime(2027, 1, 1)), longest=st.integers(2, 60))  # noqa: DTZ001 - made aware below
def test_every_moment_on_offer_lies_ahead_within_bounds_and_in_order(
    moment: datetime, longest: int
) -> None:
    now = moment.replace(tzinfo=UTC)
    clock = Clockwork(now=now, zone=OSLO)
    found = offers(clock, longest=timedelta(days=longest))
    assert found
    moments = [offer.at for offer in found]
    assert moments == sorted(moments)
    assert len(set(moments)) == len(moments)
    for offer in found:
        assert timedelta(hours=1) <= offer.at - now <= timedelta(days=longest)
        assert (
            until_of(Ask(method="POST", path="/", now=now), clock, chosen=offer.value, written="")
            == offer.at
        )


def test_what_was_written_counts_before_what_was_chosen_and_is_local_time() -> None:
    found = until_of(ASK, CLOCK, chosen="2026-03-09T00:00:00+00:00", written="2026-03-08T18:00")
    assert found == datetime(2026, 3, 8, 17, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    "written",
    [
        "soon",
        "2026-03-08T03:12",
        "2026-03-07T18:00",
        "9999-12-31T23:59:59-23:59",
        "0001-01-01T00:00",
    ],
)
def test_what_is_no_moment_ahead_is_refused(written: str) -> None:
    with pytest.raises(Refusal):
        until_of(ASK, CLOCK, chosen="", written=written)
