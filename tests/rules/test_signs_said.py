"""What a list says of a drive: nothing that was told elsewhere is left out as no sign."""

from __future__ import annotations

from tests.rules.build import drive, reading, view
from watcher.facts.drive import Metric
from watcher.facts.finding import Finding
from watcher.facts.identity import about_drive
from watcher.rules.catalogue import judge
from watcher.rules.signs_said import signs_said
from watcher.rules.tuning import UNTUNED


def _found(metrics: dict[Metric, int]) -> list[Finding]:
    about = about_drive(drive("a"))
    return [f for f in judge(view(reading("a", metrics)), UNTUNED) if f.subject == about]


def test_a_counter_that_only_the_regular_message_tells_is_a_sign() -> None:
    few = _found({Metric.PENDING_SECTORS: 8})
    assert {f.urgency.value for f in few} == {"note"}
    assert signs_said(few) == "to know: sectors in doubt"
    many = _found({Metric.PENDING_SECTORS: 200, Metric.WEAR_PERCENT: 95})
    assert signs_said(many) == "sectors in doubt"


def test_how_a_drive_is_kept_is_no_sign_of_the_drive() -> None:
    kept = _found({Metric.POWER_ON_HOURS: 40000})
    assert [f.rule for f in kept] == ["self-test-overdue"]
    assert signs_said(kept) == "no sign"
    assert signs_said(()) == "no sign"
