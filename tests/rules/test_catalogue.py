"""The catalogue as a whole."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rules.build import (
    BOX,
    TANK,
    drive,
    event,
    member,
    note,
    past,
    pool,
    pool_past,
    reading,
    unread,
    view,
)
from watcher.facts.drive import Metric, Unread, Verdict
from watcher.facts.finding import Urgency
from watcher.facts.kernel_event import Category
from watcher.facts.pool import MemberState, Remark
from watcher.facts.survey import Blindness
from watcher.rules.catalogue import CATALOGUE, _by_name, explain, judge
from watcher.rules.tuning import UNTUNED, Override, Scope, SwitchedOff, Tuning
from watcher.rules.view import View

WANTED = frozenset(
    {
        "drive-condemns-itself",
        "sectors-unreadable",
        "sectors-in-doubt",
        "surface-giving-way",
        "answers-too-late",
        "cannot-spin-up-cleanly",
        "flash-nearly-spent",
        "flash-reserve-low",
        "flash-read-only",
        "helium-escaping",
        "too-hot-for-its-rating",
        "heat-swinging",
        "power-cut-habit",
        "self-test-found-damage",
        "self-test-overdue",
        "wire-or-backplane",
        "drive-gone",
        "drive-comes-and-goes",
        "grown-defects",
        "slower-than-its-siblings",
        "log-says-media",
        "log-says-controller",
        "log-says-filesystem",
        "log-says-volume",
        "margin-thinned",
        "margin-gone",
        "pool-broken",
        "built-without-margin",
        "rebuild-running",
        "rebuild-stalled",
        "rebuild-cannot-finish",
        "scrub-found-damage",
        "scrub-overdue",
        "copies-disagree",
        "member-errs-inside-pool",
        "member-put-out",
        "redundancy-not-restored",
        "fading-together",
        "same-batch-risk",
        "cannot-see-drive",
        "cannot-see-source",
        "drive-never-answers-smart",
    }
)


def test_every_rule_that_was_promised_is_there() -> None:
    """And others beside."""
    assert CATALOGUE.keys() >= WANTED


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_rule_explains_itself_completely(name: str) -> None:
    """Name, words, thresholds with unit and source, sources."""
    rule = CATALOGUE[name]
    assert name == rule.name
    assert re.fullmatch(r"[a-z]+(-[a-z]+)+", name)
    for words in (rule.sentence, rule.urgency, rule.what_to_do, rule.usual_cause, rule.quiet_when):
        assert words.endswith((".", "hands")), words
    assert rule.reads
    assert rule.sources
    assert any(words in rule.urgency for words in ("now", "today", "this week", "to know"))
    assert not re.search("this-week|[Aa] note", rule.urgency), "in the words that people read"
    for threshold in rule.thresholds:
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", threshold.name)
        assert threshold.unit
        assert threshold.source
    assert len({t.name for t in rule.thresholds}) == len(rule.thresholds)


@pytest.mark.parametrize("name", CATALOGUE)
def test_every_rule_has_a_test_that_names_it(name: str) -> None:
    """House rule: no rule without a test of its own."""
    here = Path(__file__).resolve()
    tests = "".join(p.read_text() for p in here.parent.glob("test_*.py") if p != here)
    assert f'"{name}"' in tests


def test_no_metric_that_a_rule_reads_is_unknown() -> None:
    """Words with a hyphen that look like a metric are one."""
    metrics = {metric.value for metric in Metric}
    for rule in CATALOGUE.values():
        for read in rule.reads:
            if re.fullmatch(r"[a-z]+(-[a-z]+)+", read):
                assert read in metrics, (rule.name, read)


def crowded() -> View:
    """Make a box on which much is wrong at once."""
    return view(
        reading("a", {Metric.PENDING_SECTORS: 24, Metric.REALLOCATED_SECTORS: 4000}),
        reading("b", {Metric.CRITICAL_WARNING: 0b1100}, verdict=Verdict.FAILING),
        pools=(
            pool("abc", lost="c", notes=(note(Remark.DAMAGED_DATA), note(Remark.COPIES_DIFFER))),
        ),
        pasts=(past("c"),),
        pool_pasts=(pool_past(),),
        unread=(unread("d", Unread.HUNG), unread(None, Unread.NO_SMART)),
        recent=(event("a", Category.MEDIUM),),
    )


def test_findings_come_gravest_first_and_always_in_the_same_order() -> None:
    """Whatever order the survey has."""
    seen = crowded()
    found = judge(seen, UNTUNED)
    assert [f.urgency.rank for f in found] == sorted((f.urgency.rank for f in found), reverse=True)
    survey = seen.survey
    turned = View(
        survey=type(survey)(
            survey=survey.survey,
            box=survey.box,
            taken_at=survey.taken_at,
            drives=survey.drives[::-1],
            unread=survey.unread[::-1],
            pools=survey.pools[::-1],
            answered=survey.answered,
        ),
        now=seen.now,
        past=dict(reversed(seen.past.items())),
        pool_past=seen.pool_past,
        recent=seen.recent[::-1],
    )
    assert judge(turned, UNTUNED) == found


def test_no_finding_is_told_twice_for_one_subject() -> None:
    """Its key is rule and subject."""
    keys = [finding.key for finding in judge(crowded(), UNTUNED)]
    assert len(keys) == len(set(keys))


def test_a_sound_box_is_silent() -> None:
    """Nothing holds, and nothing is said."""
    drives = [
        reading(x, {Metric.PENDING_SECTORS: 0, Metric.TEMPERATURE_CELSIUS: 34}) for x in "abc"
    ]
    seen = view(
        *drives,
        pools=(pool(),),
        pasts=tuple(past(x) for x in "abc"),
        pool_pasts=(pool_past(scrubbed_at=None, first_seen=view().now),),
    )
    assert judge(seen, UNTUNED) == ()


@pytest.mark.parametrize(
    ("where", "silent"),
    [
        (Scope(), True),
        (Scope(box=BOX), True),
        (Scope(drive=drive("a")), True),
        (Scope(model="Altair A8"), True),
        (Scope(pool=TANK), True),
        (Scope(drive="XA1"), True),
        (Scope(pool="tank"), True),
        (Scope(drive=drive("b")), False),
        (Scope(drive="XB1"), False),
        (Scope(model="Vega V2"), False),
        (Scope(pool="shed"), False),
    ],
)
def test_a_rule_can_be_switched_off_for_box_drive_model_or_pool(where: Scope, silent: bool) -> None:
    """And then is silent there alone. Owners write serial numbers and names, not our ids."""
    tuning = Tuning(off=(SwitchedOff(rule="sectors-in-doubt", where=where),))
    seen = view(reading("a", {Metric.PENDING_SECTORS: 1}), pools=(pool(),))
    assert ("sectors-in-doubt" not in {f.rule for f in judge(seen, tuning)}) is silent


def test_switching_a_rule_off_for_a_drive_hides_no_trouble_of_its_pool() -> None:
    """A pool's finding is about the pool."""
    tuning = Tuning(off=(SwitchedOff(rule="margin-gone", where=Scope(drive=drive("c"))),))
    assert "margin-gone" in {f.rule for f in judge(view(pools=(pool(lost="c"),)), tuning)}
    for name in (TANK, "tank"):
        there = Tuning(off=(SwitchedOff(rule="margin-gone", where=Scope(pool=name)),))
        assert "margin-gone" not in {f.rule for f in judge(view(pools=(pool(lost="c"),)), there)}


def test_a_threshold_can_be_set_for_a_pool_by_its_name_also_when_it_does_not_show() -> None:
    view_of_tank = view(pool_pasts=(pool_past(),))
    for name, days in ((TANK, 60), ("tank", 60), ("shed", 35)):
        change = Override(rule="scrub-overdue", threshold="days", value=60, where=Scope(pool=name))
        found = CATALOGUE["scrub-overdue"].threshold("days")
        target = view_of_tank.target_of_pool(TANK)
        assert found.of(Tuning(overrides=(change,)), "scrub-overdue", target) == days


def test_an_explanation_shows_thresholds_as_they_hold() -> None:
    """With what was shipped beside a changed one."""
    rule = CATALOGUE["scrub-overdue"]
    assert "days = 35 days\n" in explain(rule, UNTUNED)
    tuning = Tuning(overrides=(Override(rule="scrub-overdue", threshold="days", value=60),))
    assert "days = 60 days (as shipped: 35)" in explain(rule, tuning)


STATES = st.sampled_from(MemberState)


@settings(max_examples=60)
@given(
    st.lists(STATES, min_size=2, max_size=5),
    st.lists(st.sampled_from(Remark), max_size=3),
    st.integers(0, 1),
)
def test_any_pool_is_judged_and_never_healthier_when_a_member_is_lost(
    states: list[MemberState], remarks: list[Remark], bears: int
) -> None:
    """No combination of states and remarks stops the rules, or hides a loss."""
    members = tuple(member("abcde"[i], state) for i, state in enumerate(states))
    notes = tuple(note(remark) for remark in remarks)
    before = judge(view(pools=(pool(members=members, bears=bears, notes=notes),)), UNTUNED)
    worse = (member("a", MemberState.MISSING), *members[1:])
    after = judge(view(pools=(pool(members=worse, bears=bears, notes=notes),)), UNTUNED)
    gravest = max((f.urgency for f in before), default=Urgency.NOTE)
    if states[0] is MemberState.GOOD and before:
        assert max(f.urgency for f in after) >= gravest
    if states[0] is MemberState.GOOD:
        assert any(f.urgency >= Urgency.TODAY for f in after)


def test_two_rules_of_one_name_are_refused() -> None:
    """When the catalogue is put together."""
    rule = CATALOGUE["margin-gone"]
    with pytest.raises(ValueError, match="two rules are called"):
        _by_name((rule,), (rule,))


def test_a_blind_source_is_switched_off_by_its_box_alone() -> None:
    """It has no drive and no pool."""
    blind = Blindness(source="zfs", why=Unread.HUNG, detail="no answer", remedy="look")
    seen = view(blind=(blind,))
    for where, left in ((Scope(box=BOX), set()), (Scope(pool=TANK), {"cannot-see-source"})):
        tuning = Tuning(off=(SwitchedOff(rule="cannot-see-source", where=where),))
        assert {f.rule for f in judge(seen, tuning)} == left
