"""``midwatch hub``: invite, list, revoke, return, ask for a look."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from watcher.cli.exits import Exit, Stop
from watcher.cli.main import cli

SETTINGS = """\
box_name: workshop
state_directory: {folder}
shop:
  clients:
    - name: Harbour Print Room
"""


@pytest.fixture
def settings(tmp_path: Path) -> str:
    path = tmp_path / "hub.yaml"
    path.write_text(SETTINGS.format(folder=tmp_path))
    return str(path)


def run(settings: str, *words: str) -> Result:
    return CliRunner().invoke(cli, ["--config", settings, "hub", *words])


def test_an_invitation_prints_a_code_a_picture_of_it_and_its_term(settings: str) -> None:
    done = run(settings, "invite", "--client", "Harbour Print Room", "--url", "https://h.example")
    assert done.exit_code == 0
    code = r"[A-Z0-9]{5}(-[A-Z0-9]{5}){3}"
    assert re.search(f"midwatch join {code} --hub https://h.example", done.output)
    assert "█" in done.output
    assert "once, until" in done.output


def test_a_client_nobody_knows_and_a_term_that_is_none_are_refused(settings: str) -> None:
    stranger = run(settings, "invite", "--client", "Nobody")
    assert isinstance(stranger.exception, Stop)
    assert stranger.exception.status is Exit.NOT_FOUND
    odd = run(settings, "invite", "--client", "Harbour Print Room", "--for", "soon")
    assert isinstance(odd.exception, Stop)


def test_without_a_box_it_says_how_to_invite_one(settings: str) -> None:
    run(settings, "invite", "--client", "Harbour Print Room")
    assert "hub invite" in run(settings, "boxes").output


def test_an_empty_list_of_work_is_no_proof_of_health(settings: str) -> None:
    run(settings, "invite", "--client", "Harbour Print Room")
    assert "no proof of health" in run(settings, "work").output


@pytest.mark.parametrize("command", ["revoke", "return", "look"])
def test_a_box_nobody_knows_is_not_found(settings: str, command: str) -> None:
    run(settings, "invite", "--client", "Harbour Print Room")
    done = run(settings, command, "press")
    assert isinstance(done.exception, Stop)
    assert done.exception.status is Exit.NOT_FOUND


def test_the_world_is_not_listened_to_without_a_certificate(tmp_path: Path) -> None:
    path = tmp_path / "open.yaml"
    path.write_text(f"state_directory: {tmp_path}\nshop:\n  listen_address: 0.0.0.0\n")
    done = run(str(path))
    assert isinstance(done.exception, Stop)
    assert done.exception.status is Exit.REFUSED
