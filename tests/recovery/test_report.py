from __future__ import annotations

import json
from datetime import datetime, timedelta

import pytest

from tests.recovery.world import SCENARIOS, Scenario
from watcher.recovery.record import STEP_WORDS, WAY, Recovery
from watcher.recovery.report import (
    NOTHING_LOST,
    as_data,
    bare_sentence,
    state_of,
    way_rows,
    written,
)


def say(moment: datetime) -> str:
    return f"{moment:%d %H:%M}"


def after(stem: str, looks: int = 99) -> tuple[Recovery, datetime]:
    scenario, seen = Scenario(), 0
    for line in (SCENARIOS / f"{stem}.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith((">", "#")):
            continue
        if line != "look":
            scenario.act(line.split())
            continue
        seen += 1
        scenario.followed.look()
        if seen == looks:
            break
    assert scenario.followed.recovery is not None
    return scenario.followed.recovery, scenario.followed.world.now


def rows_of(recovery: Recovery, now: datetime) -> dict[str, str]:
    (head, *_) = written(recovery, now, say)
    return {row[0]: row[1] for row in head.rows}


@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.txt")), ids=lambda p: p.stem)
def test_every_recovery_can_be_written_down(path: object) -> None:
    recovery, now = after(path.stem)  # type: ignore[attr-defined]
    sections = list(written(recovery, now, say))
    assert [s.heading for s in sections][1:3] == ["Drives", "The way"]
    for section in sections:
        assert len({len(row) for row in section.rows}) <= 1, section.heading
    assert len(sections[2].rows) == len(recovery.stays)
    json.dumps(as_data(recovery, now))


def test_the_record_says_what_was_lost_and_nothing_when_nothing_was() -> None:
    assert rows_of(*after("01-the-plain-way"))["lost"] == NOTHING_LOST
    assert (
        "damaged beyond repair"
        in rows_of(*after("05-unreadable-sectors-during-the-rebuild"))["lost"]
    )


def test_the_record_of_one_that_goes_on_says_so() -> None:
    recovery, now = after("01-the-plain-way", 10)
    assert rows_of(recovery, now)["ended"] == "not yet: whole, not yet verified"
    assert "outcome" not in rows_of(recovery, now)


def test_the_record_names_what_went_what_died_and_what_came() -> None:
    recovery, now = after("03-the-replacement-dies-too")
    drives = next(s for s in written(recovery, now, say) if s.heading == "Drives")
    assert [row[0] for row in drives.rows] == ["out", "died", "in"]
    text = str(drives.rows)
    assert "d-e" in text
    assert "n1: a replacement that did not last" in text
    assert "n2" in text


def test_a_drive_that_was_pulled_by_hand_is_not_told_as_one_that_failed() -> None:
    recovery, now = after("07-the-wrong-drive-is-pulled")
    drives = next(s for s in written(recovery, now, say) if s.heading == "Drives")
    assert [row[0] for row in drives.rows] == ["out", "pulled", "in"]


def test_the_way_shows_every_step_once_in_its_order() -> None:
    for looks in range(2, 13):
        recovery, now = after("01-the-plain-way", looks)
        rows = way_rows(recovery, now, say)
        assert [row[0] for row in rows] == [STEP_WORDS[step] for step in WAY]
        here = [row for row in rows if row[1].startswith("here since")]
        assert len(here) == (1 if recovery.is_open else 0)


def test_a_step_that_was_skipped_says_so_and_one_to_come_too() -> None:
    recovery, now = after("04-a-second-drive-fails-mid-rebuild", 3)
    when = {row[0]: row[1] for row in way_rows(recovery, now, say)}
    assert when["prove it"] == "skipped"
    assert when["verify"] == "to come"
    assert when["rebuild"].startswith("here since")


def test_a_step_gone_back_from_is_to_come_again() -> None:
    recovery, now = after("03-the-replacement-dies-too", 5)
    when = {row[0]: row[1] for row in way_rows(recovery, now, say)}
    assert when["get a drive"].startswith("here since")
    assert when["rebuild"] == "to come"


@pytest.mark.parametrize(
    ("stem", "looks", "words"),
    [
        ("01-the-plain-way", 99, "It kept some margin all the time."),
        ("02-a-cable", 2, "Without any margin, since just now."),
        ("02-a-cable", 3, "Without any margin now, for 10 min so far."),
        ("02-a-cable", 99, "Without any margin for 25 min altogether."),
        ("13-ahead-of-failure", 99, "The margin was full all the time."),
    ],
)
def test_the_time_without_margin_is_said(stem: str, looks: int, words: str) -> None:
    assert bare_sentence(*after(stem, looks)) == words


def test_whole_without_a_check_is_said_as_such() -> None:
    assert state_of(after("01-the-plain-way", 10)[0]) == "whole, not yet verified"
    assert state_of(after("01-the-plain-way")[0]) == "whole again and verified"
    assert state_of(after("14-called-off")[0]) == "called off"
    assert state_of(after("15-the-owner-gives-up")[0]) == "given up"


@pytest.mark.parametrize(
    ("stem", "verified"),
    [("01-the-plain-way", True), ("14-called-off", False), ("15-the-owner-gives-up", False)],
)
def test_programs_are_told_verified_only_when_it_is(stem: str, verified: bool) -> None:
    recovery, now = after(stem)
    assert as_data(recovery, now)["verified"] is verified
    assert (
        as_data(recovery, now + timedelta(days=1))["seconds_without_margin"]
        == (as_data(recovery, now)["seconds_without_margin"])
    )
