"""Seeded lives of a box: whatever happens, the promises of the case side hold.

``SIM_SEEDS`` seeds with plain findings and ``SIM_FULL_SEEDS`` with the real rules over real surveys
are played from ``SIM_FIRST`` on. A seed that breaks a promise is printed as a scenario.
"""

from __future__ import annotations

import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import pytest

from tests.simulation.runs import Failed, run_seed

FIRST = int(os.environ.get("SIM_FIRST", "1"))
SEEDS = int(os.environ.get("SIM_SEEDS", "2000"))
FULL_SEEDS = int(os.environ.get("SIM_FULL_SEEDS", "60"))
DISK_SEEDS = int(os.environ.get("SIM_DISK_SEEDS", "40"))
WORKERS = int(os.environ.get("SIM_WORKERS", "2"))


def _play(seed: int, *, full: bool, on_disk: bool) -> tuple[dict[str, float], str]:
    """Play a seed in a process of its own; the text of a failure crosses the border."""
    try:
        return run_seed(seed, full=full, on_disk=on_disk), ""
    except Failed as failed:
        return {}, str(failed)


def _play_all(first: int, count: int, *, full: bool = False, on_disk: bool = False) -> None:
    seeds = range(first, first + count)
    print(f"seeds {seeds.start} to {seeds.stop - 1}")
    total: Counter[str] = Counter()
    broken: list[str] = []
    play = partial(_play, full=full, on_disk=on_disk)
    with ProcessPoolExecutor(WORKERS) as pool:
        for figures, failure in pool.map(play, seeds, chunksize=10):
            total.update(figures)
            if failure:
                broken.append(failure)
    if total["days"]:
        a_year = total["messages"] / total["days"] * 365
        print(f"{dict(total)}; {a_year:.0f} messages a simulated year")
    print(f"seeds {seeds.start} to {seeds.stop - 1}")
    assert not broken, f"{len(broken)} seeds broke a promise; the first:\n{broken[0]}"


@pytest.mark.slow
def test_whatever_happens_the_promises_hold() -> None:
    """Faults of hardware, store, phones, clock and people, over a store in memory."""
    _play_all(FIRST, SEEDS)


@pytest.mark.slow
def test_they_hold_with_the_real_rules_over_real_surveys() -> None:
    """The same through rules, history, exposure and message texts."""
    _play_all(FIRST, FULL_SEEDS, full=True)


@pytest.mark.slow
def test_they_hold_over_a_file_that_is_opened_anew_after_each_kill() -> None:
    """The same with the store on a disk."""
    _play_all(FIRST, DISK_SEEDS, on_disk=True)
