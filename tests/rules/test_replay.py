"""Recorded history runs through the same rules as a survey."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rules.build import DAY, T0, identity, reading, self_test
from watcher.facts.drive import DrivePast, DriveReading, Metric, Trace, Verdict
from watcher.facts.finding import Urgency
from watcher.facts.identity import DriveId
from watcher.facts.recorded_day import RecordedDay
from watcher.facts.survey import Survey
from watcher.rules.catalogue import CATALOGUE
from watcher.rules.look import looks
from watcher.rules.replay import BOX, DriveStory, Told, replay, replay_readings
from watcher.rules.risk import chance_from
from watcher.rules.tuning import UNTUNED, Override, Scope, SwitchedOff, Tuning
from watcher.rules.view import View

PENDING, MOVED, CELSIUS = (
    Metric.PENDING_SECTORS,
    Metric.REALLOCATED_SECTORS,
    Metric.TEMPERATURE_CELSIUS,
)
HOURS = Metric.POWER_ON_HOURS


def day(number: int, serial: str = "X1", **metrics: int) -> RecordedDay:
    """Make one recorded day, counted from time zero."""
    return RecordedDay(
        T0 + number * DAY,
        serial,
        "Altair A8",
        8 * 10**12,
        {Metric[name.upper()]: value for name, value in metrics.items()},
    )


def told(story: DriveStory) -> list[tuple[int, str, str]]:
    """Give what was told as (day, rule, urgency)."""
    return [((t.at - T0).days, t.rule, t.urgency.value) for t in story.told]


def test_a_finding_is_told_when_it_begins_and_when_it_gets_more_urgent() -> None:
    """Not on every day, and again after it was gone."""
    counts = [0, 8, 8, 8, 0, 8]
    (story,) = replay(day(i, pending_sectors=c) for i, c in enumerate(counts))
    assert told(story) == [(1, "sectors-in-doubt", "note"), (5, "sectors-in-doubt", "note")]


def test_a_drive_that_gives_way_climbs_to_replace() -> None:
    """Growth, pending sectors and reads that fail, day by day."""
    days = [
        day(i, pending_sectors=8 * i, reallocated_sectors=400 * i, reported_uncorrectable=3 * i)
        for i in range(10)
    ]
    (story,) = replay(days)
    look, swap = story.first(Urgency.THIS_WEEK), story.first(Urgency.TODAY)
    assert look is not None
    assert swap is not None
    assert (look.at, swap.rule) == (T0 + DAY, "signs-add-up")
    assert [p for _, p in story.chances] == sorted(p for _, p in story.chances)


def test_a_story_is_plain_data() -> None:
    """One object for each drive; notes are findings, but no alert."""
    story = DriveStory("X1", "Altair A8")
    story.told = [Told(at=T0, rule="sectors-in-doubt", urgency=Urgency.NOTE)]
    story.chances = [(T0, 0.01234567)]
    assert story.as_record() == {
        "serial": "X1",
        "findings": [{"rule": "sectors-in-doubt", "urgency": "note", "date": "2026-03-01"}],
        "chance_30d": [{"date": "2026-03-01", "p": 0.012346}],
        "first_alert": None,
    }
    story.told.append(Told(at=T0 + DAY, rule="signs-add-up", urgency=Urgency.TODAY))
    assert story.as_record()["first_alert"] == {"date": "2026-03-02", "urgency": "today"}


def test_drives_may_be_mixed_and_come_out_by_serial_number() -> None:
    """Records are often sorted by date."""
    mixed = [day(i, s, pending_sectors=i) for i in range(3) for s in ("B", "A")]
    stories = list(replay(mixed))
    assert [s.serial for s in stories] == ["A", "B"]
    assert told(stories[0]) == told(stories[1]) == [(1, "sectors-in-doubt", "note")]


def test_days_out_of_order_are_left_out_and_counted() -> None:
    """The past cannot be told after the present."""
    (story,) = replay(
        [day(3, pending_sectors=0), day(1, pending_sectors=9), day(3, pending_sectors=9)]
    )
    assert (story.left_out, story.told) == (2, [])


def test_a_day_without_a_counter_neither_clears_nor_invents_a_sign() -> None:
    """Not reported is not zero; the growth is told when the counter is back."""
    days = [day(0, pending_sectors=0), day(1), day(2, pending_sectors=9)]
    (story,) = replay(days)
    assert told(story) == [(2, "sectors-in-doubt", "note")]


def test_the_owners_settings_hold_in_a_replay() -> None:
    """Thresholds and rules that are off."""
    days = [day(i, pending_sectors=8) for i in range(3)]
    (high,) = replay(
        days, Tuning(overrides=(Override(rule="sectors-in-doubt", threshold="sectors", value=9),))
    )
    (off,) = replay(
        days, Tuning(off=(SwitchedOff(rule="sectors-in-doubt", where=Scope(model="altair a8")),))
    )
    assert high.told == off.told == []


def every_day(days: Iterable[RecordedDay]) -> list[tuple[set[tuple[str, Urgency]], float]]:
    """Judge every day anew through the catalogue, as the service would: the slow, plain way."""
    result = []
    history: dict[Metric, list] = {}
    last = None
    for one in days:
        who = replace(identity("a"), drive=DriveId("a"), protocol="unknown", medium="unknown")  # type: ignore[arg-type]
        seen = DriveReading(
            identity=who,
            observed_at=one.at,
            node="/dev/sda",
            device_type="",
            metrics=tuple(one.metrics.items()),
        )
        past = {}
        if last is not None:
            traces = tuple(Trace(metric=m, points=tuple(p)) for m, p in history.items())
            past = {
                who.drive: DrivePast(
                    identity=who,
                    first_seen=last,
                    last_read=last,
                    last_present=last,
                    traces=traces,
                )
            }
        view = View(
            survey=Survey(survey="1", box=BOX, taken_at=one.at, drives=(seen,)),
            now=one.at,
            past=past,
        )
        found = {
            (f.rule, f.urgency)
            for rule in CATALOGUE.values()
            if rule.sign is not None
            for f in rule.check(view, UNTUNED)
        }
        (look,) = looks(view, UNTUNED)
        result.append((found, look.chance.p))
        for metric, value in one.metrics.items():
            points = history.setdefault(metric, [])
            if not points or points[-1][1] != value:
                points.append((one.at, value))
        last = one.at
    return result


STEP = st.tuples(
    st.sampled_from([1, 1, 1, 2, 9, 40]),  # days since the last row
    st.sampled_from([0, 0, 0, 0, 1, 8, 300, -4]),  # change of pending
    st.sampled_from([0, 0, 0, 0, 2, 70, 900]),  # change of reallocated
    st.sampled_from([0, 0, 0, 3]),  # change of reported uncorrectable
    st.integers(20, 60),  # temperature
    st.booleans(),  # is the uncorrectable counter reported?
)


@settings(max_examples=300, deadline=None)
@given(st.lists(STEP, min_size=1, max_size=25))
def test_the_quick_replay_tells_what_judging_every_day_tells(steps: list) -> None:
    """Rules are skipped only where nothing can have changed: same findings, same chances."""
    days, at, pending, moved, unreadable = [], 0, 0, 0, 0
    for number, (gap, more, more_moved, more_unreadable, celsius, reported) in enumerate(steps):
        at += gap if number else 0
        pending = max(pending + more, 0)
        moved += more_moved
        unreadable += more_unreadable
        metrics = {
            "pending_sectors": pending,
            "reallocated_sectors": moved,
            "temperature_celsius": celsius,
            "power_on_hours": 9000 + 24 * at,
        }
        if reported:
            metrics["reported_uncorrectable"] = unreadable
        days.append(day(at, **metrics))
    (story,) = replay(days)
    plain = every_day(days)
    holding: dict[str, Urgency] = {}
    expected = []
    for one, (found, _) in zip(days, plain, strict=True):
        now = dict(found)
        expected += [
            (one.at, rule, urgency)
            for rule, urgency in now.items()
            if rule not in holding or urgency > holding[rule]
        ]
        holding = now
    assert sorted((t.at, t.rule, t.urgency.value) for t in story.told) == sorted(
        (at, rule, urgency.value) for at, rule, urgency in expected
    )
    assert [p for _, p in story.chances] == [p for _, p in plain]


def test_an_old_swing_is_forgotten() -> None:
    """Temperatures are kept for days, not for years."""
    warm = {1: 20, 2: 45}
    (story,) = replay(day(i, temperature_celsius=warm.get(i, 30 + i % 2)) for i in range(40))
    assert told(story) == [(2, "heat-swinging", "note")]


def test_saved_reports_are_asked_every_drive_rule() -> None:
    """A report tells of verdicts and self-tests that a row does not have."""
    first = reading("a", {PENDING: 0}, at=T0)
    second = replace(
        reading("a", {PENDING: 0}, at=T0 + DAY, verdict=Verdict.FAILING),
        self_tests=(self_test(passed=False, found_damage=True),),
    )
    (story,) = replay_readings([second, first])
    assert {(t.rule, t.at) for t in story.told} == {
        ("drive-condemns-itself", T0 + DAY),
        ("self-test-found-damage", T0 + DAY),
    }
    assert story.chances[0][1] < story.chances[1][1]
    again = list(replay_readings([first, first]))
    assert again[0].left_out == 1


def test_a_replayed_drive_has_the_base_rate_of_its_age() -> None:
    """Hours move every day; the chance follows, though no rule is asked again."""
    (story,) = replay(
        [day(i, pending_sectors=0, power_on_hours=h) for i, h in enumerate((10, 9000))]
    )
    who = replace(identity("a"), medium="unknown")  # type: ignore[arg-type]
    assert [p for _, p in story.chances] == [chance_from(who, h, ()).p for h in (10, 9000)]
