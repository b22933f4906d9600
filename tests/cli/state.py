"""A state folder in which something has happened, and a way to run commands on it."""

from __future__ import annotations

import contextlib
import io
import sys
from datetime import datetime, timedelta
from pathlib import Path

from watcher.cli.main import main
from watcher.demo.box import SimBox
from watcher.demo.story import BOX, new_box, people
from watcher.exposure.window import WindowPlan
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.readers.discovery import ToldDrive
from watcher.readers.survey import Looking, Surveyor
from watcher.rules.tuning import UNTUNED
from watcher.service.clock import SystemClock
from watcher.service.desk import Desk, Standing
from watcher.service.state import STORE_NAME
from watcher.store.database import open_store

SETTINGS = """
box_name: attic
zone: UTC
state_directory: {state}
digest:
  weekdays: []
people:
  - name: ada
    targets:
      - name: phone
        url: "json://127.0.0.1:1/"
  - name: ben
"""


def standing() -> Standing:
    """Give what the desk of the prepared state works by."""
    return Standing(
        box=BOX,
        policy=people(),
        tuning=UNTUNED,
        targets=(Target(name="phone", person="ada", url=Secret("json://127.0.0.1:1/")),),
        plan=WindowPlan(),
    )


LATELY = timedelta(minutes=40)
"""The first of four looks, ten minutes apart: the last one was ten minutes ago."""


def prepare(folder: Path, *, lose: str = "e", ago: timedelta = LATELY) -> Path:
    """Make a state in which the invented box has just lost a drive; give its settings file."""
    state = folder / "state"
    state.mkdir()
    config = folder / "midwatch.yaml"
    config.write_text(SETTINGS.format(state=state), encoding="utf-8")
    box = new_box()
    told = tuple(ToldDrive(serial=d.serial, bay=d.bay) for d in box.drives.values())
    start = SystemClock().now() - ago
    shift(box, start)
    with open_store(state / STORE_NAME, now=start) as store:
        surveyor, desk = Surveyor(box, Looking(box=BOX, told=told)), Desk(store, standing())
        for number in range(4):
            if number == 2 and lose:
                box.pull(lose)
            desk.take_in(surveyor.take(f"s{number}", box.now).survey, box.now)
            box.pass_time(timedelta(minutes=10))
    return config


def shift(box: SimBox, start: datetime) -> None:
    """Let the invented box live now."""
    box.now = start
    box.log = [(start, text) for _, text in box.log]


def command(config: Path | None, *words: str) -> tuple[int, str]:
    """Run the command in this process; give its exit status and all that it printed."""
    before = sys.argv
    out = io.StringIO()
    sys.argv = ["midwatch", *(["--config", str(config)] if config else []), *words]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            main()
    except SystemExit as ended:
        return int(ended.code or 0), out.getvalue()
    finally:
        sys.argv = before
    return 0, out.getvalue()
