from contextlib import suppress
from datetime import datetime

from tests.store.made import BOX, DAY, HOUR, NOW, drive_id, pool, reading, survey
from watcher.facts.drive import Metric, Verdict
from watcher.store.database import Store


def test_a_survey_handed_over_twice_counts_once(store: Store) -> None:
    seen = survey("s1", drives=(reading(1),))
    with store.transaction() as tx:
        assert tx.take_survey(seen, NOW)
        assert not tx.take_survey(seen, NOW + HOUR)
        (day,) = tx.poll_days(drive_id(1), NOW - DAY, NOW)
        assert day.read == 1


def test_a_survey_that_was_undone_is_taken_the_next_time(store: Store) -> None:
    seen = survey("s1", drives=(reading(1),))
    with suppress(KeyError), store.transaction() as tx:
        tx.take_survey(seen, NOW)
        raise KeyError
    with store.transaction() as tx:
        assert tx.drives() == ()
        assert tx.take_survey(seen, NOW)


def test_a_late_survey_never_takes_the_place_of_a_newer_one(store: Store) -> None:
    with store.transaction() as tx:
        new = reading(1, NOW + HOUR, verdict=Verdict.FAILING, node="/dev/sdx", pending_sectors=8)
        old = reading(1, NOW, verdict=Verdict.PASSED, node="/dev/sda", pending_sectors=0)
        tx.take_survey(survey("s2", NOW + HOUR, drives=(new,)), NOW + HOUR)
        assert tx.take_survey(survey("s1", NOW, drives=(old,)), NOW + 2 * HOUR)
        known = tx.drive(drive_id(1))
        assert known is not None
        assert (known.verdict, known.node) == (Verdict.FAILING, "/dev/sdx")
        assert known.first_seen == NOW
        last = tx.last_survey(BOX)
        assert last is not None
        assert last.survey == "s2"
        points = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW, NOW + DAY)
        assert [p.last for p in points] == [0, 8]


def test_the_last_survey_comes_back_but_for_the_raw_answers(store: Store) -> None:
    whole = survey("s1", drives=(reading(1, raw="{}", power_cycles=3),))
    slim = survey("s1", drives=(reading(1, power_cycles=3),))
    with store.transaction() as tx:
        assert tx.last_survey(BOX) is None
        tx.take_survey(whole, NOW)
        assert tx.last_survey(BOX) == slim
        (box,) = tx.boxes()
    assert (box.box, box.first_seen, box.last_survey) == (BOX, NOW, "s1")


def test_a_reading_of_midnight_belongs_to_the_day_that_begins(store: Store) -> None:
    midnight = datetime.combine(NOW.date(), datetime.min.time(), tzinfo=NOW.tzinfo)
    with store.transaction() as tx:
        tx.take_survey(survey("s", midnight, drives=(reading(1, midnight),)), NOW)
        (day,) = tx.poll_days(drive_id(1), midnight - DAY, midnight + DAY)
    assert day.day == midnight


def test_a_clock_set_back_does_not_make_what_comes_now_late(store: Store) -> None:
    """What was taken in under a clock that ran a day ahead gives way to what is seen now."""
    ahead = NOW + DAY
    with store.transaction() as tx:
        tx.take_survey(
            survey("ahead", ahead, drives=(reading(1, ahead),), pools=(pool(ahead),)), ahead
        )
        lost = pool(NOW, lost=1)
        drives = (reading(1, NOW, pending_sectors=5),)
        tx.take_survey(survey("now", NOW, drives=drives, pools=(lost,)), NOW)
        last = tx.last_survey(BOX)
        assert last is not None
        assert last.survey == "now"
        assert tx.pool_pasts(BOX)[lost.pool].last_protection is lost.protection
        assert tx.drive_pasts(BOX, NOW - DAY, NOW)[drive_id(1)].last_read == NOW
