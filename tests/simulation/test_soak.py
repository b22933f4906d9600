"""A long time passes quickly: the desk's memory and handles stay where they are."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DAYS = int(os.environ.get("MIDWATCH_SOAK_DAYS", "45"))
"""Six weeks with the tests; by hand a year: MIDWATCH_SOAK_DAYS=365."""
MOST_BYTES_A_DAY = 512
"""Our choice: half a mebibyte in three years. A list that keeps every survey would grow by
hundreds of kilobytes a day."""


@pytest.mark.slow
def test_the_memory_and_the_handles_of_the_desk_are_flat(tmp_path: Path) -> None:
    """With a drive lost and answered for by nobody; alone in a process, see ``soak.py``."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.simulation.soak", str(tmp_path / "m.db"), str(DAYS)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONHASHSEED": "0"},  # sets and their sizes come out the same
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    print(found)
    assert found["handles_end"] <= found["handles_warm"]
    assert found["bytes_a_day"] <= MOST_BYTES_A_DAY
