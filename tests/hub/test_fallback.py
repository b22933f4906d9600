"""When a box speaks for itself."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from tests.hub.stage import NOW
from watcher.facts.finding import Urgency
from watcher.hub.fallback import (
    alone_since,
    closing_words,
    hub_findings,
    is_alone,
    release_at,
)

HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)


def test_while_the_hub_takes_surveys_a_message_waits_for_the_rest_of_the_term() -> None:
    assert release_at(NOW - 10 * MINUTE, NOW, HOUR) == NOW + 50 * MINUTE
    assert not is_alone(NOW - 10 * MINUTE, NOW, HOUR)
    assert alone_since(NOW - 10 * MINUTE, NOW, HOUR) is None


def test_a_box_whose_hub_is_away_for_long_speaks_at_once() -> None:
    assert release_at(NOW - 3 * HOUR, NOW, HOUR) == NOW
    assert alone_since(NOW - 3 * HOUR, NOW, HOUR) == NOW - 2 * HOUR


def test_a_hub_that_never_took_anything_holds_nothing_back() -> None:
    assert release_at(None, NOW, HOUR) == NOW


@given(st.integers(-10_000, 10_000), st.integers(5, 600))
def test_no_message_is_held_longer_than_the_term_even_when_the_clock_was_set_back(
    minutes: int, term: int
) -> None:
    span = timedelta(minutes=term)
    at = release_at(NOW + timedelta(minutes=minutes), NOW, span)
    assert NOW <= at <= NOW + span


def test_both_the_finding_and_the_message_say_it() -> None:
    (note,) = hub_findings(NOW - 2 * HOUR, NOW, HOUR, "the hub is not reached")
    assert note.urgency is Urgency.NOTE
    assert "alerts by itself" in note.sentence
    assert note.evidence[0].value == "the hub is not reached"
    (weighty,) = hub_findings(NOW - 30 * HOUR, NOW, HOUR, "")
    assert weighty.urgency is Urgency.TODAY
    assert hub_findings(NOW, NOW, HOUR, "") == ()
    assert "Sent by press itself" in closing_words("press", NOW)
    assert "nothing yet" in closing_words("press", None)
