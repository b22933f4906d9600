"""Which of all these is it?"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli import locate as module
from watcher.cli.exits import Exit
from watcher.service.locate import Lamp, Seat


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("locate"))


def test_a_drive_that_does_not_answer_is_found_by_the_others(config: Path) -> None:
    status, text = command(config, "locate", "bay 5")
    assert status == 0
    for words in ("bay 5", "Brinkmoor BX8", "BR4859", "8 TB", "orchard", "cannot blink",
                  "stays dark", "midwatch locate AL4711"):  # fmt: skip
        assert words in text, words
    assert "midwatch locate BR4859" not in text


def test_who_looks_for_a_drive_is_told_to_read_its_serial_number(config: Path) -> None:
    text = command(config, "locate", "bay 5")[1]
    assert "whose serial number you have not read off the drive itself" in text
    assert "Power the box down first" in text


def test_a_drive_that_nobody_knows_is_said_to_be_unknown(config: Path) -> None:
    assert command(config, "locate", "bay 77")[0] == Exit.NOT_FOUND


@pytest.mark.parametrize(("words", "digit"), [((), "1"), (("--off",), "0")])
def test_an_enclosure_light_is_lit_and_put_out(
    config: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    digit: str,
) -> None:
    path = tmp_path / "locate"
    path.write_text("?")
    lamp = Lamp(enclosure="0:0:8:0", slot="Slot 03", path=str(path))
    monkeypatch.setattr(module, "lamp_of", lambda _host, _disk: lamp)
    status, text = command(config, "locate", "bay 1", *words)
    assert status == 0
    assert path.read_text() == digit
    assert ("--off" in text) is (digit == "1")


def test_a_light_that_may_not_be_set_is_refused_in_a_sentence(
    config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lamp = Lamp(enclosure="e", slot="s", path=str(tmp_path / "no" / "l"))
    monkeypatch.setattr(module, "lamp_of", lambda _host, _disk: lamp)
    status, text = command(config, "locate", "bay 1")
    assert status == Exit.REFUSED
    assert "cannot be set" in text


def test_where_there_is_no_light_there_is_none_to_put_out(config: Path) -> None:
    assert command(config, "locate", "bay 1", "--off")[0] == Exit.REFUSED


def test_a_device_that_cannot_be_read_is_said_so(config: Path) -> None:
    """The drives of the invented box are not on this machine, or not as block devices."""
    if Path("/dev/sda").exists():
        pytest.skip("this machine has a /dev/sda, which is not the invented one")
    status, text = command(config, "locate", "bay 1", "--seconds", "1")
    assert status == Exit.REFUSED
    assert "Nothing is written." in text
    assert "cannot be read" in text


def test_the_others_are_named_in_the_order_of_their_bays(config: Path) -> None:
    text = command(config, "locate", "bay 5")[1]
    named = [line.split() for line in text.splitlines() if line.startswith("  midwatch locate")]
    assert [words[-1] for words in named] == ["1", "2", "3", "4", "6", "7", "8"]
    assert "node before" in text


def test_no_light_of_another_drive_blinks(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "seat_of", lambda *_: Seat(disk=None))
    monkeypatch.setattr(module, "lamp_of", lambda *_: pytest.fail("a lamp was looked for"))
    status, text = command(config, "locate", "bay 1")
    assert status == Exit.REFUSED
    assert "another drive now, so nothing blinks" in text
