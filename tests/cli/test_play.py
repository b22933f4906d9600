"""A message as a phone would show it."""

from __future__ import annotations

from datetime import timedelta

from tests.demo.test_story import Pace, Player
from watcher.cli.play import PHONE_WIDTH, length_of, on_phone
from watcher.demo.story import SCENES


def test_every_scene_takes_its_time() -> None:
    assert length_of().days >= 8
    assert min(scene.after for scene in SCENES[1:]) > timedelta(0)
    assert min(scene.every for scene in SCENES) > timedelta(0)


def test_a_message_is_drawn_within_its_frame() -> None:
    player = Player(Pace(write=lambda _: None, pause=lambda _: None, width=100))
    for scene in SCENES[:2]:
        player._pass_time(scene)
        player._show_scene(scene)
    (message,) = player.messages
    lines = list(on_phone(message))
    assert {len(line) for line in lines} == {PHONE_WIDTH + 4}


def test_a_narrow_terminal_gets_a_narrow_phone_and_every_message_its_date() -> None:
    player = Player(Pace(write=lambda _: None, pause=lambda _: None, width=60))
    for scene in SCENES[:2]:
        player._pass_time(scene)
        player._show_scene(scene)
    lines = list(on_phone(player.messages[0], 60))
    assert {len(line) for line in lines} == {60}
    assert "ada's phone, Tue 3 Mar, 21:00" in lines[0]
