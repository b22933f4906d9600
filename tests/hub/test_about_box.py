"""What a hub says of a box: what holds, what is not seen, and what to do, in each case."""

from __future__ import annotations

import pytest

from tests.hub.stage import NOW
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId
from watcher.hub.about_box import not_taken, second_sender, stuck_finding
from watcher.hub.quiet import SOURCE
from watcher.store.hub import BoxState, EnrolledBox

BOX = EnrolledBox(
    box=BoxId("press room"), client="Harbour", state=BoxState.WATCHED, joined_at=NOW, heard_at=NOW,
    every_seconds=600, address="192.0.2.7", sender="run", quiet_since=None, due_at=None,
    look_wanted=False,
)  # fmt: skip
ALL = (
    second_sender(BOX, NOW),
    not_taken(BOX, "it is cut", NOW),
    stuck_finding(BOX.box, "KeyError: 'rung'", NOW),
)


@pytest.mark.parametrize("found", ALL, ids=lambda found: found.rule)
def test_each_is_for_today_and_says_what_to_do(found: Finding) -> None:
    assert found.urgency is Urgency.TODAY
    assert "midwatch" in found.next_step
    assert found.evidence[0].value


def test_a_second_sender_may_be_a_thief_and_a_name_with_a_blank_can_be_copied() -> None:
    assert "midwatch hub revoke" in second_sender(BOX, NOW).next_step
    assert "--box 'press room'" in stuck_finding(BOX.box, "x", NOW).next_step


def test_that_cases_stand_still_is_looked_at_again_with_the_other_things_about_boxes() -> None:
    """The hub's own book clears what begins so, once it is not found any more."""
    assert stuck_finding(BOX.box, "x", NOW).subject.key.startswith(SOURCE)


def test_what_cannot_be_taken_in_is_called_not_seen() -> None:
    assert "cannot be seen from here" in not_taken(BOX, "it is cut", NOW).sentence
    assert "cannot take in what it sends: it is cut." in not_taken(BOX, "it is cut.", NOW).sentence
    assert "cannot take in what it sends. What" in not_taken(BOX, "", NOW).sentence
    assert len(not_taken(BOX, "x" * 999, NOW).sentence) < 300, "a phone has no room for all of it"
