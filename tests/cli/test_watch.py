"""The service as a command."""

from __future__ import annotations

from datetime import timedelta

from watcher.cli.watch import rhythm_of
from watcher.service.settings_shape import Config

CONFIG = Config(box_name="attic", zone="UTC", state_directory="/nowhere")


def test_the_rhythm_follows_the_settings() -> None:
    rhythm = rhythm_of(CONFIG)
    assert rhythm.survey == timedelta(minutes=10)
    assert rhythm.heartbeat is None
