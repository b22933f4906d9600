"""What is known of a drive is gathered from every box it sat in."""

from __future__ import annotations

from datetime import timedelta

from tests.store import made
from watcher.facts.drive import Metric
from watcher.facts.identity import BoxId, DriveId
from watcher.service.bench import past_of
from watcher.store.database import open_memory

DAY = timedelta(days=1)


def test_the_past_is_that_of_all_boxes_in_the_order_of_time() -> None:
    with open_memory(now=made.NOW).transaction() as tx:
        for day, box, pending in ((0, "press", 0), (1, "press", 8), (5, "barn", 24)):
            at = made.NOW + day * DAY
            reading = made.reading(1, at, pending_sectors=pending)
            seen = made.survey(f"look-{day}", at, drives=(reading,), box=BoxId(box))
            tx.take_survey(seen, at)
        past = past_of(tx, made.drive_id(1), made.NOW + 6 * DAY)
        assert past is not None
        assert past.first_seen == made.NOW
        assert past.last_read == made.NOW + 5 * DAY
        assert past.days_read == 3
        (pending_trace,) = (t for t in past.traces if t.metric is Metric.PENDING_SECTORS)
        assert [value for _, value in pending_trace.points] == [0, 8, 24]
        assert past.last is not None
        assert past.last.identity.drive == made.drive_id(1)
        assert past.last.metric(Metric.PENDING_SECTORS) == 24


def test_of_a_drive_that_was_never_here_nothing_is_known() -> None:
    with open_memory(now=made.NOW).snapshot() as tx:
        assert past_of(tx, DriveId("wwn-0"), made.NOW) is None
