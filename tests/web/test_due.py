"""What falls due: from a book and a survey, on the day that the rules would speak up."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from tests.store.made import BOX, DAY, HOUR, NOW, book, case, pool, reading, survey
from watcher.cases.state import Answer, Expectation, ExpectKind, Maintenance, ScopeKind, Silence
from watcher.facts.drive import DriveIdentity, DrivePast, Metric, SelfTest, Trace, Verdict
from watcher.facts.pool import PoolKind
from watcher.facts.pool_past import PoolPast
from watcher.facts.readiness import PROOF_LASTS, DrillDone, Preparation, ShelfSpare
from watcher.rules.catalogue import judge
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import View
from watcher.web.due import AGAIN, FARTHEST, Due, falls_due


def kinds(found: tuple[Due, ...]) -> dict[str, Due]:
    return {one.kind: one for one in found}


def due(view: View | None = None, **words: object) -> dict[str, Due]:
    return kinds(falls_due(replace(book(), **words), view, UNTUNED, (), NOW))  # type: ignore[arg-type] # words of a test


def view_of(**words: object) -> View:
    return View(survey=survey("s", **words), now=NOW)  # type: ignore[arg-type] # words of a test


def test_what_people_said_ends() -> None:
    answered = replace(case(1), answer=Answer(by="ada", at=NOW, until=NOW + DAY))
    silence = Silence(
        number=2,
        scope=ScopeKind.BOX,
        key=BOX,
        by="ada",
        reason="r",
        begins=NOW,
        until=NOW + 2 * DAY,
    )
    work = Maintenance(
        number=3,
        by="ada",
        reason="r",
        begins=NOW + HOUR,
        ends=NOW + 4 * HOUR,
        expects=(Expectation(kind=ExpectKind.REBUILD),),
    )
    found = due(
        cases=(answered,), silences=(silence,), works=(work, replace(work, number=4, over=True))
    )
    assert found["answer-ends"].at == NOW + DAY
    assert found["silence-ends"].at == NOW + 2 * DAY
    assert (found["planned-work"].at, found["planned-work"].ends) == (NOW + HOUR, NOW + 4 * HOUR)
    assert len(found) == 3


def test_work_that_comes_again_has_its_next_dates_at_the_same_hour_of_the_day() -> None:
    """RFC 5545, 3.3.10; the clocks of Vienna change on 29 March 2026 (EU directive 2000/84/EC)."""
    work = Maintenance(
        number=3,
        by="ada",
        reason="r",
        begins=datetime(2026, 3, 22, 21, 0, tzinfo=UTC),  # a Sunday, 22:00 in Vienna
        ends=datetime(2026, 3, 22, 23, 0, tzinfo=UTC),
        expects=(Expectation(kind=ExpectKind.REBUILD),),
        repeat="FREQ=WEEKLY",
        zone="Europe/Vienna",
    )
    found = due(works=(work,))["planned-work"]
    assert len(found.again) == AGAIN
    assert found.again[:2] == (
        datetime(2026, 3, 29, 20, 0, tzinfo=UTC),
        datetime(2026, 4, 5, 20, 0, tzinfo=UTC),
    )
    yearly = due(works=(replace(work, repeat="FREQ=MONTHLY;COUNT=3"),))["planned-work"]
    assert len(yearly.again) == 2
    following = replace(work, number=9, begins=found.again[0], ends=found.again[0] + HOUR)
    assert due(works=(replace(following, first=work.begins),))["planned-work"].series == (
        found.series
    )


def test_a_scrub_falls_due_when_its_rule_would_speak_up() -> None:
    scrubbed = NOW - 20 * DAY
    view = view_of(pools=(replace(pool(), scrubbed_at=scrubbed),))
    at = due(view)["scrub"].at
    assert at == scrubbed + 35 * DAY
    for moment, holds in ((at - HOUR, False), (at + HOUR, True)):
        then = replace(view, now=moment)
        assert any(f.rule == "scrub-overdue" for f in judge(then, UNTUNED)) is holds


def test_a_pool_that_was_never_scrubbed_counts_from_when_it_was_first_seen() -> None:
    one = pool()
    past = PoolPast(
        pool=one.pool, name=one.name, kind=one.kind, first_seen=NOW - DAY, last_seen=NOW
    )
    view = replace(view_of(pools=(one,)), pool_past={one.pool: past})
    assert due(view)["scrub"].at == NOW + 34 * DAY
    assert "none was seen" in due(view)["scrub"].more
    assert "scrub" not in due(view_of(pools=(one,)))


def test_what_its_stack_cannot_scrub_falls_due_for_none() -> None:
    one = replace(pool(), scrubbed_at=NOW, kind=PoolKind.LVM, layout="mirror")
    assert "scrub" not in due(view_of(pools=(one,)))
    assert "scrub" in due(view_of(pools=(replace(one, layout="raid1"),)))


def test_a_pool_that_is_short_of_margin_has_more_pressing_things_than_a_scrub() -> None:
    short = replace(pool(lost=1, bears=2), scrubbed_at=NOW)
    assert "scrub" not in due(view_of(pools=(short,)))


FULL_TEST = SelfTest(
    kind="Extended offline",
    passed=True,
    found_damage=False,
    power_on_hours=9_000,
    first_bad_lba=None,
)


def test_a_full_self_test_falls_due_by_the_hours_a_drive_runs() -> None:
    short = replace(FULL_TEST, kind="Short offline", power_on_hours=9_990)
    one = replace(reading(1, power_on_hours=10_000), self_tests=(short, FULL_TEST))
    at = due(view_of(drives=(one,)))["self-test"].at
    assert timedelta(hours=-1) < at - (NOW + timedelta(hours=2160 - 1000)) <= timedelta(0)
    assert "self-test" not in due(view_of(drives=(replace(one, self_tests=(short,)),)))


def test_no_self_test_falls_due_where_its_rule_says_to_start_none() -> None:
    """A drive that says it fails is to be spared; one whose test runs has its test."""
    one = replace(reading(1, power_on_hours=10_000), self_tests=(FULL_TEST,))
    failing = replace(one, verdict=Verdict.FAILING)
    for busy in (failing, replace(one, self_test_remaining_percent=40)):
        assert "self-test" not in due(view_of(drives=(busy,)))


def test_wear_is_projected_from_how_it_rose() -> None:
    one = reading(1, wear_percent=90)
    points = ((NOW - 100 * DAY, 80), (NOW - DAY, 90))
    past = DrivePast(
        identity=one.identity,
        first_seen=NOW - 200 * DAY,
        last_read=NOW - DAY,
        last_present=NOW - DAY,
        traces=(Trace(metric=Metric.WEAR_PERCENT, points=points),),
    )
    view = replace(view_of(drives=(one,)), past={one.identity.drive: past})
    at = due(view)["wear"].at
    assert 90 * DAY < at - NOW < 110 * DAY


def ready(**words: object) -> View:
    return replace(view_of(), ready=Preparation(**words))  # type: ignore[arg-type] # words of a test


def test_spares_are_to_be_proven_and_proven_again_and_drills_repeated() -> None:
    who = DriveIdentity(drive=reading(1).identity.drive, model="Calder 8", serial="C1")
    spare = ShelfSpare(number=1, identity=who, added_at=NOW - DAY)
    assert due(ready(shelf=(spare,)))["prove-spare"].at == NOW - DAY
    proven = replace(spare, proven_at=NOW - DAY)
    assert due(ready(shelf=(proven,)))["prove-spare"].at == NOW - DAY + PROOF_LASTS
    ordered = ShelfSpare(number=2, ordered=True, added_at=NOW, arrives_at=NOW + 3 * DAY)
    assert due(ready(shelf=(ordered,)))["spare-arrives"].at == NOW + 3 * DAY
    drill = DrillDone(
        number=1,
        pool=pool().pool,
        pool_name="media",
        member="bay 1",
        by="ada",
        begun_at=NOW - 100 * DAY,
    )
    assert due(ready(drills=(drill,)))["drill"].at == NOW + 265 * DAY


def test_what_lies_very_far_ahead_is_no_appointment_and_keys_stay_the_same() -> None:
    one = replace(pool(), scrubbed_at=NOW + FARTHEST)
    assert "scrub" not in due(view_of(pools=(one,)))
    view = view_of(pools=(replace(pool(), scrubbed_at=NOW - DAY),))
    assert due(view)["scrub"].key == due(replace(view, now=NOW + HOUR))["scrub"].key
