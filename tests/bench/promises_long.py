"""The probes that take longer or need more: open data, root, a loop device, five years of history.

Each is part of ``python -m tests.bench --all``, and can be left out by naming the others.
"""

from __future__ import annotations

import contextlib
import importlib.util
import io
import os
import re
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench.row import Absent, Row


def hung() -> list[Row]:
    """Measure a survey of 24 drives of which one hangs (tests.bench.drive_poll)."""
    from tests.bench.drive_poll import DRIVES, HUNG_LIMIT_SECONDS, survey_of_many  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as folder:
        before = os.environ["PATH"]
        os.environ["PATH"] = f"{folder}{os.pathsep}{before}"
        try:
            good, one_hung = survey_of_many(Path(folder))
        finally:
            os.environ["PATH"] = before
    return [
        Row(
            name=f"{DRIVES} drives, one hangs until its limit",
            value=one_hung,
            unit="s",
            most=HUNG_LIMIT_SECONDS + 1,
            bare=HUNG_LIMIT_SECONDS + good,
            bare_is="the limit and a good survey",
        )
    ]


def kernel_lines() -> list[Row]:
    """Measure how many lines a second the log reader takes (tests.bench.kernel_speed)."""
    from tests.bench.kernel_speed import (  # noqa: PLC0415
        LINES,
        WANTED_LINES_PER_SECOND,
        measure,
    )

    rows = []
    for kind in ("usual", "storm", "journal"):
        with tempfile.TemporaryDirectory() as folder:
            found = measure(Path(folder), kind, LINES // 4)
        rows.append(
            Row(
                name=f"kernel log, {kind}, lines a second",
                value=LINES // 4 / found.ours,
                unit="",
                least=WANTED_LINES_PER_SECOND,
            )
        )
    return rows


def plan() -> list[Row]:
    """Measure ``midwatch plan``: the years of a pool, and what each habit would change."""
    from tests.cli.state import command, prepare  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as folder:
        config = prepare(Path(folder))
        begin = time.process_time()
        status, text = command(config, "plan", "orchard")
        took = time.process_time() - begin
    assert status == 0, text
    return [Row(name="midwatch plan, CPU", value=took, unit="s", most=3)]


def pages() -> list[Row]:
    """Measure 50 boxes of 12 drives with five years of history on the pages (tests.bench.pages)."""
    from tests.bench.pages import NOW, browser_over, charts_of, fill, get, memory_of, p95_ms  # noqa: PLC0415
    from watcher.store.database import open_store  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_store(folder / "midwatch.db", now=NOW) as store:
            fill(store)
            browser = browser_over(store)
            size = get(browser, "/")
            _, overview = p95_ms(lambda: get(browser, "/"))
            chart = max(p95_ms(draw)[1] for draw in charts_of(store).values())
        memory, _ = memory_of("watch", folder)
    return [
        Row(name="page: overview of 50 boxes, p95", value=overview, unit="ms", most=100),
        Row(name="page: slowest chart, p95", value=chart, unit="ms", most=50),
        Row(name="page: weight of the overview", value=size / 1000, unit="kB", most=150),
        Row(name="watch with the page, memory after use", value=memory, unit="MiB", most=64),
    ]


def signs() -> list[Row]:
    """Measure how well signs foretell failures on open data (tests.bench.signs)."""
    if importlib.util.find_spec("pyarrow") is None:
        raise Absent("the open drive statistics are read with pyarrow, which is not installed")
    from tests.bench.sign_data import DATA, FLEET, ST12000  # noqa: PLC0415

    if not (DATA / FLEET).exists():
        raise Absent("the open drive statistics are not beside the repository")
    from tests.bench.signs import LOOK, REPLACE, run  # noqa: PLC0415

    rows: list[Row] = []
    for name, found_least, false_most in ((FLEET, 55, 1.7), (ST12000, 62, 3.0)):
        if not (DATA / name).exists():
            continue
        drives, seconds = run(name)
        dead = [one for one in drives if one.failed_at is not None]
        others = [one for one in drives if one.failed_at is None]
        short = "fleet 2013" if name == FLEET else "ST12000"

        def told(some: list, least: object) -> int:  # type: ignore[type-arg]
            return sum(one.told(least) is not None for one in some)

        found, false = told(dead, LOOK), told(others, LOOK)
        rows += [
            Row(
                name=f"{short}: worth a look, found",
                value=100 * found / len(dead),
                unit="%",
                least=found_least,
            ),
            Row(
                name=f"{short}: worth a look, false",
                value=100 * false / max(len(others), 1),
                unit="%",
                most=false_most,
            ),
        ]
        if name == FLEET:
            hits, wrong = told(dead, REPLACE), told(others, REPLACE)
            rows += [
                Row(
                    name=f"{short}: replace, found",
                    value=100 * hits / len(dead),
                    unit="%",
                    least=22,
                ),
                Row(
                    name=f"{short}: replace, precision",
                    value=100 * hits / max(hits + wrong, 1),
                    unit="%",
                    least=30,
                ),
                Row(name=f"{short}: replay", value=seconds, unit="s", most=40),
            ]
    return rows


def reports() -> list[Row]:
    """Count the saved smartctl reports that are read (tests.bench.smartctl_reports)."""
    from tests.bench.smartctl_reports import DATA, main  # noqa: PLC0415

    if not DATA.exists():
        raise Absent("the open smartctl reports are not beside the repository")
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        main()
    unread = re.search(r"could not be read: ([\d.]+)%", out.getvalue())
    assert unread is not None, out.getvalue()
    return [Row(name="drives with a report that is read", value=100 - float(unread[1]), unit="%")]


def prove() -> list[Row]:
    """Measure a burn-in beside dd on a loop device, as fast as a disk and as fast as it is."""
    if os.geteuid() != 0:
        raise Absent("needs root and a loop device")
    from tests.bench.prove import PROMISE, measure  # noqa: PLC0415

    rows = []
    for disk, kind in ((True, "as a disk"), (False, "unthrottled")):
        with contextlib.redirect_stdout(io.StringIO()):
            found = measure(512, 5, disk=disk)
        rows += [
            Row(
                name=f"burn-in, {word}, by dd, {kind}",
                value=100 * beside.share,
                unit="%",
                least=100 * PROMISE,
            )
            for word, beside in found.items()
        ]
    return rows


PROBES: dict[str, Callable[[], list[Row]]] = {
    "hung": hung,
    "kernel-lines": kernel_lines,
    "plan": plan,
    "pages": pages,
    "signs": signs,
    "reports": reports,
    "prove": prove,
}
