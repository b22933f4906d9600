"""Rules that an owner wrote."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.rules.build import drive, past, pool, reading, view
from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.rules.catalogue import judge
from watcher.rules.own import own_findings
from watcher.rules.tuning import Compare, OwnRule, Scope, SwitchedOff, Tuning

LOADS = Metric.LOAD_CYCLES


def rule(compare: Compare, value: int, **more: object) -> OwnRule:
    """Make a rule about load cycles."""
    within = timedelta(days=7) if compare is Compare.RISES_BY else None
    facts: dict[str, object] = {
        "name": "parks-often",
        "urgency": Urgency.THIS_WEEK,
        "sentence": "The heads park often.",
    }
    return OwnRule(
        metric=LOADS,
        compare=compare,
        value=value,
        within=within,
        **(facts | more),  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("compare", "value", "holds"),
    [
        (Compare.OVER, 499, True),
        (Compare.OVER, 500, False),
        (Compare.UNDER, 500, False),
        (Compare.UNDER, 501, True),
        (Compare.RISES_BY, 100, True),
        (Compare.RISES_BY, 101, False),
    ],
)
def test_over_and_under_are_strict_and_rises_by_is_met_by_equal(
    compare: Compare, value: int, holds: bool
) -> None:
    """The boundaries."""
    seen = view(reading("a", {LOADS: 500}), pasts=(past("a", {LOADS: [(60, 400)]}),))
    assert bool(list(own_findings(seen, Tuning(own=(rule(compare, value),))))) is holds


def test_an_unknown_value_never_holds() -> None:
    """Neither an absent metric nor a rise with no history."""
    rules = (rule(Compare.UNDER, 500), rule(Compare.RISES_BY, 1, name="rises"))
    assert list(own_findings(view(reading("a")), Tuning(own=rules))) == []
    assert list(own_findings(view(reading("a", {LOADS: 900})), Tuning(own=rules))) == []


def test_it_speaks_in_the_owners_words_where_the_owner_wants_it() -> None:
    """Sentence, urgency and scope are the owner's; margin does not change them."""
    tuning = Tuning(own=(rule(Compare.OVER, 1, where=Scope(drive=drive("b"))),))
    drives = (reading("a", {LOADS: 9}), reading("b", {LOADS: 9}))
    (finding,) = own_findings(view(*drives, pools=(pool("abc", lost="c"),)), tuning)
    assert (finding.drives, finding.urgency) == ((drive("b"),), Urgency.THIS_WEEK)
    assert finding.sentence == "The heads park often."


def test_it_runs_and_is_switched_off_like_the_rest() -> None:
    """Through judge."""
    own = (rule(Compare.OVER, 1),)
    seen = view(reading("a", {LOADS: 9}))
    assert [f.rule for f in judge(seen, Tuning(own=own))] == ["parks-often"]
    assert judge(seen, Tuning(own=own, off=(SwitchedOff(rule="parks-often"),))) == ()
