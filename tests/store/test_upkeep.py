import dataclasses
from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store.conftest import Anew
from tests.store.made import (
    BOX,
    DAY,
    HOUR,
    MINUTE,
    NOW,
    book,
    case,
    drive_id,
    event,
    notice,
    reading,
    survey,
)
from watcher.cases.effects import Record
from watcher.cases.observations import TimePassed
from watcher.facts.drive import Metric
from watcher.facts.kernel_event import Category
from watcher.store.database import Store, open_memory
from watcher.store.history import Point
from watcher.store.outbox import NoticeState


def fill(store: Store, days: int, every: timedelta = HOUR) -> None:
    with store.transaction() as tx:
        at, number = NOW, 0
        while at < NOW + days * DAY:
            drives = (
                reading(1, at, temperature_celsius=30 + number % 7, pending_sectors=number % 5),
            )
            tx.take_survey(survey(f"s{number}", at, drives=drives), at)
            at, number = at + every, number + 1


def chart(store: Store, metric: Metric, days: int) -> tuple[Point, ...]:
    with store.snapshot() as tx:
        return tx.series(drive_id(1), metric, NOW - DAY, NOW + days * DAY)


def test_old_spans_become_wider_and_nothing_is_counted_twice(store: Store) -> None:
    fill(store, 160, every=4 * HOUR)
    before = chart(store, Metric.TEMPERATURE_CELSIUS, 161)
    with store.transaction() as tx:
        tx.roll_up(NOW + 160 * DAY)
    after = chart(store, Metric.TEMPERATURE_CELSIUS, 161)
    assert sum(p.readings for p in after) == sum(p.readings for p in before) == 160 * 6
    assert {p.lasts for p in after} == {10 * MINUTE, HOUR, DAY}
    assert min(p.lowest for p in after) == 30
    assert max(p.highest for p in after) == 36
    assert after[-1] == before[-1]
    ends = [p.at + p.lasts for p in after]
    assert all(end <= following.at for end, following in zip(ends, after[1:], strict=False))


def test_running_it_again_changes_nothing(store: Store) -> None:
    fill(store, 130, every=4 * HOUR)
    with store.transaction() as tx:
        tx.roll_up(NOW + 130 * DAY)
    once = chart(store, Metric.TEMPERATURE_CELSIUS, 131)
    with store.transaction() as tx:
        tx.roll_up(NOW + 130 * DAY)
    assert chart(store, Metric.TEMPERATURE_CELSIUS, 131) == once


def test_a_late_reading_joins_the_hour_that_was_rolled_up(store: Store) -> None:
    fill(store, 20)
    with store.transaction() as tx:
        tx.roll_up(NOW + 20 * DAY)
        late = NOW + HOUR + 20 * MINUTE
        drives = (reading(1, late, temperature_celsius=50),)
        tx.take_survey(survey("late", late, drives=drives), NOW)
        tx.roll_up(NOW + 20 * DAY)
        points = tx.series(drive_id(1), Metric.TEMPERATURE_CELSIUS, NOW + HOUR, late)
    hours = [p for p in points if p.lasts == HOUR]
    assert any(p.highest == 50 and p.lowest < 40 and p.readings == 2 for p in hours)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.tuples(st.integers(0, 47), st.integers(-40, 90)), max_size=30))
def test_rolling_up_keeps_the_extremes_the_last_and_the_count(
    values: list[tuple[int, int]],
) -> None:
    store = open_memory(now=NOW)
    start = NOW.replace(hour=0, minute=0, second=0, microsecond=0)
    told = dict(values)
    with store.transaction() as tx:
        for step, celsius in sorted(told.items()):
            at = start + step * 10 * MINUTE
            drives = (reading(1, at, temperature_celsius=celsius),)
            tx.take_survey(survey(f"s{step}", at, drives=drives), at)
        tx.roll_up(start + 200 * DAY)
        points = tx.series(drive_id(1), Metric.TEMPERATURE_CELSIUS, start, start + DAY)
    if not told:
        assert points == ()
        return
    (day,) = points
    assert (day.lowest, day.highest) == (min(told.values()), max(told.values()))
    assert (day.last, day.readings) == (told[max(told)], len(told))


def test_old_counters_keep_the_last_highest_and_lowest_of_each_day(store: Store) -> None:
    start = NOW.replace(hour=0)
    values = (4, 5, 9, 7, 1, 3, 3, 6)
    with store.transaction() as tx:
        for hour, value in enumerate(values):
            at = start + hour * HOUR
            drives = (reading(1, at, pending_sectors=value),)
            tx.take_survey(survey(f"s{hour}", at, drives=drives), at)
        tx.roll_up(start + 100 * DAY)
        assert len(tx.db.rows("SELECT * FROM change")) == 7  # still exact
        tx.roll_up(start + 200 * DAY)
        rows = tx.db.rows("SELECT value FROM change ORDER BY at")
        assert [row["value"] for row in rows] == [9, 1, 6]
        tx.roll_up(start + 300 * DAY)
        assert len(tx.db.rows("SELECT * FROM change")) == 3


def test_what_has_had_its_time_is_dropped(store: Store) -> None:
    with store.transaction() as tx:
        noise = dataclasses.replace(event(), category=Category.NOISE)
        tx.take_survey(survey("s", drives=(reading(1),), events=(event(), noise)), NOW)
        tx.add_observation(BOX, NOW, TimePassed())
        tx.put_notices([notice("sent"), notice("waiting", "mail")])
        for taken in tx.claim_due(NOW, 1, "s"):
            tx.mark_sent(taken.number, NOW)
        tx.save_book(BOX, book(case(1, closed=True), case(2)))
        tx.save_book(BOX, book(case(2)))
        tx.add_records(BOX, [Record(case=n, at=NOW, what="opened") for n in (1, 2)])

        tx.roll_up(NOW + 13 * DAY)
        assert len(tx.recent_events(BOX, NOW - DAY)) == 2
        assert len(tx.observations(BOX, NOW - DAY)) == 1

        tx.roll_up(NOW + 31 * DAY)
        assert [e.category for e in tx.recent_events(BOX, NOW - DAY)] == [Category.LINK]
        assert tx.observations(BOX, NOW - DAY) == ()
        assert tx.take_survey(survey("s", NOW, drives=(reading(1),)), NOW)  # forgotten by now
        assert len(tx.list_notices(BOX)) == 2

        tx.roll_up(NOW + 500 * DAY)
        assert [n.state for n in tx.list_notices(BOX)] == [NoticeState.WAITING]
        assert tx.db.one("SELECT count(*) AS n FROM attempt")["n"] == 0
        assert tx.case(BOX, 1) is not None

        tx.roll_up(NOW + 2000 * DAY)
        assert tx.case(BOX, 1) is None
        assert tx.records(BOX, 1) == ()
        assert tx.case(BOX, 2) is not None
        assert len(tx.records(BOX, 2)) == 1
        assert tx.recent_events(BOX, NOW - DAY) == ()
        assert tx.poll_days(drive_id(1), NOW - DAY, NOW) == ()


def many_drives(store: Store, days: int) -> None:
    """Five drives, looked at four times a day, with a counter that moves."""
    with store.transaction() as tx:
        for number in range(days * 4):
            at = NOW + number * 6 * HOUR
            drives = tuple(
                reading(
                    n, at, temperature_celsius=30 + number % (n + 3), pending_sectors=number % 5
                )
                for n in range(5)
            )
            tx.take_survey(survey(f"s{number}", at, drives=drives), at)
            tx.add_observation(BOX, at, TimePassed())


TABLES = ("fresh", "span", "change", "poll", "survey", "observation")


def content(store: Store) -> dict[str, list[dict[str, object]]]:
    with store.snapshot() as tx:
        found = {name: [dict(r) for r in tx.db.rows(f"SELECT * FROM {name}")] for name in TABLES}  # noqa: S608 - names of ours
    return {name: sorted(rows, key=str) for name, rows in found.items()}


def test_in_parts_it_comes_to_the_same_as_at_once(anew: Anew) -> None:
    whole, parts = anew(), anew()
    later = NOW + 140 * DAY
    for store in (whole, parts):
        many_drives(store, 45)
    with whole.transaction() as tx:
        tx.roll_up(later)
    count = 0
    while True:
        with parts.transaction() as tx:
            # The clock goes on meanwhile; the pass counts by when it began.
            more = tx.roll_up_some(later + count * DAY, drives=2, rows=50)
        count += 1
        if not more:
            break
        with parts.snapshot() as tx:
            assert tx.rolled_up_at(later) is None
    assert count > 3 + 180 // 50
    assert content(parts) == content(whole)
    with parts.snapshot() as tx:
        ended = later + (count - 1) * DAY
        assert tx.rolled_up_at(ended + HOUR) == ended


def test_a_part_touches_its_own_drives_only(store: Store) -> None:
    many_drives(store, 3)
    with store.transaction() as tx:
        assert tx.roll_up_some(NOW + 4 * DAY, drives=2)
        left = {row["drive"] for row in tx.db.rows("SELECT DISTINCT drive FROM fresh")}
        moved = {row["drive"] for row in tx.db.rows("SELECT DISTINCT drive FROM span")}
    assert (len(left), len(moved)) == (3, 2)
    assert not left & moved


def test_a_pass_that_ended_before_the_clock_was_set_back_holds_up_none(store: Store) -> None:
    """A box may have begun with a clock that was a year ahead."""
    ahead = NOW + 365 * DAY
    with store.transaction() as tx:
        assert tx.rolled_up_at(ahead) == ahead
    with store.transaction() as tx:
        assert tx.rolled_up_at(NOW) == NOW
        assert tx.rolled_up_at(NOW + DAY) == NOW


def test_a_new_store_has_nothing_old_and_its_first_pass_is_due_a_day_later(store: Store) -> None:
    with store.transaction() as tx:
        assert tx.rolled_up_at(NOW) == NOW
        assert tx.rolled_up_at(NOW + HOUR) == NOW
        while tx.roll_up_some(NOW + DAY):
            continue
        assert tx.rolled_up_at(NOW + 2 * DAY) == NOW + DAY


def test_too_many_events_lose_the_harmless_first(store: Store) -> None:
    kinds = (Category.MEDIUM, Category.NOISE, Category.LINK, Category.POOL, Category.NOISE)
    events = tuple(
        dataclasses.replace(event(NOW + n * HOUR, what=f"kind-{n}"), category=kind)
        for n, kind in enumerate(kinds)
    )
    with store.transaction() as tx:
        tx.take_survey(survey("s", events=events), NOW)
        tx.roll_up(NOW + HOUR, events_most=3)
        left = [e.category for e in tx.recent_events(BOX, NOW - DAY)]
    assert left == [Category.MEDIUM, Category.LINK, Category.POOL]


def test_too_many_ended_messages_lose_the_oldest_and_never_one_that_waits(store: Store) -> None:
    with store.transaction() as tx:
        tx.put_notices([notice(f"n{number}") for number in range(6)])
        for number, taken in enumerate(tx.claim_due(NOW, 4, "s")):
            tx.mark_sent(taken.number, NOW + number * HOUR)
        tx.roll_up(NOW + HOUR, notices_most=2)
        assert [n.key for n in tx.list_notices(BOX)] == ["n5", "n4", "n3", "n2"]
