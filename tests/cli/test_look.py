"""One survey of this machine, for a person and for a program."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.cases.build import finding
from tests.cli.state import command
from watcher.cli.exits import Exit
from watcher.cli.look import status_of
from watcher.facts.drive import DriveUnread, Unread
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.facts.survey import Blindness, Survey

AT = datetime(2026, 3, 2, tzinfo=UTC)
CLEAR = Survey(survey="s", box=BoxId("attic"), taken_at=AT)


def unread(why: Unread) -> DriveUnread:
    return DriveUnread(node="/dev/sda", why=why, detail="so it is", observed_at=AT)


@pytest.mark.parametrize(
    ("survey", "urgency", "status"),
    [
        (CLEAR, None, Exit.DONE),
        (CLEAR, Urgency.NOTE, Exit.DONE),
        (CLEAR, Urgency.THIS_WEEK, Exit.ACT),
        (replace(CLEAR, unread=(unread(Unread.HUNG),)), None, Exit.BLIND),
        (replace(CLEAR, unread=(unread(Unread.ASLEEP),)), None, Exit.DONE),
        (
            replace(
                CLEAR,
                blind=(Blindness(source="md", why=Unread.FORBIDDEN, detail="d", remedy="r"),),
            ),
            Urgency.NOTE,
            Exit.BLIND,
        ),
    ],
)
def test_the_status_says_act_blind_or_neither(
    survey: Survey, urgency: Urgency | None, status: Exit
) -> None:
    findings = (finding(urgency=urgency),) if urgency else ()
    assert status_of(survey, findings) is status


def test_this_machine_is_looked_at_and_nothing_is_written(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(f"state_directory: {tmp_path / 'state'}\n", encoding="utf-8")
    status, text = command(config, "look")
    assert status in {Exit.DONE, Exit.ACT, Exit.BLIND}
    assert "Pools: how many more drives each can lose" in text
    assert not (tmp_path / "state").exists()


def test_programs_get_one_object(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(f"state_directory: {tmp_path / 'state'}\n", encoding="utf-8")
    _, text = command(config, "look", "--json")
    assert {"box", "pools", "drives", "unread", "blind", "findings"} <= set(json.loads(text))
