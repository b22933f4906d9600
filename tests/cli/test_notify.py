"""Proving the ways to people, with a real server at the other end."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.hub_state import prepare_hub
from tests.cli.state import command, prepare
from tests.lab.receivers import Hook, free_port, web_server
from watcher.cli.exits import Exit

SETTINGS = """
box_name: attic
zone: UTC
state_directory: {state}
people:
  - name: ada
    targets:
      - name: phone
        url: "json://127.0.0.1:{first}/"
  - name: ben
    targets:
      - name: mail
        url: "json://127.0.0.1:{second}/"
"""


def settings(folder: Path, first: int, second: int) -> Path:
    config = folder / "midwatch.yaml"
    text = SETTINGS.format(state=folder / "state", first=first, second=second)
    config.write_text(text, encoding="utf-8")
    return config


def test_every_way_is_walked_with_a_message_that_says_it_is_a_test(tmp_path: Path) -> None:
    hook = Hook()
    with web_server(hook) as port:
        config = settings(tmp_path, port, port)
        status, text = command(config, "notify", "test")
    assert status == 0, text
    assert text.count("arrived") >= 2
    assert len(hook.posts) == 2
    assert all(post["title"].startswith("TEST") for _, post in hook.posts)
    assert {"ada", "ben"} <= set(" ".join(p["message"] for _, p in hook.posts).split())
    assert "arrived" in command(config, "notify", "log")[1]


def test_a_way_that_does_not_work_is_named_with_what_came_back(tmp_path: Path) -> None:
    hook = Hook()
    with web_server(hook) as port:
        config = settings(tmp_path, port, free_port())
        status, text = command(config, "notify", "test")
    assert status == Exit.REFUSED
    assert "1 of 2 did not arrive" in text
    assert "did not arrive  " in text, "its own line says so, with what came back"
    assert "not needed" not in text + command(config, "notify", "log")[1]
    assert len(hook.posts) == 1


def test_without_any_way_it_says_how_to_get_one(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(f"state_directory: {tmp_path / 'state'}\n", encoding="utf-8")
    status, text = command(config, "notify", "test")
    assert status == Exit.REFUSED
    assert "midwatch config init" in text


@pytest.mark.parametrize("limit", ["0", "-1"])
def test_a_log_of_no_messages_is_not_asked_for(tmp_path: Path, limit: str) -> None:
    """It would say that none was sent."""
    status, text = command(prepare(tmp_path), "notify", "log", "--limit", limit)
    assert (status, "No message was sent" in text) == (Exit.WRONG_WORDS, False)


def test_at_a_hub_the_log_holds_the_messages_of_all_boxes_and_of_the_one_that_is_named(
    tmp_path: Path,
) -> None:
    hub = prepare_hub(tmp_path)
    text = command(hub, "notify", "log")[1]
    assert "on press" in text
    assert "on nas (Orchard Press)" in text
    only = command(hub, "notify", "log", "--box", "press")[1]
    assert "on press" in only
    assert "nas" not in only
