"""Urgency orders by how soon, and a finding is complete."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.cases.build import finding
from watcher.facts.finding import Urgency


def test_urgency_orders_by_how_soon_and_not_by_spelling() -> None:
    ordered = [Urgency.NOTE, Urgency.THIS_WEEK, Urgency.TODAY, Urgency.NOW]
    assert sorted([ordered[2], ordered[0], ordered[3], ordered[1]]) == ordered
    assert max(ordered) is Urgency.NOW
    assert Urgency.NOW >= Urgency.NOW > Urgency.TODAY
    assert Urgency.NOTE <= Urgency.THIS_WEEK < Urgency.TODAY
    with pytest.raises(TypeError):
        _ = Urgency.NOW < 3  # type: ignore[operator]


def test_the_key_of_a_finding_is_its_rule_and_its_subject() -> None:
    assert finding().key == "sectors-in-doubt/drive:D3"
    assert replace(finding(), level=9, sentence="other").key == finding().key


@pytest.mark.parametrize("lacking", ["rule", "label", "sentence", "next_step"])
def test_a_finding_without_words_is_refused(lacking: str) -> None:
    with pytest.raises(ValueError, match="needs"):
        replace(finding(), **{lacking: ""})
