from datetime import timedelta

import pytest

from tests.store.made import BOX, DAY, HOUR, MINUTE, NOW, drive_id, reading, survey, unread
from watcher.facts.drive import DriveUnread, Metric, Unread, Verdict
from watcher.facts.identity import BoxId
from watcher.store.database import Store
from watcher.store.drive_intake import ANSWERS_KEPT, LARGEST


def test_a_counter_leaves_a_row_only_when_it_moves(store: Store) -> None:
    with store.transaction() as tx:
        for hour, value in enumerate((0, 0, 0, 8, 8, 0)):
            at = NOW + hour * HOUR
            drives = (reading(1, at, pending_sectors=value),)
            tx.take_survey(survey(f"s{hour}", at, drives=drives), at)
        rows = tx.db.rows("SELECT value FROM change ORDER BY at")
        assert [row["value"] for row in rows] == [0, 8, 0]
        points = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW, NOW + DAY)
    assert [(p.at - NOW, p.last) for p in points] == [
        (timedelta(0), 0),
        (3 * HOUR, 8),
        (5 * HOUR, 0),
    ]


def test_a_moving_series_keeps_lowest_highest_and_last_of_ten_minutes(store: Store) -> None:
    with store.transaction() as tx:
        for minute, celsius in enumerate((30, 35, 28, 31)):
            at = NOW + minute * MINUTE
            drives = (reading(1, at, temperature_celsius=celsius),)
            tx.take_survey(survey(f"s{minute}", at, drives=drives), at)
        (point,) = tx.series(drive_id(1), Metric.TEMPERATURE_CELSIUS, NOW, NOW + HOUR)
    assert (point.lowest, point.highest, point.last, point.readings) == (28, 35, 31, 4)
    assert point.lasts == 10 * MINUTE


def test_a_metric_that_is_absent_is_not_zero(store: Store) -> None:
    with store.transaction() as tx:
        tx.take_survey(survey("s1", drives=(reading(1, pending_sectors=8),)), NOW)
        tx.take_survey(survey("s2", NOW + HOUR, drives=(reading(1, NOW + HOUR),)), NOW)
        assert [p.last for p in tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW, NOW + DAY)] == [
            8
        ]
        assert tx.series(drive_id(1), Metric.MEDIA_ERRORS, NOW, NOW + DAY) == ()


def test_asleep_and_failed_looks_are_counted_apart(store: Store) -> None:
    looks = (Unread.ASLEEP, Unread.HUNG, Unread.ASLEEP, Unread.GARBLED)
    with store.transaction() as tx:
        tx.take_survey(survey("s", drives=(reading(1),)), NOW)
        for number, why in enumerate(looks, start=1):
            at = NOW + number * MINUTE
            tx.take_survey(survey(f"s{number}", at, missing=(unread(1, why, at),)), at)
        (day,) = tx.poll_days(drive_id(1), NOW, NOW + HOUR)
        assert (day.read, day.asleep, day.failed) == (1, 2, 2)
        known = tx.drive(drive_id(1))
    assert known is not None
    assert known.unread is Unread.GARBLED
    assert known.last_present == NOW + 4 * MINUTE
    assert known.last_read == NOW


def test_a_drive_that_vanished_was_last_present_before(store: Store) -> None:
    with store.transaction() as tx:
        tx.take_survey(survey("s1", drives=(reading(1),)), NOW)
        gone = unread(1, Unread.VANISHED, NOW + HOUR)
        stranger = unread(2, Unread.VANISHED, NOW + HOUR)
        tx.take_survey(survey("s2", NOW + HOUR, missing=(gone, stranger)), NOW)
        known = tx.drive(drive_id(1))
        assert known is not None
        assert (known.last_present, known.unread) == (NOW, Unread.VANISHED)
        assert tx.drive(drive_id(2)) is None


def test_a_drive_that_was_never_read_is_known_when_it_is_there(store: Store) -> None:
    with store.transaction() as tx:
        nameless = DriveUnread(
            node="/dev/sdz", why=Unread.FORBIDDEN, detail="no right to ask", observed_at=NOW
        )
        tx.take_survey(survey("s1", missing=(unread(1, Unread.FORBIDDEN), nameless)), NOW)
        (known,) = tx.drives(BOX)
        assert (known.identity.serial, known.last_read) == ("X0001", None)
        assert known.verdict is Verdict.UNKNOWN


def test_a_late_value_does_not_seem_to_hold_on(store: Store) -> None:
    """0, then a late 5 between two zeros: since the last reading it is 0 again."""
    with store.transaction() as tx:
        for name, hour, value in (("a", 0, 0), ("c", 2, 0), ("b", 1, 5)):
            at = NOW + hour * HOUR
            drives = (reading(1, at, pending_sectors=value),)
            tx.take_survey(survey(name, at, drives=drives), NOW + 2 * HOUR)
        points = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW, NOW + DAY)
        assert [(p.at - NOW, p.last) for p in points] == [
            (timedelta(0), 0),
            (HOUR, 5),
            (2 * HOUR, 0),
        ]


@pytest.mark.parametrize(("told", "kept"), [(2**80, LARGEST), (-(2**80), -LARGEST), (7, 7)])
def test_a_value_beyond_the_database_stops_at_its_end(store: Store, told: int, kept: int) -> None:
    with store.transaction() as tx:
        drives = (reading(1, pending_sectors=told, temperature_celsius=told),)
        tx.take_survey(survey("s1", drives=drives), NOW)
        for metric in (Metric.PENDING_SECTORS, Metric.TEMPERATURE_CELSIUS):
            assert tx.series(drive_id(1), metric, NOW, NOW + DAY)[0].last == kept


def test_raw_answers_are_kept_latest_and_at_each_change_of_verdict(store: Store) -> None:
    verdicts = [Verdict.PASSED, Verdict.PASSED, Verdict.FAILING, Verdict.FAILING, Verdict.PASSED]
    with store.transaction() as tx:
        for hour, verdict in enumerate(verdicts):
            at = NOW + hour * HOUR
            drives = (reading(1, at, verdict=verdict, raw=f'{{"at": {hour}}}'),)
            tx.take_survey(survey(f"s{hour}", at, drives=drives), at)
        answers = tx.answers(drive_id(1))
    assert [a.text for a in answers if a.is_latest] == ['{"at": 4}']
    assert [a.text for a in answers if not a.is_latest] == ['{"at": 4}', '{"at": 2}', '{"at": 0}']
    assert answers[0].source == "smartctl 7.3"


def test_a_drive_that_keeps_changing_its_mind_does_not_fill_the_store(store: Store) -> None:
    with store.transaction() as tx:
        for hour in range(3 * ANSWERS_KEPT):
            at = NOW + hour * HOUR
            verdict = Verdict.PASSED if hour % 2 else Verdict.FAILING
            drives = (reading(1, at, verdict=verdict, raw=f'{{"at": {hour}}}'),)
            tx.take_survey(survey(f"s{hour}", at, drives=drives), at)
        assert len(tx.answers(drive_id(1))) == ANSWERS_KEPT + 1


def test_a_drive_that_moves_to_another_box_keeps_its_history(store: Store) -> None:
    other = BoxId("harbour")
    with store.transaction() as tx:
        tx.take_survey(survey("s1", drives=(reading(1, pending_sectors=8),)), NOW)
        later = reading(1, NOW + DAY, pending_sectors=8)
        tx.take_survey(survey("s2", NOW + DAY, drives=(later,), box=other), NOW)
        assert tx.drives(BOX) == ()
        past = tx.drive_pasts(other, NOW - DAY, NOW + DAY)[drive_id(1)]
        assert past.first_seen == NOW


def test_a_bay_that_is_not_told_this_time_is_kept(store: Store) -> None:
    with store.transaction() as tx:
        tx.take_survey(survey("s1", drives=(reading(1, bay="3"),)), NOW)
        tx.take_survey(survey("s2", NOW + HOUR, drives=(reading(1, NOW + HOUR),)), NOW)
        known = tx.drive(drive_id(1))
    assert known is not None
    assert known.bay == "3"


@pytest.mark.parametrize(
    ("looks", "expected"),
    [
        ((1, 1), False),  # retired and never left
        ((0, 1), True),  # retired, left, came back
        ((0, 0), False),
    ],
)
def test_a_retired_drive_is_used_again_only_when_it_left_and_came_back(
    store: Store, looks: tuple[int, ...], *, expected: bool
) -> None:
    with store.transaction() as tx:
        tx.take_survey(survey("s", drives=(reading(1), reading(2))), NOW)
        assert tx.retire_drive(drive_id(1))
        assert not tx.retire_drive(drive_id(9))
        for number, is_there in enumerate(looks, start=1):
            at = NOW + number * HOUR
            # The reading itself is a little older than the survey, as in life.
            earlier = at - MINUTE
            there = (reading(1, earlier),) if is_there else ()
            tx.take_survey(survey(f"s{number}", at, drives=(*there, reading(2, earlier))), at)
        assert tx.drive_pasts(BOX, NOW, NOW)[drive_id(1)].in_use is expected


def test_a_retired_drive_can_be_taken_back(store: Store) -> None:
    with store.transaction() as tx:
        tx.take_survey(survey("s", drives=(reading(1),)), NOW)
        tx.retire_drive(drive_id(1))
        tx.retire_drive(drive_id(1), in_use=True)
        assert tx.drive_pasts(BOX, NOW, NOW)[drive_id(1)].in_use
