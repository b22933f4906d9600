"""The bench of the hub's door runs a real hub, and measures what it says."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.hub_door import Plan, run, table

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
@pytest.mark.parametrize("tls", [False, True])
def test_every_survey_of_every_box_is_taken_in_once(tls: bool) -> None:
    if tls and shutil.which("openssl") is None:
        pytest.skip("needs openssl to make a certificate")
    plan = Plan(boxes=4, surveys=24, tls=tls, fresh=tls)
    found = run(plan)
    assert (found.surveys, found.in_store, found.refused) == (24, 24, 0)
    assert len(found.times) == 24
    assert len(found.mib) == plan.processes
    assert found.client > 0
    # the kernel counts in ticks: all of it together is more than one of them
    assert found.hub.door + found.hub.desk >= 1 / os.sysconf("SC_CLK_TCK")
    assert found.hub.desk > found.hub.door / 2, "the threads are told apart"
    assert "by calculation" in table(plan, found)


def test_the_bench_says_what_it_can_do() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.hub", "--help"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "--door" in done.stdout
