"""pySMART comes without chardet, and chardet comes when somebody uses it."""

from __future__ import annotations

import subprocess
import sys

READER = "import sys, watcher.readers.survey; print([m for m in sys.modules if 'chardet.' in m])"
STAND_IN = """
import sys
from watcher.readers.pysmart import import_when_used
import_when_used("colorsys")
import colorsys
stand_in = sys.modules["colorsys"]
assert "hsv_to_rgb" not in vars(stand_in)
assert colorsys.hsv_to_rgb(0, 0, 1) == (1, 1, 1)
assert sys.modules["colorsys"] is not stand_in
import_when_used("json")
import json
assert json.loads("1") == 1
import_when_used("json")
"""


def run(program: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=120
    )
    return done.stdout.strip()


def test_the_readers_do_not_load_what_only_the_runner_of_pysmart_needs() -> None:
    assert run(READER) == "[]"


def test_what_is_put_off_is_there_when_it_is_used() -> None:
    assert run(STAND_IN) == ""


def test_the_runner_of_pysmart_could_still_guess_an_encoding() -> None:
    """Nobody calls it here; whoever does finds the real thing."""
    guess = "from pySMART import smartctl; print(smartctl.chardet.detect(b'abc')['encoding'])"
    assert run(f"import watcher.readers.pysmart\n{guess}").lower() in {"ascii", "utf-8"}
