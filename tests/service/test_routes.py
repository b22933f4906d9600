"""Ways to a person that do not work are found; a short outage is none."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from watcher.facts.finding import Urgency
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.service.routes import route_findings, routes_seen
from watcher.store.outbox import TargetRecord

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
PHONE = Target(name="phone", person="ada", url=Secret("json://secret-host/secret-token"))


def record(minutes: int | None, failures: int, target: str = "ada/phone") -> TargetRecord:
    since = None if minutes is None else NOW - timedelta(minutes=minutes)
    return TargetRecord(
        target=target,
        failing_since=since,
        failures=failures,
        last_error="no answer",
    )


def test_a_way_that_fails_for_long_is_for_today_and_names_no_secret() -> None:
    (found,) = route_findings([record(50, 5)], (PHONE,), NOW)
    assert found.urgency is Urgency.TODAY
    assert found.sentence == "Messages to ada by “phone” have not arrived for 50 min."
    assert "midwatch notify test" in found.next_step
    assert "secret" not in repr(found)


@pytest.mark.parametrize(
    "one",
    [record(14, 9), record(50, 2), record(None, 0), record(50, 9, target="ada/old")],
    ids=["not for long", "not often", "it works", "not in the settings"],
)
def test_what_may_pass_by_itself_is_no_finding(one: TargetRecord) -> None:
    assert route_findings([one], (PHONE,), NOW) == ()


def test_a_way_is_seen_to_work_or_to_be_gone() -> None:
    """Only that clears its finding: a way that still fails stays open."""
    records = [record(None, 0), record(50, 9, target="ada/old")]
    assert routes_seen(records, (PHONE,)) == {"way ada/phone", "way ada/old"}
    assert routes_seen([record(50, 1)], (PHONE,)) == frozenset()
