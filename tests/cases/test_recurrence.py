"""Recurrence rules and lengths, against the standards' own examples."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.cases.recurrence import NotUnderstood, check_rule, next_after, parse_length

NEW_YORK = "America/New_York"


def occurrences(rule: str, first: datetime, zone: str, most: int = 40) -> list[datetime]:
    found = []
    at: datetime | None = first - timedelta(seconds=1)
    while len(found) < most:
        at = next_after(rule, first, zone, at)  # type: ignore[arg-type]
        if at is None:
            break
        found.append(at)
    return found


def local_days(rule: str, first: datetime, zone: str) -> list[str]:
    return [f"{at.astimezone(ZoneInfo(zone)):%b %-d}" for at in occurrences(rule, first, zone)]


def test_every_other_week_on_tuesday_and_thursday_for_eight_times() -> None:
    """RFC 5545, section 3.8.5.3: September 2,4,16,18,30; October 2,14,16 1997, at 09:00."""
    first = datetime(1997, 9, 2, 9, 0, tzinfo=ZoneInfo(NEW_YORK))
    rule = check_rule("RRULE:FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH")
    expected = ["Sep 2", "Sep 4", "Sep 16", "Sep 18", "Sep 30", "Oct 2", "Oct 14", "Oct 16"]
    assert local_days(rule, first, NEW_YORK) == expected


def test_the_first_friday_of_the_month_for_ten_times_stays_at_nine_o_clock() -> None:
    """RFC 5545, section 3.8.5.3; the clocks change between October and November, and April."""
    first = datetime(1997, 9, 5, 9, 0, tzinfo=ZoneInfo(NEW_YORK))
    rule = check_rule("FREQ=MONTHLY;COUNT=10;BYDAY=1FR")
    found = occurrences(rule, first, NEW_YORK)
    assert local_days(rule, first, NEW_YORK) == (
        ["Sep 5", "Oct 3", "Nov 7", "Dec 5", "Jan 2", "Feb 6", "Mar 6", "Apr 3", "May 1", "Jun 5"]
    )
    assert {at.astimezone(ZoneInfo(NEW_YORK)).hour for at in found} == {9}
    assert {at.hour for at in found} == {13, 14}


def test_an_end_in_utc_is_the_last_moment() -> None:
    """RFC 5545: UNTIL bounds the rule inclusively; here daily until December 24, 1997."""
    first = datetime(1997, 12, 20, 9, 0, tzinfo=ZoneInfo(NEW_YORK))
    rule = check_rule("FREQ=DAILY;UNTIL=19971224T140000Z")
    assert local_days(rule, first, NEW_YORK)[-1] == "Dec 24"


def test_a_skipped_time_comes_after_the_gap_and_a_doubled_one_once() -> None:
    """02:30 in Vienna does not exist on 29 March 2026, and is there twice on 25 October."""
    spring = datetime(2026, 3, 28, 1, 30, tzinfo=UTC)
    found = occurrences("FREQ=DAILY;COUNT=3", spring, "Europe/Vienna")
    assert found[1] == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)  # 03:30 by the new time
    assert found[2] == datetime(2026, 3, 30, 0, 30, tzinfo=UTC)
    autumn = datetime(2026, 10, 24, 0, 30, tzinfo=UTC)
    found = occurrences("FREQ=DAILY;COUNT=3", autumn, "Europe/Vienna")
    assert [at.day for at in found] == [24, 25, 26]


def test_a_day_that_never_comes_ends_the_search() -> None:
    """30 February: the answer is that there is none, soon."""
    never = "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"
    first = datetime(2026, 1, 1, 9, 0, tzinfo=UTC)
    assert next_after(never, first, "UTC", first) is None
    for rule in (never, "FREQ=DAILY;COUNT=3;BYMONTH=2;BYMONTHDAY=30"):
        with pytest.raises(NotUnderstood, match="a day that does not come"):
            check_rule(rule)
    assert check_rule("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29")
    assert check_rule("FREQ=DAILY;BYMONTH=2;BYMONTHDAY=29")
    assert check_rule("FREQ=DAILY;UNTIL=20260301")


def test_a_plan_that_is_older_than_its_window_ends() -> None:
    """What is walked through to find the next is bounded."""
    first = datetime(1900, 1, 1, 9, 0, tzinfo=UTC)
    assert next_after("FREQ=DAILY", first, "UTC", datetime(2026, 1, 1, tzinfo=UTC)) is None


@pytest.mark.parametrize(
    ("text", "length"),
    [
        ("PT36H", timedelta(hours=36)),
        ("P1DT12H", timedelta(hours=36)),
        ("P2W", timedelta(weeks=2)),
        ("P23DT23H", timedelta(days=23, hours=23)),
        ("PT2.3H", timedelta(hours=2, minutes=18)),
        ("PT1M", timedelta(minutes=1)),
        ("pt90s", timedelta(seconds=90)),
        ("PT1H5S", timedelta(hours=1, seconds=5)),
    ],
)
def test_lengths_are_read_by_the_standard(text: str, length: timedelta) -> None:
    """ISO 8601 as in RFC 3339, appendix A; values as in the tests of isodate 0.7.2."""
    assert parse_length(text) == length


@pytest.mark.parametrize(
    "text",
    [
        "P",
        "PT",
        "P1DT",
        "",
        "3h",
        "P1M",
        "P18Y9M4DT11H9M8S",
        "-P2.2W",
        "PT0S",
        "P1",
        "P9999999999D",
    ],
)
def test_what_names_no_fixed_length_is_refused(text: str) -> None:
    """A window of no length, or of a month, is a slip of the pen."""
    with pytest.raises(NotUnderstood):
        parse_length(text)


@given(st.text(max_size=40))
def test_any_text_is_a_rule_or_refused(text: str) -> None:
    """Nothing else is raised."""
    for read in (check_rule, parse_length):
        with contextlib.suppress(NotUnderstood):
            assert read(text)


@pytest.mark.parametrize(
    "text",
    [
        "FREQ=DAILY;COUNT=x",
        "FREQ=WEEKLY;BYDAY=XX",
        "INTERVAL=2;FREQ=DAILY;FOO=1",
        "FREQ=HOURLY",
        "FREQ=DAILY;BYHOUR=3",
        "FREQ=DAILY;UNTIL=xZ",
        "XFREQ=DAILY",
        "FREQ=DAILY;FREQ=SECONDLY",
        "FREQ=DAILY;COUNT=1\nRRULE:FREQ=SECONDLY",
        "FREQ=DAILY;COUNT=3;UNTIL=20300101",
        "FREQ=DAILY;INTERVAL=0",
        "FREQ=DAILY;INTERVAL=-1",
        "FREQ=MONTHLY;BYDAY=99MO",
        "FREQ=YEARLY;BYMONTH=3;BYDAY=20MO",
        "FREQ=YEARLY;BYYEARDAY=367",
        "FREQ=DAILY;UNTIL=99991231T235959Z",
    ],
)
def test_a_broken_rule_is_refused(text: str) -> None:
    with pytest.raises(NotUnderstood):
        check_rule(text)


@pytest.mark.parametrize(("word", "rule"), [("daily", "FREQ=DAILY"), ("Monthly", "FREQ=MONTHLY")])
def test_plain_words_are_understood(word: str, rule: str) -> None:
    assert check_rule(word) == rule


SIGN = st.sampled_from(["", "+", "-"])
DAYS = st.sampled_from(["MO", "TU", "WE", "TH", "FR", "SA", "SU"])


def signed(most: int) -> st.SearchStrategy[str]:
    """A number of the standard, and now and then one beyond it."""
    return st.builds(lambda sign, n: f"{sign}{n}", SIGN, st.integers(0, most + 1))


PARTS = {
    "INTERVAL": st.integers(-1, 1000).map(str),
    "COUNT": st.integers(-1, 50).map(str),
    "UNTIL": st.sampled_from(["20260301", "20400101T000000Z", "99991231T235959Z", "19000101"]),
    "WKST": DAYS,
    "BYDAY": st.builds(lambda n, d: f"{n}{d}", st.just("") | signed(53), DAYS),
    "BYMONTH": st.integers(0, 13).map(str),
    "BYMONTHDAY": signed(31),
    "BYYEARDAY": signed(366),
    "BYWEEKNO": signed(53),
    "BYSETPOS": signed(366),
    "BYEASTER": st.integers(-400, 400).map(str),
}
RULES = st.builds(
    lambda often, parts: ";".join([f"FREQ={often}", *(f"{k}={v}" for k, v in parts.items())]),
    st.sampled_from(["DAILY", "WEEKLY", "MONTHLY", "YEARLY", "HOURLY"]),
    st.fixed_dictionaries({}, optional=PARTS),
)


@settings(deadline=None)
@given(RULES, st.sampled_from(["UTC", "Pacific/Auckland", "America/New_York"]))
def test_a_rule_that_was_taken_can_be_followed(rule: str, zone: str) -> None:
    """A fault in a rule shows when it is given: later it would end the watch again and again."""
    first = datetime(2026, 2, 17, 22, 30, tzinfo=UTC)
    with contextlib.suppress(NotUnderstood):
        at = next_after(check_rule(rule), first, zone, first)
        assert at is None or at > first
