"""One survey of this machine, for a person and for a program."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.cases.build import finding
from tests.cli.state import command
from watcher.cli.exits import Exit
from watcher.cli.look import status_of
from watcher.demo.story import new_box
from watcher.facts.drive import DriveUnread, Unread
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.facts.survey import Blindness, Survey
from watcher.readers.box_file import of_recording, write
from watcher.readers.recorded import RecordingHost
from watcher.readers.survey import Looking, Surveyor

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


def test_a_look_at_another_box_hears_its_kernel_log(tmp_path: Path) -> None:
    """Nothing of its past is known, and what its log said within a day counts all the same."""
    box = new_box()
    box.log.clear()
    for days_ago, line in (
        (3, "EXT4-fs error (device sdb1): ext4_lookup:1855: inode #2: comm find: deleted inode"),
        (0, "EXT4-fs (sdb1): Remounting filesystem read-only"),
    ):
        box.log.append((box.now - timedelta(days=days_ago, hours=1), line))
    recording = RecordingHost(box)
    looking = Looking(box=BoxId("orchard"))
    Surveyor(recording, looking).take("s", box.now)
    path = tmp_path / "box.tar.gz"
    write(
        of_recording(recording, looking, taken_at=box.now, written_by="test", ring=None, log=None),
        path,
    )
    status, text = command(None, "look", "--json", "--from", str(path))
    told = [f for f in json.loads(text)["findings"] if f["rule"] == "log-says-filesystem"]
    assert [f["urgency"] for f in told] == ["today"]
    assert "stopped accepting writes" in told[0]["sentence"]
    assert status == Exit.ACT


def test_programs_get_one_object(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(f"state_directory: {tmp_path / 'state'}\n", encoding="utf-8")
    _, text = command(config, "look", "--json")
    assert {"box", "pools", "drives", "unread", "blind", "findings"} <= set(json.loads(text))
