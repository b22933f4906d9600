"""The statement about a drive on the bench: facts, past, what was not tested, no promise."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import pytest

from tests.store import made
from tests.web.hub_stage import HubStage, hub_stage
from watcher.facts.drive import DriveReading, Metric, SelfTest, Unread, Verdict
from watcher.facts.identity import BoxId, DriveId
from watcher.rules.tuning import UNTUNED
from watcher.service.bench import PastHere, past_of
from watcher.service.statement import CAUTIONS, NOT_TESTED, Statement, state

NOW = made.NOW
BAD = DriveId("wwn-5000a1400000005e")
"""The demo's drive in bay 5, which gets worse and goes."""


@cache
def shared() -> HubStage:
    return hub_stage()


def stated(
    reading: object, past: PastHere | None = None, client: str = "", now: object = NOW
) -> Statement:
    return state(  # type: ignore[arg-type] # tests hand in all kinds
        reading, past, origin="By hand.", client=client, tuning=UNTUNED, now=now
    )


def text_of(statement: Statement) -> str:
    parts = [statement.title, statement.comes_to, statement.origin]
    for section in statement.sections:
        parts += [section.title, *(f"{a}: {b}" for a, b in section.rows), *section.lines]
    return "\n".join(parts)


def known(box: str = "press") -> tuple[PastHere, DriveReading]:
    stage = shared()
    with stage.site.store.snapshot() as tx:
        past = past_of(tx, BAD, stage.clock.now())
        survey = tx.last_survey(BoxId(box))
    assert past is not None
    assert survey is not None
    return past, next(r for r in survey.drives if r.identity.drive == BAD)


def test_a_drive_with_no_sign_is_not_called_healthy_and_no_promise_is_made() -> None:
    text = text_of(stated(made.reading(1, power_on_hours=17532, reallocated_sectors=0)))
    assert "No sign was found in what it reports. That is not a promise." in text
    assert "17,532 (2.0 years)" in text
    assert "never seen here before" in text
    for word in ("healthy", "good condition", "safe", "guarantee", " fine"):
        assert word not in text.lower(), word
    for line in (*NOT_TESTED, *CAUTIONS):
        assert line in text


def test_a_drive_that_calls_itself_failing_has_signs_to_act_on() -> None:
    reading = made.reading(1, verdict=Verdict.FAILING, pending_sectors=40)
    statement = stated(reading)
    assert "somebody should act on" in statement.comes_to
    assert "its own verdict: failing" in text_of(statement)
    assert "fail within 30 days" in text_of(statement)


def test_of_a_drive_that_cannot_be_read_nothing_is_concluded_whatever_its_past() -> None:
    past, _ = known()
    for before in (None, past):
        statement = stated(made.unread(1, Unread.HUNG), before, now=shared().clock.now())
        assert statement.comes_to == "It could not be read: nothing can be said about its state."
        assert "Nothing is concluded" in text_of(statement)
        assert "fail within 30 days" not in text_of(statement)


def test_its_past_tells_how_counters_rose_and_since_when_it_is_known() -> None:
    past, reading = known()
    text = text_of(stated(reading, past, "Harbour Print Room", now=shared().clock.now()))
    assert "seen here first" in text
    assert "days on which it was read: 2" in text
    assert "from 0" in text
    assert "where: press, a box that is not named here" in text


def test_boxes_of_other_clients_are_not_named_and_their_past_counts_all_the_same() -> None:
    past, reading = known()
    assert {stay.box for stay in past.stays} >= {"barn"}
    theirs = text_of(stated(reading, past, "Harbour Print Room", now=shared().clock.now()))
    assert "barn" not in theirs
    assert "Orchard" not in theirs
    assert "a box that is not named here" in theirs
    nobody = text_of(stated(reading, past, now=shared().clock.now()))
    assert "press" not in nobody


def test_without_a_reading_the_last_one_is_taken_and_dated() -> None:
    past, _ = known()
    assert past.last is not None
    now = shared().clock.now() + timedelta(days=3)
    statement = stated(None, past, now=now)
    text = text_of(statement)
    assert "What it said last" in text
    assert "3 days" in text
    assert "when it was read last" in statement.comes_to


def test_an_old_report_is_dated_too() -> None:
    text = text_of(stated(made.reading(1), now=NOW + timedelta(days=40)))
    assert "What it said last" in text
    assert "as of" in text


def test_a_drive_of_which_nothing_at_all_is_known_makes_no_statement() -> None:
    with pytest.raises(ValueError, match="nothing is known"):
        stated(None)


def test_self_tests_tell_what_they_cover_and_that_later_is_not_covered() -> None:
    base = made.reading(1, power_on_hours=1000)
    assert "none is in its log" in text_of(stated(base))

    def with_test(kind: str, passed: bool | None) -> str:
        test = SelfTest(
            kind=kind, passed=passed, found_damage=passed is False, power_on_hours=900,
            first_bad_lba=None,
        )  # fmt: skip
        return text_of(stated(replace(base, self_tests=(test,))))

    assert "which passed 100 running hours ago" in with_test("Extended offline", passed=True)
    assert "which failed 100 running hours ago" in with_test("Extended offline", passed=False)
    assert "none is in its log" in with_test("Short offline", passed=True)
    assert "none is in its log" in with_test("Extended offline", passed=None)


def test_what_happened_after_a_saved_report_does_not_change_what_it_said() -> None:
    past, reading = known()
    early = replace(
        reading,
        observed_at=past.first_seen - timedelta(days=30),
        metrics=((Metric.POWER_ON_HOURS, 10),),
        verdict=Verdict.PASSED,
    )
    statement = stated(early, past, now=shared().clock.now())
    assert "somebody should act" not in statement.comes_to
