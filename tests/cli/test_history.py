"""What is known of drives."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.state import command, prepare, standing
from watcher.cli.exits import Exit
from watcher.cli.parts import label_of
from watcher.demo.story import BOX, new_box
from watcher.facts.drive import DriveUnread, Unread
from watcher.facts.identity import DriveId
from watcher.readers.survey import Looking, Surveyor
from watcher.service.clock import SystemClock
from watcher.service.desk import Desk
from watcher.service.state import STORE_NAME
from watcher.store.database import open_store


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("history"))


def test_history_shows_what_a_bay_reported(config: Path) -> None:
    status, text = command(config, "history", "bay 3")
    assert status == 0
    assert "temperature" in text
    assert "read 4 times" in text


def test_history_writes_csv(config: Path) -> None:
    _, text = command(config, "history", "bay 3", "--metric", "pending-sectors", "--csv")
    lines = text.splitlines()
    assert lines[0] == "metric,at,lasts_seconds,last,lowest,highest"
    assert lines[1].startswith("pending-sectors,")


def test_a_span_that_is_none_is_refused(config: Path) -> None:
    assert command(config, "history", "bay 3", "--since", "soon")[0] == Exit.WRONG_WORDS


def test_a_drive_without_a_sign_is_not_called_well(config: Path) -> None:
    _, text = command(config, "drive", "AL4785")
    assert "fail within 30 days" in text
    assert "It shows no sign." in text
    assert "No sign does not mean that the drive is sound" in " ".join(text.split())


def test_the_inventory_keeps_a_drive_that_left(config: Path) -> None:
    _, text = command(config, "drives")
    (gone,) = [line for line in text.splitlines() if "BR4859" in line]
    assert "expected" in gone


def test_a_bay_in_the_owners_own_words_is_said_as_they_wrote_it(config: Path) -> None:
    """ "bay top left" is no bay."""
    state = config.parent / "state" / STORE_NAME
    with open_store(state, now=SystemClock().now()) as store, store.transaction() as tx:
        (known, *_) = tx.drives(BOX)
        assert f"(bay {known.bay})" in label_of(known)
        assert label_of(replace(known, bay="top left")).endswith(" (top left)")


def test_a_drive_that_is_gone_is_said_not_to_be_there(config: Path) -> None:
    """Whoever looks for the lost one among eight must not have to compare times."""
    lines = command(config, "drives")[1].splitlines()
    gone = [line for line in lines if "not there, last there" in line]
    assert [line.split()[1] for line in gone] == ["5"]
    assert "not there, last there" in command(config, "drive", "bay 5")[1]
    assert "not there" not in command(config, "drive", "bay 4")[1]


def test_a_retired_drive_is_expected_no_more_and_comes_back(config: Path) -> None:
    assert "not expected any more" in command(config, "retire", "BR4859")[1]
    assert "retired" in command(config, "drives")[1]
    assert "expected again" in command(config, "retire", "BR4859", "--back")[1]


def test_a_stranger_is_not_found(config: Path) -> None:
    status, text = command(config, "drive", "nobody")
    assert status == Exit.NOT_FOUND
    assert "midwatch drives" in text


def test_a_metric_is_named_as_it_is_shown_or_refused_with_the_list(config: Path) -> None:
    """Blanks or hyphens; no wall of names in the help."""
    assert (
        "pending sectors" in command(config, "history", "bay 3", "--metric", "pending sectors")[1]
    )
    status, text = command(config, "history", "bay 3", "--metric", "sadness")
    assert status == Exit.WRONG_WORDS
    assert "no metric “sadness”" in text
    assert "pending-sectors" in text
    _, text = command(config, "history", "--help")
    assert max(map(len, text.splitlines())) <= 100


def test_of_a_drive_that_never_answered_nothing_is_said_about_signs(tmp_path: Path) -> None:
    """Not seen is not the same as no sign; and it is named by its place."""
    config = prepare(tmp_path, lose="")
    now = SystemClock().now()
    box = new_box()
    box.now = now
    blind = DriveUnread(
        node="/dev/vda",
        why=Unread.NO_SMART,
        detail="/dev/vda has no SMART",
        observed_at=now,
        drive=DriveId("unidentified_vda"),
        capacity_bytes=275 * 10**9,
    )
    survey = Surveyor(box, Looking(box=BOX)).take("s9", now).survey
    with open_store(tmp_path / "state" / STORE_NAME, now=now) as store:
        Desk(store, standing()).take_in(replace(survey, unread=(blind,)), now)
    text = " ".join(command(config, "drive", "vda")[1].split())
    assert text.startswith("drive at /dev/vda")
    assert "whether it shows a sign is not known" in text
    assert "It shows no sign" not in text
    assert "Last reading" not in text
    assert "model unknown" in command(config, "drives")[1]


def test_a_pool_that_went_for_good_is_retired_and_one_that_is_there_is_not(tmp_path: Path) -> None:
    """Otherwise its case could never end."""
    config = prepare(tmp_path, lose="")
    status, text = command(config, "retire", "--pool", "cellar")
    assert status == Exit.REFUSED
    assert "still there" in text
    now = SystemClock().now()
    box = new_box()
    box.now = now
    box.arrays = [array for array in box.arrays if array.label != "cellar"]
    with open_store(tmp_path / "state" / STORE_NAME, now=now) as store:
        desk = Desk(store, standing())
        gone = desk.take_in(Surveyor(box, Looking(box=BOX)).take("s9", now).survey, now)
        (told,) = [f for f in gone.findings if f.rule == "pool-gone"]
        assert "midwatch retire --pool cellar" in told.next_step
    assert "not expected any more" in command(config, "retire", "--pool", "cellar")[1]
    with open_store(tmp_path / "state" / STORE_NAME, now=now) as store:
        later = now + timedelta(minutes=10)
        box.now = later
        after = Desk(store, standing()).take_in(
            Surveyor(box, Looking(box=BOX)).take("s10", later).survey, later
        )
    assert "pool-gone" not in {f.rule for f in after.findings}
    assert command(config, "retire", "--pool", "meadow")[0] == Exit.NOT_FOUND
    assert command(config, "retire")[0] == Exit.WRONG_WORDS


def test_of_a_drive_that_is_gone_no_verdict_stands_as_if_it_were_there(config: Path) -> None:
    _, text = command(config, "drive", "bay 5")
    assert "passed (the drive's own, when last read)" in text
    assert "may have failed already" in text
    _, text = command(config, "drive", "bay 3")
    assert "passed (the drive's own)" in text
    assert "may have failed already" not in text


def test_who_retires_a_drive_that_is_there_hears_what_comes_of_it(config: Path) -> None:
    _, text = command(config, "retire", "bay 1")
    assert "still here: when it leaves, only the pool orchard tells of it" in text
    assert "midwatch retire AL4711 --back" in text
    assert "still here" not in command(config, "retire", "bay 5")[1]
