"""Accounts, tokens and keys on the command line."""

from __future__ import annotations

from pathlib import Path

import click.testing
import pytest

from tests.cli.hub_state import prepare_hub
from tests.cli.state import SETTINGS, command
from watcher.cli.exits import Exit
from watcher.cli.main import cli
from watcher.service.clock import SystemClock
from watcher.store.accounts import Role
from watcher.store.database import Store, open_store
from watcher.web.one_time import fingerprint
from watcher.web.passwords import is_right

PASSWORD = "lamp orchard seven kettle"


def empty_state(folder: Path) -> Path:
    state = folder / "state"
    state.mkdir()
    open_store(state / "midwatch.db", now=SystemClock().now()).close()
    config = folder / "midwatch.yaml"
    config.write_text(SETTINGS.format(state=state), encoding="utf-8")
    return config


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return empty_state(tmp_path)


def store_of(config: Path) -> Store:
    return open_store(config.parent / "state" / "midwatch.db", now=SystemClock().now(), check=False)


def typed(config: Path, *words: str, password: str = PASSWORD) -> click.testing.Result:
    runner = click.testing.CliRunner()
    return runner.invoke(cli, ["--config", str(config), *words], input=f"{password}\n{password}\n")


def test_an_account_is_made_with_the_password_that_was_typed(config: Path) -> None:
    done = typed(config, "account", "add", "ada", "--role", "act")
    assert done.exit_code == 0, done.output
    assert PASSWORD not in done.output
    with store_of(config) as store, store.snapshot() as tx:
        made = tx.account("ada")
        assert made is not None
        assert (made.role, made.person) == (Role.ACT, "ada")
        assert is_right(PASSWORD, made.password)
        assert [line.what for line in tx.audit()] == ["made-account"]


def test_a_password_can_be_handed_in_once_and_nothing_is_no_password(config: Path) -> None:
    runner = click.testing.CliRunner()
    once = ["--config", str(config), "account", "add", "ada"]
    assert runner.invoke(cli, once, input=f"{PASSWORD}\n").exit_code == 0
    with store_of(config) as store, store.snapshot() as tx:
        made = tx.account("ada")
        assert made is not None
        assert is_right(PASSWORD, made.password)
    none = runner.invoke(cli, ["--config", str(config), "account", "add", "ben"], input="")
    assert "No password came in" in str(none.exception)


def test_a_password_that_is_guessed_at_once_makes_no_account(config: Path) -> None:
    assert typed(config, "account", "add", "ada", password="ada").exit_code != 0
    with store_of(config) as store, store.snapshot() as tx:
        assert tx.account("ada") is None


def test_the_same_account_is_not_made_twice_and_a_person_must_be_there(config: Path) -> None:
    typed(config, "account", "add", "ada")
    assert typed(config, "account", "add", "ada").exit_code != 0
    assert typed(config, "account", "add", "lou", "--person", "nobody").exit_code != 0


def test_a_token_is_printed_once_and_only_its_hash_is_kept(config: Path) -> None:
    status, text = command(config, "account", "token", "panel", "--until", "90d")
    assert status == 0
    with store_of(config) as store, store.snapshot() as tx:
        made = tx.token(hashed=fingerprint(text.strip()))
        assert made is not None
        assert made.ends_at is not None
        assert (made.name, made.role) == ("panel", Role.LOOK)
    assert command(config, "account", "token", "panel")[0] == Exit.REFUSED
    _, listed = command(config, "account", "list")
    assert "panel" in listed
    assert text.strip() not in listed


def test_codes_are_switched_on_and_off(config: Path) -> None:
    typed(config, "account", "add", "ada")
    status, text = command(config, "account", "code", "ada")
    assert status == 0
    with store_of(config) as store, store.snapshot() as tx:
        made = tx.account("ada")
        assert made is not None
        assert made.code_key in text
    command(config, "account", "code", "ada", "--off")
    with store_of(config) as store, store.snapshot() as tx:
        made = tx.account("ada")
        assert made is not None
        assert made.code_key == ""


def test_a_change_signs_out_and_a_removal_removes(config: Path) -> None:
    typed(config, "account", "add", "ada")
    assert command(config, "account", "change", "ada", "--role", "manage")[0] == 0
    assert command(config, "account", "change", "ada")[0] == Exit.WRONG_WORDS
    assert "manage" in command(config, "account", "list")[1]
    assert command(config, "account", "remove", "ada")[0] == 0
    assert command(config, "account", "remove", "ada")[0] == Exit.NOT_FOUND
    assert command(config, "account", "change", "ada", "--role", "look")[0] == Exit.NOT_FOUND
    assert "removed account" in command(config, "account", "audit")[1]


def test_a_new_key_makes_the_old_ones_worth_nothing(config: Path) -> None:
    now = SystemClock().now()
    with store_of(config) as store, store.transaction() as tx:
        old = tx.key_to_sign(now, b"o" * 32)
    assert command(config, "account", "new-key")[0] == 0
    with store_of(config) as store, store.snapshot() as tx:
        assert old not in tx.signing_keys(SystemClock().now())


def test_an_account_of_a_client_is_for_a_known_client_and_never_manages(tmp_path: Path) -> None:
    config = empty_state(tmp_path)
    with config.open("a", encoding="utf-8") as file:
        file.write("shop:\n  clients:\n    - name: Harbour\n")
    unknown = typed(config, "account", "add", "ann", "--client", "Nobody")
    assert unknown.exit_code != 0
    manages = typed(config, "account", "add", "ann", "--client", "Harbour", "--role", "manage")
    assert manages.exit_code != 0
    assert typed(config, "account", "add", "ann", "--client", "Harbour").exit_code == 0
    assert typed(config, "account", "token", "panel", "--client", "Harbour").exit_code == 0
    with store_of(config) as store, store.snapshot() as tx:
        made, token = tx.account("ann"), tx.token(name="panel")
        assert made is not None
        assert token is not None
        assert made.client == token.client == "Harbour"
    assert command(config, "account", "list")[1].count("the boxes of Harbour") == 2


def test_an_account_of_a_clients_person_is_said_to_see_what_it_sees(tmp_path: Path) -> None:
    config = prepare_hub(tmp_path)
    for words in (("--role", "manage"), ("--box", "pres")):
        assert typed(config, "account", "add", "ann", *words).exit_code != 0
    made = typed(config, "account", "add", "ann", "--role", "act").output
    assert "with the role act, and sees the boxes of Harbour Print Room." in made
    typed(config, "account", "add", "sam", "--role", "manage")
    listed = command(config, "account", "list")[1].splitlines()
    assert [" ".join(line.split()[2:6]) for line in listed] == [
        "the boxes of Harbour",
        "all boxes password only",
    ]
    assert command(config, "account", "change", "ann", "--role", "manage")[0] == Exit.REFUSED
    assert command(config, "account", "change", "ann", "--role", "look")[0] == 0
