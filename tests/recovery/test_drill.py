"""What a drill says, and what it finds would have gone wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tests.recovery.test_shelf import T0, TB, orchard, ready, spare
from watcher.exposure.estimate import if_lost
from watcher.exposure.life import DriveClass, DriveLife
from watcher.exposure.window import WindowPlan
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, SubjectKind, about_drive
from watcher.facts.pool import Protection
from watcher.facts.readiness import DRILL_MARK, DrillDone, ShelfSpare
from watcher.recovery.drill import (
    ANSWER_IN_TIME,
    Rehearsal,
    finding_of,
    page_of,
    spare_line,
    subject_of,
    what_went_wrong,
)
from watcher.recovery.shelf import plan_with

GOOD = spare(1, 12 * TB, proven_at=T0, place="drawer")
LIVES = {
    DriveId(x): DriveLife(
        drive=DriveId(x), drive_class=DriveClass.HARD_DISK, capacity_bytes=8 * TB, age_hours=9000
    )
    for x in "abc"
}


def rehearsal(*shelf: ShelfSpare, **more: object) -> Rehearsal:
    prepared = ready(*shelf)
    pool = orchard()
    plan = plan_with(WindowPlan(), prepared, pool, T0)
    facts: dict[str, object] = {
        "pool": pool,
        "member": "bay a (Altair, serial Xa)",
        "has_bay": True,
        "exposure": if_lost(pool, DriveId("a"), LIVES, plan, T0),
        "ready": prepared,
    }
    return Rehearsal(**(facts | more))  # type: ignore[arg-type]


DONE = DrillDone(
    number=4,
    pool=orchard().pool,
    pool_name="orchard",
    member="bay a (Altair, serial Xa)",
    by="Ana",
    begun_at=T0,
    answered_at=T0 + timedelta(minutes=7),
    answered_by="Ben",
    ended_at=T0 + timedelta(minutes=9),
)
NOW = T0 + timedelta(minutes=9)


def test_every_word_of_a_drill_is_marked_as_one() -> None:
    found = finding_of(4, rehearsal(GOOD), T0)
    for words in (found.label, found.sentence, found.next_step):
        assert words.startswith(DRILL_MARK.strip())
    assert "nothing is really wrong" in found.sentence
    assert "Touch nothing" in found.next_step


def test_a_drill_is_about_nothing_that_a_survey_sees_and_endangers_no_pool() -> None:
    found = finding_of(4, rehearsal(GOOD), T0)
    assert found.subject == subject_of(4)
    assert found.subject.kind is SubjectKind.SOURCE
    assert (found.pool, found.drives) == (None, ())


def test_it_is_as_urgent_as_the_real_loss_would_be() -> None:
    assert rehearsal(GOOD).urgency is Urgency.NOW
    assert finding_of(1, rehearsal(GOOD), T0).urgency is Urgency.NOW


@pytest.mark.parametrize(
    ("shelf", "words"),
    [
        ((GOOD,), "(12 TB, drawer), proven."),
        ((spare(1, 12 * TB),), "not proven."),
        ((spare(1, 8 * TB),), "No spare that fits is known."),
        ((), "No spare that fits is known."),
    ],
)
def test_the_spare_that_would_go_in_is_named(shelf: tuple[ShelfSpare, ...], words: str) -> None:
    assert spare_line(rehearsal(*shelf), T0).endswith(words)


def test_a_hot_spare_would_take_over_by_itself() -> None:
    one = rehearsal()
    hot = replace(one.ready, hot_spares=((one.pool.pool, 1),))
    assert "by itself" in spare_line(replace(one, ready=hot), T0)


def test_a_prepared_box_has_nothing_to_object_to() -> None:
    assert what_went_wrong(rehearsal(GOOD), DONE, NOW) == ()
    page = page_of(rehearsal(GOOD), DONE, NOW, UTC)
    assert "by Ben after 7 min" in page
    assert "Nothing that can be seen from here." in page
    assert "bare, no margin left; a further loss would cost the whole pool" in page
    assert "The window    margin proven back likely by" in page


def test_the_page_is_dated_by_the_owner_s_clock_and_says_so() -> None:
    late = replace(DONE, begun_at=datetime(2026, 3, 1, 23, 30, tzinfo=UTC))
    page = page_of(rehearsal(GOOD), late, NOW, ZoneInfo("Asia/Tokyo"))
    assert "of 02 Mar 2026 08:30" in page
    assert "Times are those of Asia/Tokyo." in page


SIGN = Finding(
    rule="sectors-in-doubt",
    subject=about_drive(DriveId("b")),
    label="bay b",
    urgency=Urgency.THIS_WEEK,
    sentence="The drive has sectors in doubt.",
    next_step="x",
    observed_at=T0,
)


@pytest.mark.parametrize(
    ("change", "done", "words"),
    [
        ({}, {"answered_at": None}, "Nobody answered within 9 min."),
        ({}, {"answered_at": T0 + ANSWER_IN_TIME[Urgency.NOW] + timedelta(minutes=1)}, "It took"),
        ({"has_bay": False}, {}, "in which bay"),
        ({"others": (SIGN,)}, {}, "bay b: The drive has sectors in doubt. A rebuild reads it"),
    ],
)
def test_each_weakness_is_named(
    change: dict[str, object], done: dict[str, object], words: str
) -> None:
    found = what_went_wrong(
        rehearsal(GOOD, **change),
        replace(DONE, **done),  # type: ignore[arg-type]
        NOW,
    )
    assert len(found) == 1
    assert words in found[0]


def test_a_missing_or_unproven_spare_is_named() -> None:
    assert any("no spare that fits" in w for w in what_went_wrong(rehearsal(), DONE, NOW))
    raw = what_went_wrong(rehearsal(spare(1, 12 * TB)), DONE, NOW)
    assert any("never proven" in w for w in raw)


def test_no_message_at_all_is_told_before_nobody_answered() -> None:
    silent = replace(DONE, answered_at=None)
    found = what_went_wrong(rehearsal(GOOD), silent, NOW, told=False, failing_ways=("ana/mail",))
    assert found[0].startswith("No message left this box")
    assert "No message arrived by ana/mail." in found
    page = page_of(rehearsal(GOOD), replace(silent, went_wrong=found), NOW, UTC)
    assert "Answered      by nobody" in page
    assert "  - No message left this box" in page


def test_an_ordered_spare_would_be_waited_for() -> None:
    coming = spare(1, None, identity=None, ordered=True, capacity_bytes=12 * TB)
    assert spare_line(rehearsal(coming), T0).endswith("would be waited for.")


def test_a_pool_that_bears_no_loss_would_have_lost_data_at_once() -> None:
    broken = replace(rehearsal(GOOD).exposure, protection=Protection.BROKEN, window=None)
    found = what_went_wrong(rehearsal(GOOD, exposure=broken), DONE, NOW)
    assert found[0] == "Data would have been lost at once: the pool bears no loss."
    page = page_of(rehearsal(GOOD, exposure=replace(broken, loss=None)), DONE, NOW, UTC)
    assert "The window" not in page
    assert "Loss  " not in page


def test_a_window_of_more_than_a_week_is_named() -> None:
    found = what_went_wrong(rehearsal(), DONE, NOW)
    assert any("over a week" in wrong for wrong in found)


@pytest.mark.parametrize(
    ("protection", "words"),
    [
        (Protection.THINNED, "thinned, some margin left; a loss beyond it would cost"),
        (Protection.BROKEN, "broken: it lost more than it can bear"),
        (Protection.UNKNOWN, "unknown"),
    ],
)
def test_the_page_says_from_which_further_loss_on_data_is_lost(
    protection: Protection, words: str
) -> None:
    """Of a pool that can still lose a drive, not that the next one costs it."""
    real = rehearsal()
    other = replace(real, exposure=replace(real.exposure, protection=protection))
    assert f"After it      {words}" in page_of(other, DONE, T0, UTC)
