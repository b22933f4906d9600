"""A client's month, gathered from boxes that reported through it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from tests.hub.stage import EVERY, NOW, enrol, look, parcel, report, shop
from watcher.cases.observations import Acknowledged
from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection
from watcher.hub.month_report import Report, given_back, lacks_of, report_of
from watcher.hub.protection_time import Month
from watcher.hub.shop import Shop
from watcher.service.desk import Desk
from watcher.store.hub import BoxState

HOUR = timedelta(hours=1)
PRESS = BoxId("press")
MONTH = Month(year=2026, month=1, since=NOW, until=NOW + 240 * HOUR, over=True)
"""A short month of ten days from the stage's beginning, so that the looks of the tests fill it."""


def rounds(hub: Shop, token: str, begin: int, end: int, *, lost: int = 0) -> None:
    """Let a box report every ten minutes from one hour to another."""
    for number in range(begin * 6, end * 6):
        report(hub, token, look(number, lost=lost))


def month(hub: Shop, now: datetime, client: str = "Harbour") -> Report:
    with hub.store.snapshot() as tx:
        return report_of(tx, client, MONTH, now, standing_of=hub.clients.of)


@pytest.fixture(scope="module")
def told() -> Report:
    """Ten hours whole, five with a drive lost, nothing for twenty, five whole, then nothing."""
    hub = shop()
    token = enrol(hub, "press")
    rounds(hub, token, 0, 10)
    rounds(hub, token, 10, 15, lost=1)
    with hub.store.transaction() as tx:
        case = tx.load_book(PRESS).open_cases[0].number
        box = tx.enrolled(PRESS)
        assert box is not None
        said = Acknowledged(
            case=case, by="sam", until=NOW + 40 * HOUR, note="a drive is on its way"
        )
        desk = Desk(hub.store, hub.clients.of(box))
        assert not desk.hear_within(tx, said, NOW + 15 * HOUR).refused
    rounds(hub, token, 35, 40)
    return month(hub, NOW + 240 * HOUR)


def test_the_time_is_told_by_state_and_what_was_not_reported_is_not_known(told: Report) -> None:
    (pool,) = told.boxes[0].pools
    hours = {s: round(share * 240, 1) for s, share in pool.shares.items()}
    assert hours[Protection.WHOLE] == pytest.approx(10 + 5, abs=0.5)
    assert hours[Protection.BARE] == pytest.approx(5, abs=0.5)
    assert hours[Protection.UNKNOWN] == pytest.approx(220, abs=0.6)


def test_the_gap_in_between_and_the_silence_at_the_end_are_told_with_their_times(
    told: Report,
) -> None:
    between, after = told.boxes[0].gaps
    assert between.begun_at == NOW + 15 * HOUR - HOUR / 6
    assert between.ended_at == NOW + 35 * HOUR
    assert after.ended_at == MONTH.until
    assert told.boxes[0].unseen_share > 0.9
    assert "press 91.8% of the time" in told.sentence


def test_an_incident_says_when_it_was_answered_by_whom_and_how_long_it_lasted(
    told: Report,
) -> None:
    one = told.boxes[0].cases[0]
    assert one.answered_by == "sam"
    assert one.answered_at == NOW + 15 * HOUR
    assert "margin" in one.sentence or "protection" in one.sentence or "lose" in one.sentence
    assert "No loss of data was seen" in told.sentence


def test_a_way_back_that_began_is_among_what_was_done(told: Report) -> None:
    assert any("way back" in work.text for work in told.boxes[0].done)


def test_what_is_lacking_is_told_once_for_each_topic(told: Report) -> None:
    card = told.boxes[0].card
    assert card is not None
    topics = [topic for topic, *_ in lacks_of(card)]
    assert topics == sorted(set(topics), key=topics.index)
    assert {word for _, word, _, _ in lacks_of(card)} <= {"to do", "not known"}


def test_a_box_that_reports_all_the_time_has_no_gap() -> None:
    hub = shop()
    token = enrol(hub, "press")
    rounds(hub, token, 0, 6)
    now = NOW + 6 * HOUR
    short = Month(year=2026, month=1, since=NOW, until=now, over=False)
    with hub.store.snapshot() as tx:
        (box,) = report_of(tx, "Harbour", short, now, standing_of=hub.clients.of).boxes
    assert box.unseen_share < 0.01
    (pool,) = box.pools
    assert pool.shares[Protection.WHOLE] > 0.99


def test_surveys_that_were_kept_while_the_hub_was_away_leave_no_gap() -> None:
    hub = shop()
    token = enrol(hub, "press")
    rounds(hub, token, 0, 1)
    with hub.store.snapshot() as tx:
        assert tx.gaps(PRESS, NOW - HOUR, NOW + 99 * HOUR) == ()
    late = NOW + 30 * HOUR
    for number in range(6, 180):
        survey = look(number)
        hub.take(token, parcel(survey), "192.0.2.7", late)
    with hub.store.snapshot() as tx:
        assert tx.gaps(PRESS, NOW - HOUR, NOW + 99 * HOUR) == ()


def test_the_month_of_one_client_holds_no_box_of_another_and_none_that_joined_later() -> None:
    hub = shop()
    rounds(hub, enrol(hub, "press"), 0, 1)
    rounds(hub, enrol(hub, "shed", "Orchard"), 0, 1)
    enrol(hub, "late", now=MONTH.until + HOUR)
    found = month(hub, MONTH.until + 2 * HOUR)
    assert [box.box for box in found.boxes] == ["press"]
    with hub.store.snapshot() as tx:
        none = report_of(
            tx, "Harbour", MONTH, NOW, standing_of=hub.clients.of, may_see=lambda _: False
        )
    assert none.boxes == ()
    assert none.sentence == "No box was watched."


def test_a_box_that_was_given_back_is_in_its_last_month_and_in_none_after() -> None:
    hub = shop()
    rounds(hub, enrol(hub, "press"), 0, 2)
    with hub.store.transaction() as tx:
        tx.set_box_state(PRESS, BoxState.RETURNED)
    (box,) = month(hub, MONTH.until).boxes
    assert box.returned
    later = Month(year=2026, month=2, since=MONTH.until, until=MONTH.until + 99 * HOUR, over=False)
    with hub.store.snapshot() as tx:
        assert report_of(tx, "Harbour", later, later.until, standing_of=hub.clients.of).boxes == ()


def test_of_a_box_that_was_given_back_nothing_is_to_be_done_and_the_time_after_is_not_unseen() -> (
    None
):
    hub = shop()
    rounds(hub, enrol(hub, "press"), 0, 2)
    (before,) = month(hub, MONTH.until).boxes
    assert before.card is not None
    gone = MONTH.since + 2 * HOUR
    with hub.store.transaction() as tx:
        tx.set_box_state(PRESS, BoxState.RETURNED, gone)
    (box,) = month(hub, MONTH.until).boxes
    assert box.card is None
    assert box.returned_at == gone
    assert all(gap.ended_at <= gone for gap in box.gaps)
    assert box.unseen_share < before.unseen_share
    assert given_back(box, lambda at: f"{at:%d %b}").startswith(
        f"It was given back to its owner on {gone:%d %b}."
    )
    undated = replace(box, returned_at=None)
    assert "; when is not written down, it was last heard of" in given_back(undated, str)


def test_the_time_before_a_box_joined_is_told_as_that_and_not_as_watching_that_failed() -> None:
    hub = shop()
    later = NOW + 100 * HOUR
    token = enrol(hub, "press", now=later)
    for number in range(600, 606):
        report(hub, token, look(number))
    found = month(hub, NOW + 101 * HOUR)
    (box,) = found.boxes
    assert box.unseen_share > 0.9
    assert box.away_share < box.unseen_share
    assert "press joined in the course of it; what was before is not known." in found.sentence


def test_of_how_much_time_a_box_was_not_watched_is_said() -> None:
    """The report says it below of the whole month, which before it joined it was not watched."""
    hub = shop()
    later = NOW + 100 * HOUR
    token = enrol(hub, "press", now=later)
    for number in (600, 620):
        report(hub, token, look(number))
    found = month(hub, later + 20 * EVERY)
    assert "% of the time since it joined)." in found.sentence


def test_a_trouble_that_was_open_when_the_box_was_given_back_is_not_called_still_open() -> None:
    hub = shop()
    rounds(hub, enrol(hub, "press"), 0, 1, lost=1)
    assert any(one.lasted == "still open" for one in month(hub, MONTH.until).boxes[0].cases)
    with hub.store.transaction() as tx:
        tx.set_box_state(PRESS, BoxState.RETURNED)
    found = month(hub, MONTH.until)
    assert {one.lasted for one in found.boxes[0].cases} == {"open when it was given back"}
    assert "still open" not in found.sentence


def test_a_box_that_joined_and_sent_nothing_is_told_as_not_known() -> None:
    hub = shop()
    enrol(hub, "press")
    (box,) = month(hub, MONTH.until).boxes
    assert box.seen_at is None
    assert box.unseen_share == 1


def test_a_pool_that_broke_is_named_at_the_top_whatever_came_after() -> None:
    hub = shop()
    token = enrol(hub, "press")
    rounds(hub, token, 0, 1)
    rounds(hub, token, 1, 2, lost=2)
    rounds(hub, token, 2, 8)
    now = NOW + 8 * HOUR
    found = month(hub, now)
    assert "Data was lost or out of reach in media." in found.sentence
    (pool,) = found.boxes[0].pools
    assert pool.shares[Protection.BROKEN] > 0


def test_a_pool_that_was_taken_away_is_not_known_since_it_was_seen_last() -> None:
    hub = shop()
    token = enrol(hub, "press")
    rounds(hub, token, 0, 2)
    for number in range(12, 36):
        report(hub, token, replace(look(number), pools=()))
    found = month(hub, NOW + 6 * HOUR)
    (pool,) = found.boxes[0].pools
    assert pool.spells[-1].protection is Protection.UNKNOWN
    assert pool.shares[Protection.WHOLE] < 0.01
