"""Every promise that can be measured, its target, and how it is measured.

A probe gives rows. A row holds a value, and where there is one the value of the bare alternative
measured in the same run (smartctl alone, grep, dd, an empty interpreter), so that the ratio does
not depend on the machine. Probes that need what is not here give no rows and say why.
"""

from __future__ import annotations

import contextlib
import io
import re
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from tests.bench import promises_long
from tests.bench.row import Absent, Row

ROOT = Path(__file__).resolve().parents[2]


def idle() -> list[Row]:
    """Measure a box of eight drives in two halves."""
    from tests.bench.idle import measure  # noqa: PLC0415 - each probe loads what it measures

    found = measure(40.0, halves=True)
    assert found.reader_mib is not None
    empty = {"bare": found.bare_mib, "bare_is": "empty interpreter"}
    share = found.share_of_a_core * 100
    return [
        Row(name="reader's memory (PSS)", value=found.reader_mib, unit="MiB", most=32, **empty),
        Row(name="desk's memory (PSS)", value=found.desk_mib, unit="MiB", most=48, **empty),
        Row(name="delivery's memory (PSS)", value=found.delivery_mib, unit="MiB", **empty),
        Row(name="idle, 8 drives, of one core", value=share, unit="%", most=0.2),
        Row(name="first survey after start", value=found.first_survey_seconds, unit="s", most=3),
    ]


def poll() -> list[Row]:
    """Measure a drive poll against smartctl alone."""
    from tests.bench.drive_poll import WANTED_RATIO, main  # noqa: PLC0415

    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        main()
    rows = re.findall(
        r"^(\w+)\s+smartctl\s+([\d.]+) ms\s+added\s+([\d.]+) ms", out.getvalue(), re.MULTILINE
    )
    if not rows:
        raise Absent(out.getvalue().strip() or "no smartctl here")
    return [
        Row(
            name=f"a poll of an {kind} drive, CPU",
            value=float(alone) + float(added),
            unit="ms",
            most=float(alone) * WANTED_RATIO,
            bare=float(alone),
            bare_is="smartctl alone",
        )
        for kind, alone, added in rows
    ]


def kernel_log() -> list[Row]:
    """Measure reading a log against grep."""
    from tests.bench.kernel_speed import LINES, WANTED_RATIO, measure  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder), "usual", LINES // 4)
    return [
        Row(
            name="a usual kernel log, CPU",
            value=found.ours,
            unit="s",
            most=found.grep * WANTED_RATIO,
            bare=found.grep,
            bare_is="grep -E",
        )
    ]


def kernel_meaning() -> list[Row]:
    """Count the labelled excerpts that are understood."""
    from tests.bench.kernel_logs import WANTED_SHARE, confusion, share_right  # noqa: PLC0415

    counts = confusion()
    if counts is None:
        raise Absent("the labelled excerpts are not beside the repository")
    value = share_right(counts) * 100
    return [Row(name="kernel excerpts understood", value=value, unit="%", least=WANTED_SHARE * 100)]


def exposure() -> list[Row]:
    """Measure a full answer for a pool of 24 drives."""
    from tests.bench.exposure import DRIVES, NOW, PLAN, median_ms, pools  # noqa: PLC0415
    from watcher.exposure.estimate import estimate  # noqa: PLC0415

    worst = max(
        median_ms(lambda one=one: estimate(one, DRIVES, PLAN, NOW))  # type: ignore[misc]
        for one in pools().values()
    )
    return [Row(name="exposure of 24 drives, worst, CPU", value=worst, unit="ms", most=50)]


def store() -> list[Row]:
    """Measure taking a survey of 24 drives in."""
    from tests.bench.store import END, Box, measure  # noqa: PLC0415
    from watcher.store.database import open_store  # noqa: PLC0415

    with (
        tempfile.TemporaryDirectory() as folder,
        open_store(Path(folder) / "m.db", now=END) as one,
    ):
        box = Box()
        for day in range(1, 120):
            at = END - timedelta(days=120 - day)
            with one.transaction() as tx:
                tx.take_survey(box.survey(at, 1), at)
        take, ask = measure(one, box)
    return [
        Row(name="take in a survey of 24 drives, CPU", value=take, unit="ms", most=25),
        Row(name="questions of one round, CPU", value=ask, unit="ms", most=15),
    ]


def hub() -> list[Row]:
    """Measure a hub of ten boxes; its own bench measures a thousand."""
    from tests.bench.hub import run  # noqa: PLC0415

    found = run(10, 100)
    return [
        Row(name="hub: a survey of 24 drives, CPU", value=found["cpu_ms"], unit="ms"),
        Row(
            name="hub: surveys a second, of one core",
            value=1000 / found["cpu_ms"],
            unit="",
            least=WANTED_SURVEYS / CORES,
        ),
    ]


def start() -> list[Row]:
    """Measure the start of a command against that of an empty interpreter."""

    def cpu(*words: str) -> float:
        best = float("inf")
        for _ in range(5):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, *words], cwd=ROOT, capture_output=True, check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            best = min(best, spent * 1000)
        return best

    empty = {"bare": cpu("-c", "pass"), "bare_is": "empty interpreter"}
    value = cpu("-m", "watcher.cli", "--help")
    return [Row(name="midwatch --help, CPU", value=value, unit="ms", **empty)]


WANTED_SURVEYS, CORES = 300, 2
"""Surveys a second through the whole desk, and on how many cores."""

PROBES: dict[str, Callable[[], list[Row]]] = {
    "idle": idle,
    "poll": poll,
    "kernel-log": kernel_log,
    "kernel-meaning": kernel_meaning,
    "exposure": exposure,
    "store": store,
    "hub": hub,
    "start": start,
    **promises_long.PROBES,
}

BY_HAND = {
    "fit_signs": "fits the table of signs anew; needs the open data, minutes",
    "hub_postgres": "a hub on a database server; starts one of its own, minutes",
}
"""Benches that are run on their own, and why."""
