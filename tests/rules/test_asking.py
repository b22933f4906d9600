"""A sign that is not asked for would have found nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.rules.build import (
    DAY,
    HOUR,
    T0,
    attribute,
    event,
    identity,
    past,
    pool,
    reading,
    self_test,
    unread,
    view,
)
from watcher.facts.drive import (
    DrivePast,
    DriveReading,
    Medium,
    Metric,
    Protocol,
    Unread,
    Verdict,
)
from watcher.facts.finding import Finding
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.rules.asking import Asking
from watcher.rules.catalogue import CATALOGUE, judge
from watcher.rules.log import FAULTS, LATE
from watcher.rules.look import Needs, PerDrive, SignCheck, looks
from watcher.rules.own import own_findings
from watcher.rules.rule import Rule
from watcher.rules.tuning import UNTUNED, Override, Tuning
from watcher.rules.view import View

ASKING = Asking(CATALOGUE.values())
SIGNS = tuple(rule for rule in CATALOGUE.values() if isinstance(rule.check, PerDrive))
THRESHOLDS = tuple((rule.name, limit.name) for rule in SIGNS for limit in rule.thresholds)

VALUES = st.sampled_from([0, 0, 0, 1, 2, 4, 9, 34, 99, 100, 101, 255, 5000, 70_000, 2**40, -1, -7])
METRICS = st.dictionaries(st.sampled_from(Metric), VALUES, max_size=12)
POINTS = st.lists(
    st.tuples(st.integers(-2, 40), VALUES), min_size=0, max_size=4, unique_by=lambda p: p[0]
)


@st.composite
def readings(draw: st.DrawFn, letter: str) -> DriveReading:
    """Give any answer of a drive: sound, odd, late, or of nonsense."""
    rows = draw(
        st.lists(
            st.builds(
                attribute,
                st.sampled_from([1, 5, 190, 194]),
                st.sampled_from([0, 1, 50, 100]),
                st.sampled_from([0, 1, 50]),
                prefail=st.booleans(),
                failing_now=st.booleans(),
            ),
            max_size=3,
        )
    )
    tests = draw(
        st.lists(
            st.builds(
                self_test,
                st.sampled_from(["short", "extended"]),
                passed=st.sampled_from([True, False, None]),
                found_damage=st.booleans(),
                power_on_hours=st.none() | st.sampled_from([0, 1000, 60_000]),
            ),
            max_size=2,
        )
    )
    return reading(
        letter,
        draw(METRICS),
        at=T0 - draw(st.integers(-1, 30)) * HOUR,
        who=identity(
            letter, protocol=draw(st.sampled_from(Protocol)), medium=draw(st.sampled_from(Medium))
        ),
        verdict=draw(st.sampled_from(Verdict)),
        attributes=tuple(rows),
        self_tests=tuple(tests),
        remaining=draw(st.none() | st.integers(0, 99)),
    )


@st.composite
def pasts(draw: st.DrawFn, letter: str) -> DrivePast:
    """Give any past of a drive, also one that knows of later readings."""
    traces = draw(st.dictionaries(st.sampled_from(Metric), POINTS, max_size=10))
    ago = draw(st.none() | st.sampled_from([-30, 0, 1, 24 * 3, 24 * 40]))
    return past(
        letter,
        {metric: sorted(points, reverse=True) for metric, points in traces.items()},
        last_read=None if ago is None else T0 - ago * HOUR,
    )


EVENTS = st.lists(
    st.builds(
        lambda told, what: replace(told, what=what),
        st.builds(
            event,
            st.sampled_from("abz"),
            st.sampled_from(Category),
            count=st.integers(1, 200),
            ago=st.integers(0, 23).map(lambda hours: timedelta(hours=hours)),
        ),
        st.sampled_from(sorted({"some-line", *FAULTS, *LATE})),
    ),
    max_size=4,
)
TUNINGS = st.lists(
    st.tuples(st.sampled_from(THRESHOLDS), st.sampled_from([0.0, 0.01, 1.0, 90.0, 1e6])),
    max_size=3,
).map(
    lambda found: Tuning(
        overrides=tuple(
            Override(rule=rule, threshold=limit, value=value) for (rule, limit), value in found
        )
    )
)


def plainly(seen: View, tuning: Tuning) -> tuple[Finding, ...]:
    """Ask every rule about everything, with nothing left out."""
    found = [finding for rule in CATALOGUE.values() for finding in rule.check(seen, tuning)]
    found += own_findings(seen, tuning)
    return tuple(
        sorted(found, key=lambda f: (-f.urgency.rank, f.rule, f.subject.kind, f.subject.key))
    )


def two(
    first: DriveReading, pasts: tuple[DrivePast, ...], events: list[KernelEvent], lost: str
) -> View:
    """Give a look at two drives of a pool and one that gives no reading."""
    return view(
        first,
        reading("b", {Metric.POWER_ON_HOURS: 9000}, self_tests=(self_test(),)),
        pasts=pasts,
        unread=(unread("z", Unread.NO_SMART),),
        recent=tuple(events),
        pools=(pool("abc", lost=lost),),
    )


@settings(max_examples=150)
@given(
    readings("a"),
    st.lists(pasts("a"), max_size=1),
    EVENTS,
    st.sampled_from(["", "c"]),
    TUNINGS,
)
@example(
    reading("a", {Metric.COMMAND_TIMEOUTS: 0}, at=T0 - 2 * DAY),
    [past("a", {Metric.COMMAND_TIMEOUTS: [(3, 1), (0.5, 90)]})],
    [],
    "",
    UNTUNED,
).via("a late reading at zero, of a counter that has risen since")
def test_what_is_found_is_the_same_as_with_every_sign_asked(
    first: DriveReading,
    before: list[DrivePast],
    events: list[KernelEvent],
    lost: str,
    tuning: Tuning,
) -> None:
    seen = two(first, tuple(before), events, lost)
    again = replace(seen)  # so that nothing that was worked out once serves both
    assert judge(seen, tuning) == plainly(again, tuning)


@pytest.mark.parametrize("rule", SIGNS, ids=lambda rule: rule.name)
def test_every_sign_says_what_it_needs(rule: Rule) -> None:
    """Else it is asked of every drive; that is right too, and costs."""
    assert rule.needs is not None
    assert rule.needs != Needs(), "a sign that needs nothing would never be asked"


def left_out(answer: DriveReading, *events: KernelEvent) -> frozenset[SignCheck]:
    """Give the signs for which a drive is not asked."""
    (look,) = looks(view(answer, recent=events), UNTUNED)
    return frozenset(ASKING.left_out(look))


def test_a_sound_drive_is_asked_little() -> None:
    sound = {
        Metric.TEMPERATURE_CELSIUS: 34,
        Metric.POWER_ON_HOURS: 1200,
        Metric.PENDING_SECTORS: 0,
        Metric.REALLOCATED_SECTORS: 0,
    }
    answer = reading("a", sound, self_tests=(self_test(),))
    assert len(left_out(answer)) > len(SIGNS) - 5
    assert CATALOGUE["sectors-in-doubt"].sign in left_out(answer)


def test_one_sector_in_doubt_or_one_line_of_the_log_is_enough_to_be_asked() -> None:
    doubtful = reading("a", {Metric.PENDING_SECTORS: 1})
    assert CATALOGUE["sectors-in-doubt"].sign not in left_out(doubtful)
    assert CATALOGUE["log-says-media"].sign in left_out(doubtful)
    logged = left_out(doubtful, event("a", Category.MEDIUM))
    assert CATALOGUE["log-says-media"].sign not in logged
    assert CATALOGUE["signs-add-up"].sign not in logged
