"""A long time passes quickly: the desk's memory and handles stay where they are."""

from __future__ import annotations

import gc
import os
import tracemalloc
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.state import standing
from watcher.demo.story import BOX, new_box
from watcher.readers.survey import Looking, Surveyor
from watcher.service.desk import Desk
from watcher.store.database import open_store

WARM_DAYS = 15
DAYS = int(os.environ.get("MIDWATCH_SOAK_DAYS", "45"))
"""Six weeks with the tests; by hand a year: MIDWATCH_SOAK_DAYS=365."""
LOOKS_A_DAY = 2
MOST_BYTES_A_DAY = 512
"""Our choice: half a mebibyte in three years. A list that keeps every survey would grow by
hundreds of kilobytes a day."""


@pytest.mark.lab  # alone in its process: caches that other tests warm up are counted too
def test_the_memory_and_the_handles_of_the_desk_are_flat(tmp_path: Path) -> None:
    """With a drive lost and answered for by nobody, so that reminders go on all the time."""
    box = new_box()
    surveyor = Surveyor(box, Looking(box=BOX))
    with open_store(tmp_path / "m.db", now=box.now) as store:
        desk = Desk(store, standing())
        desk.take_in(surveyor.take("first", box.now).survey, box.now)
        box.pull("e")
        survey = surveyor.take("second", box.now).survey
        now = box.now
        tracemalloc.start()
        begun = handles = 0
        try:
            for number in range(DAYS * LOOKS_A_DAY):
                now += timedelta(days=1) / LOOKS_A_DAY
                look = replace(survey, survey=f"s{number}", taken_at=now, events=())
                desk.take_in(look, now)
                desk.tick(now)
                if number % LOOKS_A_DAY == 0:
                    with store.transaction() as tx:
                        tx.roll_up(now)
                if number == WARM_DAYS * LOOKS_A_DAY:
                    gc.collect()
                    begun = tracemalloc.get_traced_memory()[0]
                    handles = len(list(Path("/proc/self/fd").iterdir()))
            gc.collect()
            slope = (tracemalloc.get_traced_memory()[0] - begun) / (DAYS - WARM_DAYS)
        finally:
            tracemalloc.stop()
        print(f"{slope:+.0f} bytes a day over {DAYS - WARM_DAYS} days")
        assert len(list(Path("/proc/self/fd").iterdir())) <= handles
        assert slope <= MOST_BYTES_A_DAY
