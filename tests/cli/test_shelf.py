"""The shelf on the command line, on an invented box with two pools."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.hub_state import prepare_hub
from tests.cli.state import command, prepare
from watcher.cli.exits import Exit
from watcher.cli.shelf import parse_size


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return prepare(tmp_path, lose="")


def add(config: Path, *more: str, size: str = "16TB") -> tuple[int, str]:
    return command(config, "shelf", "add", "--model", "Altair A8", "--serial", "Z9", "--size",
                   size, *more)  # fmt: skip


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("8TB", 8_001_563_222_016),  # as such drives report it (IDEMA LBA1-03)
        ("500gb", 500_107_862_016),
        ("250 MB", 250_000_000),
        ("931GiB", 931 * 2**30),
        ("4000787030016", 4000787030016),
        ("0", None),
        ("TB", None),
        ("-1TB", None),
        ("12 apples", None),
        ("12 i", None),
        ("", None),
    ],
)
def test_a_size_is_read_as_a_person_writes_it(text: str, size: int | None) -> None:
    assert parse_size(text) == size


def test_a_spare_is_put_there_held_against_every_pool_and_taken_away(config: Path) -> None:
    assert "shelf is empty" in command(config, "shelf")[1]
    status, text = add(config, "--place", "drawer", "--warranty", "2031-05-31")
    assert (status, "is on the shelf" in text) == (0, True), text
    assert "Write the number 1 on it." in text
    listed = command(config, "shelf")[1]
    for words in ("not proven", "drawer", "31 May 2031", "Z9"):
        assert words in listed, listed
    assert command(config, "shelf", "remove", "1")[0] == 0
    assert "shelf is empty" in command(config, "shelf", "list")[1]
    assert command(config, "shelf", "remove", "1")[0] == Exit.NOT_FOUND


def test_a_spare_that_is_too_small_says_for_what(config: Path) -> None:
    assert "fits nowhere here" in add(config, size="1TB")[1]


def test_the_same_drive_is_not_put_there_twice(config: Path) -> None:
    add(config)
    status, text = add(config)
    assert (status, "already" in text) == (Exit.REFUSED, True)


def test_a_drive_of_a_pool_is_no_spare(config: Path) -> None:
    from watcher.demo.story import new_box  # noqa: PLC0415 - only here

    serial = next(iter(new_box().drives.values()))
    listed = command(config, "drive", serial.serial)[1]
    assert serial.serial in listed
    model = listed.split(serial.serial)[0].strip()
    words = ("shelf", "add", "--model", model, "--serial", serial.serial, "--size", "8TB")
    status, text = command(config, *words)
    assert status in {0, Exit.REFUSED}  # by its printed words it may not be recognised
    if status == 0:
        assert "on the shelf" in text


def test_what_is_needed_is_said(config: Path) -> None:
    assert command(config, "shelf", "add", "--serial", "Z9")[0] == Exit.WRONG_WORDS
    assert "12TB" in add(config, size="large")[1]
    assert "2031-05-31" in add(config, "--warranty", "soon")[1]
    assert command(config, "shelf", "add", "/dev/no-such-drive")[0] == Exit.NOT_FOUND


def test_an_ordered_spare_arrives_under_its_number(config: Path) -> None:
    day = (datetime.now(UTC) + timedelta(days=5)).date().isoformat()
    text = command(config, "shelf", "order", "--size", "16TB", "--arrives", day)[1]
    assert "Spare 1 (16 TB) is on its way" in text
    assert "ordered, arrives" in command(config, "shelf")[1]
    assert command(config, "shelf", "proven", "1", "--on", "2026-01-01", "--how", "x")[0] == 5
    assert add(config, "--ordered", "1")[0] == 0
    listed = command(config, "shelf")[1]
    assert listed.startswith("1  Altair A8 Z9")
    other = command(config, "shelf", "add", "--model", "B", "--serial", "Y", "--size", "1TB",
                    "--ordered", "1")  # fmt: skip
    assert other[0] == Exit.REFUSED


def test_a_spare_is_not_ordered_for_a_day_that_is_over(config: Path) -> None:
    day = (datetime.now(UTC) - timedelta(days=2)).date().isoformat()
    status, text = command(config, "shelf", "order", "--size", "16TB", "--arrives", day)
    assert status == Exit.WRONG_WORDS
    assert "is over" in text
    assert "16 TB" not in command(config, "shelf")[1]


def test_a_burn_in_made_elsewhere_is_written_down_with_its_term(config: Path) -> None:
    add(config)
    day = (datetime.now(UTC) - timedelta(days=3)).date()
    text = command(config, "shelf", "proven", "1", "--on", day.isoformat(), "--how", "two passes")
    assert "again by" in text[1]
    assert f"proven {day:%d %b %Y}" in command(config, "shelf")[1]
    command(config, "shelf", "proven", "1", "--on", day.isoformat(), "--how", "x", "--failed")
    assert "did not pass" in command(config, "shelf")[1]


def test_a_burn_in_of_a_day_to_come_is_not_taken_for_one_of_today(config: Path) -> None:
    words = ("shelf", "proven", "1", "--how", "written, read back", "--on", "2099-01-05")
    command(config, "shelf", "add", "--model", "Altair A8", "--serial", "S1", "--size", "8TB")
    status, text = command(config, *words)
    assert (status, "has not come yet" in text) == (Exit.WRONG_WORDS, True), text


def test_the_window_of_a_pool_follows_from_the_shelf(config: Path) -> None:
    """With a spare on the shelf nothing is waited for."""
    waits = "waiting for a spare"
    before = command(config, "exposure", "orchard", "--if-lost", "bay 1")[1]
    add(config)
    after = command(config, "exposure", "orchard", "--if-lost", "bay 1")[1]
    assert waits in before
    assert waits not in after


def test_a_spare_of_the_shop_is_not_compared_with_the_pools_of_the_hub_itself(
    tmp_path: Path,
) -> None:
    """It has none; "no pool here" would be read as of all boxes."""
    hub = prepare_hub(tmp_path)
    words = ("--model", "Calder 8", "--serial", "SP001", "--size", "8TB")
    added = command(hub, "shelf", "add", *words)[1]
    assert "It counts for the boxes of all clients (midwatch hub work)." in added
    assert "counts for the boxes of all clients" in command(hub, "shelf")[1]
