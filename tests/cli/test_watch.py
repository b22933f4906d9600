"""The service as a command."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.service.manual_clock import ManualClock
from watcher.cli.watch import InForce, rhythm_of, say_the_ground
from watcher.service.ground import Ground
from watcher.service.settings_shape import Config
from watcher.store.database import open_store

CONFIG = Config(box_name="attic", zone="UTC", state_directory="/nowhere")


def test_the_rhythm_follows_the_settings() -> None:
    rhythm = rhythm_of(CONFIG)
    assert rhythm.survey == timedelta(minutes=10)
    assert rhythm.heartbeat is None


def test_faulty_settings_leave_the_old_ones_in_force(tmp_path: Path) -> None:
    path, said, renewed = tmp_path / "midwatch.yaml", list[str](), list[Config]()
    in_force = InForce(str(path), CONFIG)
    path.write_text("box_name: [", encoding="utf-8")
    assert not in_force.read_again(said.append, (renewed.append,))
    assert (in_force.config, renewed) == (CONFIG, [])
    assert "the old ones stay" in said[0]
    path.write_text("box_name: cellar\n", encoding="utf-8")
    assert in_force.read_again(said.append, (renewed.append,))
    assert [config.box_name for config in (in_force.config, *renewed)] == ["cellar", "cellar"]


def said_of(path: Path) -> list[str]:
    """Give what a person reads at the start of a watch on a store."""
    clock, said = ManualClock(datetime(2026, 3, 2, 8, 0, tzinfo=UTC)), list[str]()
    with closing(Ground(open_store(path, now=clock.now()), clock)) as ground:
        say_the_ground(ground, clock, said.append)
    return said


def test_what_was_put_right_or_rescued_in_the_store_is_said_at_the_start(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    assert said_of(path) == []
    with closing(sqlite3.connect(path)) as hand:
        hand.execute("DROP INDEX event_by_time")
    assert said_of(path) == [
        "In the history the index event_by_time was missing and was made again. No data was lost."
    ]
    assert said_of(path) == []
    with closing(sqlite3.connect(path)) as hand:
        hand.execute("DROP TABLE event")
    (line,) = said_of(path)
    assert line.startswith("The database was damaged. The history was damaged and was set aside")
    assert "parts of these were lost: event" in line
