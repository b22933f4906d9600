"""``midwatch hub``: invite, list, revoke, return, ask for a look."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.store import made
from watcher.cases.state import Book
from watcher.cli.exits import Exit, Stop
from watcher.cli.main import cli
from watcher.facts.identity import BoxId
from watcher.hub.enrolment import hash_of, identify, join
from watcher.hub.wire import Joining
from watcher.service.clock import SystemClock
from watcher.store.database import open_store

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
    assert "In the place of URL" not in done.output
    assert "once, until" in done.output


def test_where_the_hubs_address_is_not_known_it_is_said_and_no_code_is_drawn(settings: str) -> None:
    done = run(settings, "invite", "--client", "Harbour Print Room")
    assert "In the place of URL write the address" in done.output
    assert "█" not in done.output


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


def joined(settings: str, box: str = "press") -> None:
    """Let a box join by the code that the command printed, and use its token once."""
    token = f"token of {box}"
    done = run(settings, "invite", "--client", "Harbour Print Room", "--box", box)
    found = re.search(r"midwatch join (\S+) --hub", done.output)
    assert found is not None
    now = SystemClock().now()
    place = Path(settings).parent / "midwatch.db"
    with open_store(place, now=now, check=False) as store, store.transaction() as tx:
        join(tx, Joining(code=found[1], box=box, token_hash=hash_of(token)), now)
        identify(tx, token, now)


def test_codes_that_wait_are_listed_and_can_be_taken_back(settings: str) -> None:
    run(settings, "invite", "--client", "Harbour Print Room")
    mark = run(settings, "invited").output.split()[0]
    assert run(settings, "withdraw", mark).exit_code == 0
    assert "No code waits to be used." in run(settings, "invited").output
    again = run(settings, "withdraw", mark)
    assert isinstance(again.exception, Stop)
    assert again.exception.status is Exit.NOT_FOUND


def test_a_box_is_told_with_the_age_of_its_token_and_can_be_made_to_renew_it(
    settings: str,
) -> None:
    joined(settings)
    text = run(settings, "box", "press").output
    assert "Harbour Print Room" in text
    assert "token" in text
    assert "made " in text
    assert run(settings, "renew", "press").exit_code == 0
    assert "a new one is asked for" in run(settings, "box", "press").output
    assert run(settings, "revoke", "press").exit_code == 0
    assert "nothing is let in until it joins" in run(settings, "box", "press").output
    assert "token taken away" in run(settings, "boxes").output
    refused = run(settings, "renew", "press")
    assert isinstance(refused.exception, Stop)
    assert refused.exception.status is Exit.REFUSED


def test_the_address_of_the_hub_comes_from_the_settings(tmp_path: Path) -> None:
    path = tmp_path / "hub.yaml"
    path.write_text(f"state_directory: {tmp_path}\nshop:\n  url: https://hub.example\n")
    assert "--hub https://hub.example" in run(str(path), "invite", "--client", "X").output


def test_a_box_that_was_given_back_stays_on_the_list_as_such(settings: str) -> None:
    joined(settings)
    assert run(settings, "return", "press").exit_code == 0
    assert "given back to its owner" in run(settings, "boxes").output


def test_the_list_of_boxes_says_how_their_pools_stand_and_how_much_is_to_do(settings: str) -> None:
    joined(settings)
    now = SystemClock().now()
    found = made.pool(now, lost=1)
    with open_store(Path(settings).parent / "midwatch.db", now=now, check=False) as store:
        box = BoxId("press")
        with store.transaction() as tx:
            tx.take_survey(made.survey("a", now, pools=(found,), box=box), now)
            tx.save_book(box, Book(box=box, cases=(made.case(1, now),), next_case=2))
            tx.box_heard(
                box,
                now - timedelta(hours=5),
                every_seconds=600,
                address="192.0.2.7",
                sender="s",
                due_at=None,
            )
    text = run(settings, "boxes").output
    assert "media bare" in text
    assert "1 today" in text
    assert "not heard from for 5 h" in text


@pytest.mark.parametrize("span", ["0h", "3", "90d"])
def test_a_code_that_is_good_for_no_time_or_too_long_is_not_made(settings: str, span: str) -> None:
    done = run(settings, "invite", "--client", "Harbour Print Room", "--for", span)
    assert isinstance(done.exception, Stop)
    assert done.exception.status is Exit.WRONG_WORDS
    run(settings, "invite", "--client", "Harbour Print Room", "--for", "1d")
    assert len(run(settings, "invited").output.splitlines()) == 1


def test_a_box_whose_token_was_taken_away_is_not_listed_as_heard(settings: str) -> None:
    joined(settings)
    assert run(settings, "revoke", "press").exit_code == 0
    assert "token taken away" in run(settings, "boxes").output
    assert "token taken away" in run(settings, "box", "press").output
