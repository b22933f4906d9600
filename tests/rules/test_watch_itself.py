"""What the watch finds out about itself is explained, and is found elsewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.rules.build import view
from watcher.rules.catalogue import CATALOGUE, judge
from watcher.rules.rule import Kind
from watcher.rules.tuning import UNTUNED

OURS = {
    "messages-do-not-arrive",
    "state-not-written",
    "history-was-damaged",
    "rebuild-not-verified",
    "hub-away",
    "many-boxes-quiet",
    "two-senders",
    "survey-not-taken",
    "clock-differs",
    "cases-stand-still",
    "forecast-worse",
}


def test_every_finding_that_the_service_makes_is_in_the_catalogue() -> None:
    """No name may be used in the service that the catalogue does not explain."""
    root = Path(__file__).resolve().parents[2] / "watcher"
    used = set()
    for folder in ("service", "hub", "web"):
        for path in (root / folder).glob("*.py"):
            used |= set(re.findall(r'rule="([a-z-]+)"', path.read_text(encoding="utf-8")))
    assert used <= set(CATALOGUE)
    assert {name for name, rule in CATALOGUE.items() if rule.kind is Kind.WATCH} == OURS


@pytest.mark.parametrize("name", sorted(OURS))
def test_a_survey_alone_never_says_it(name: str) -> None:
    assert name not in {finding.rule for finding in judge(view(), UNTUNED)}
