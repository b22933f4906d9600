"""Let weeks pass at a desk and measure: ``python -m tests.simulation.soak STORE [DAYS]``.

A program of its own, so that only what the desk itself keeps is counted, and not the caches that
other tests in the same process have yet to fill. Prints one line of JSON: bytes a day, and how
many handles were open after the first weeks and at the end.

The interpreter's own cache of looked-up names is emptied before each measurement: it keeps a copy
of the word "utcoffset" for a comparison of times from pydantic, up to 4,096 of them, which looks
like a leak of some hundred bytes a day while it fills (CPython 3.11, ``Objects/typeobject.c``).

Memory goes up and down in a saw-tooth of about two weeks, 17 KiB high (seen over 60 days: buffers
that are filled and given back). So the least that is held in the first half is compared with the
least in the second half.
"""

from __future__ import annotations

import gc
import json
import sys
import tracemalloc
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from tests.cli.state import standing
from watcher.demo.story import BOX, new_box
from watcher.readers.survey import Looking, Surveyor
from watcher.service.desk import Desk
from watcher.store.database import open_store

WARM_DAYS = 15
LOOKS_A_DAY = 2


def handles() -> int:
    """Count the open handles of this process."""
    return len(list(Path("/proc/self/fd").iterdir()))


def forget_names() -> None:
    """Empty the interpreter's cache of looked-up names; its name changed with Python 3.13."""
    for name in ("_clear_internal_caches", "_clear_type_cache"):
        if hasattr(sys, name):
            getattr(sys, name)()
            return


def soak(file: Path, days: int) -> dict[str, float]:
    """Let the days pass, with a drive lost that nobody answers for, so that reminders go on."""
    box = new_box()
    surveyor = Surveyor(box, Looking(box=BOX))
    with open_store(file, now=box.now) as store:
        desk = Desk(store, standing())
        desk.take_in(surveyor.take("first", box.now).survey, box.now)
        box.pull("e")
        survey = surveyor.take("second", box.now).survey
        now = box.now
        tracemalloc.start()
        held: list[int] = []
        handles_warm = 0
        for number in range(days * LOOKS_A_DAY):
            now += timedelta(days=1) / LOOKS_A_DAY
            look = replace(survey, survey=f"s{number}", taken_at=now, events=())
            desk.take_in(look, now)
            desk.tick(now)
            if number % LOOKS_A_DAY == 0:
                with store.transaction() as tx:
                    tx.roll_up(now)
            day, rest = divmod(number, LOOKS_A_DAY)
            if day >= WARM_DAYS and not rest:
                handles_warm = handles_warm or handles()
                forget_names()
                gc.collect()
                held.append(tracemalloc.get_traced_memory()[0])
        half = len(held) // 2
        slope = (min(held[half:]) - min(held[:half])) / half
        return {"bytes_a_day": slope, "handles_warm": handles_warm, "handles_end": handles()}


if __name__ == "__main__":
    print(json.dumps(soak(Path(sys.argv[1]), int(sys.argv[2]))))
