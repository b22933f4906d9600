"""The watch's end of a hub, also where there is none."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.hub.stage import NOW, StillClock, standing
from watcher.hub.no_hub import NoHub, link_here
from watcher.service.settings_shape import Config
from watcher.store.database import open_memory

ROOT = Path(__file__).resolve().parents[2]


def test_a_box_without_a_hub_stays_as_it_is(tmp_path: Path) -> None:
    found = link_here(
        Config(box_name="press", state_directory=str(tmp_path)),
        url="",
        store=lambda: open_memory(now=NOW),
        clock=StillClock(),
        look=lambda: None,
        say=lambda _text: None,
    )
    assert isinstance(found, NoHub)
    mine = standing("press")
    assert found.joined(mine) is mine
    assert found.besides(NOW) == ()
    assert found.works(NOW) == frozenset()
    found.start()
    found.wake()
    found.stop()


def test_with_one_the_box_must_have_joined_it(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"midwatch join CODE --hub http://127\.0\.0\.1:1$"):
        link_here(
            Config(box_name="press", state_directory=str(tmp_path)),
            url="http://127.0.0.1:1/",
            store=lambda: open_memory(now=NOW),
            clock=StillClock(),
            look=lambda: None,
            say=lambda _text: None,
        )


def test_a_watch_with_pages_and_without_a_hub_loads_nothing_that_speaks_to_one() -> None:
    program = (
        "import sys, watcher.cli.watch, watcher.cli.pages\n"
        "print(*(m for m in sys.modules if m in "
        "{'watcher.hub.link', 'watcher.hub.wire', 'watcher.hub.sender', 'msgspec'}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == ""
