"""Checking the settings, and writing a first file."""

from __future__ import annotations

from pathlib import Path

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


def test_good_settings_are_said_to_be_and_what_they_come_to(tmp_path: Path) -> None:
    status, text = command(prepare(tmp_path), "config", "check")
    assert status == 0
    for words in ("nothing is wrong", "attic", "ada, ben", "every 10 min"):
        assert words in text, words
    assert "json://" not in text, "an address was shown"


def test_an_address_that_no_way_takes_is_a_fault_and_is_not_shown(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(
        f"state_directory: {tmp_path}\npeople:\n  - name: ada\n    targets:\n"
        "      - name: phone\n        url: nosuchway://secret-token\n",
        encoding="utf-8",
    )
    status, text = command(config, "config", "check")
    assert status == Exit.FAULTY_SETTINGS
    assert "ada" in text
    assert "secret-token" not in text


def test_what_may_be_meant_fails_the_check_and_keeps_no_command_from_answering(
    tmp_path: Path,
) -> None:
    config = prepare(tmp_path)
    config.write_text(config.read_text(encoding="utf-8") + "web:\n  public_url: #\u2026\n")
    status, text = command(config, "config", "check")
    assert status == Exit.FAULTY_SETTINGS
    assert "web.public_url: what follows the #" in text
    assert command(config, "cases")[0] == 0


def test_a_first_file_is_written_and_has_no_fault(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(f"state_directory: {tmp_path / 'state'}\n", encoding="utf-8")
    status, text = command(config, "config", "init")
    assert status == 0
    first = tmp_path / "first.yaml"
    first.write_text(text, encoding="utf-8")
    assert command(first, "config", "check")[0] == 0


def test_whose_people_are_the_shops_and_whose_a_clients_is_said(tmp_path: Path) -> None:
    """Who is left out of a client's list by a slip hears of all boxes."""
    path = prepare(tmp_path)
    with path.open("a", encoding="utf-8") as file:
        file.write("shop:\n  clients:\n    - name: Harbour\n      people: [ben]\n")
    text = command(path, "config", "check")[1]
    assert "  people     ada\n  client     Harbour: ben\n" in text
    assert "The people of no client are the shop's" in text
