import dataclasses

from tests.store.made import BOX, DAY, HOUR, MINUTE, NOW, drive_id, event, survey
from watcher.facts.identity import BoxId, about_drive
from watcher.facts.kernel_event import KernelEvent
from watcher.store.database import Store
from watcher.store.event_intake import LONGEST_LINE


def take(store: Store, *events: KernelEvent) -> tuple[KernelEvent, ...]:
    with store.transaction() as tx:
        tx.take_survey(survey("s", NOW, events=events), NOW)
        return tx.recent_events(BOX, NOW - DAY)


def test_an_event_comes_back_as_it_was(store: Store) -> None:
    assert take(store, event()) == (event(),)


def test_like_events_within_an_hour_are_folded_with_their_count(store: Store) -> None:
    first, second = event(NOW, count=2), event(NOW + 10 * MINUTE, count=3)
    (folded,) = take(store, first, second)
    assert folded == dataclasses.replace(first, count=5, last_at=second.last_at)


def test_a_storm_of_days_stays_countable_by_the_hour(store: Store) -> None:
    storm = tuple(event(NOW + minute * MINUTE) for minute in range(300))
    rows = take(store, *storm)
    assert [row.count for row in rows] == [61, 61, 61, 61, 56]
    assert sum(row.count for row in rows) == 300


def test_unlike_events_stay_apart(store: Store) -> None:
    about_other = dataclasses.replace(event(), subject=about_drive(drive_id(2)))
    about_none = dataclasses.replace(event(), subject=None)
    rows = take(store, event(), event(what="link-reset"), about_other, about_none)
    assert set(rows) == {event(), event(what="link-reset"), about_other, about_none}


def test_an_event_before_a_known_one_is_not_folded_into_it(store: Store) -> None:
    rows = take(store, event(NOW), event(NOW - MINUTE))
    assert rows == (event(NOW - MINUTE), event(NOW))


def test_a_long_line_is_cut_and_odd_text_is_kept_readable(store: Store) -> None:
    odd = dataclasses.replace(event(), line="\udcff" + "x" * 5000)
    (row,) = take(store, odd)
    assert row.line == "?" + "x" * (LONGEST_LINE - 1)


def test_events_about_a_subject_are_found_newest_first_on_one_box_or_all(store: Store) -> None:
    other = BoxId("harbour")
    with store.transaction() as tx:
        tx.take_survey(survey("s1", events=(event(NOW), event(NOW + 2 * HOUR))), NOW)
        tx.take_survey(survey("s2", events=(event(NOW + 3 * HOUR),), box=other), NOW)
        about = (about_drive(drive_id(1)), about_drive(drive_id(2)))
        here = tx.events_of(about, NOW - DAY, box=BOX)
        assert [e.at - NOW for e in here] == [2 * HOUR, 0 * HOUR]
        assert len(tx.events_of(about, NOW - DAY, box=None)) == 3
        assert len(tx.events_of(about, NOW - DAY, box=None, limit=2)) == 2
        assert tx.events_of(about, NOW + DAY, box=BOX) == ()
