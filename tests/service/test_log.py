"""The service's own log: events and fields."""

from __future__ import annotations

from datetime import UTC, datetime

import structlog
from structlog.testing import capture_logs

from tests.cases.build import finding
from watcher.cases.effects import Tell
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.service.desk import Outcome
from watcher.service.log import ServiceLog, under_journal

SURVEY = Survey(survey="s1", box=BoxId("attic"), taken_at=datetime(2026, 3, 2, tzinfo=UTC))


def test_a_survey_is_logged_once_while_nothing_changes() -> None:
    with capture_logs() as logs:
        log = ServiceLog(structlog.get_logger())
        log.surveyed(SURVEY, Outcome())
        log.surveyed(SURVEY, Outcome())
        log.surveyed(SURVEY, Outcome(findings=(finding(),)))
    assert [line["event"] for line in logs] == ["survey_changed", "survey_changed"]
    assert logs[1]["findings"] == finding().key


def test_every_decided_message_is_logged_by_its_key_and_no_text() -> None:
    tell = Tell(key="attic/ada/1.1", person="ada", items=(), urgency=Urgency.NOW)
    with capture_logs() as logs:
        ServiceLog(structlog.get_logger()).surveyed(SURVEY, Outcome(told=(tell,)))
    assert logs[-1] == {
        "event": "message_decided",
        "key": "attic/ada/1.1",
        "urgency": "now",
        "log_level": "info",
    }


def test_only_systemd_says_that_output_goes_to_the_journal() -> None:
    assert under_journal({"JOURNAL_STREAM": "8:12345"})
    assert not under_journal({})
