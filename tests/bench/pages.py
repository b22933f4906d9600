"""How long pages take and what they weigh: run ``python -m tests.bench.pages``.

The promises: the overview of 50 boxes with 12 drives each below 100 ms and any chart below 50 ms,
both at the 95th percentile on one core, with five years of history; the process that serves the
pages below 64 MiB.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import quantiles
from time import process_time
from zoneinfo import ZoneInfo

from tests.bench.idle import pss_mib
from tests.service.manual_clock import ManualClock
from tests.store.made import pool, reading, survey
from tests.web.browser import Browser
from tests.web.stage import account
from watcher.cases.policy import Person, Policy
from watcher.exposure.window import WindowPlan
from watcher.facts.drive import Metric
from watcher.facts.identity import BoxId, DriveId
from watcher.rules.tuning import UNTUNED
from watcher.service.desk import Standing
from watcher.store.accounts import Role
from watcher.store.database import Store, open_store
from watcher.store.times import DAY, HOUR, MINUTE, to_micros
from watcher.web.charts import COLUMNS, Chart, columns_of, draw_chart, thin
from watcher.web.drive_page import chance_chart
from watcher.web.site import Site, Terms

BOXES, DRIVES, YEARS = 50, 12, 5
NOW = datetime(2026, 3, 8, 12, 0, tzinfo=UTC)
COUNTERS = (
    "reallocated_sectors",
    "pending_sectors",
    "reported_uncorrectable",
    "interface_crc_errors",
    "power_cycles",
)


def fill(store: Store) -> None:
    """Write 50 boxes of 12 drives with five years of history for each drive."""
    for box in range(BOXES):
        drives = tuple(
            reading(
                box * DRIVES + n,
                NOW,
                bay=str(n + 1),
                temperature_celsius=30 + n,
                wait_microseconds=900,
                power_on_hours=20_000 + n,
                **dict.fromkeys(COUNTERS, n),
            )
            for n in range(DRIVES)
        )
        pools = (
            pool(NOW, first_drive=box * DRIVES, width=6, bears=2, name="front"),
            pool(NOW, first_drive=box * DRIVES + 6, width=6, bears=2, lost=box % 2, name="rear"),
        )
        name = BoxId(f"box {box:02}")
        with store.transaction() as tx:
            tx.take_survey(
                replace(survey(f"s{box}", NOW, drives=drives, pools=pools), box=name), NOW
            )
    with store.transaction() as tx:
        now = to_micros(NOW)
        numbers = tx.metric_numbers()
        ids = [row["id"] for row in tx.db.rows("SELECT id FROM drive")]
        for metric in (Metric.TEMPERATURE_CELSIUS, Metric.WAIT_MICROSECONDS):
            for step, width, count in (
                (0, 10 * MINUTE, 14 * 144),
                (1, HOUR, 106 * 24),
                (2, DAY, 1700),
            ):
                begin = {0: 0, 1: 14 * DAY, 2: 120 * DAY}[step]
                rows = [
                    {
                        "d": ids[0],
                        "m": numbers[metric.value],
                        "s": step,
                        "a": now - begin - n * width,
                        "l": 30 + n % 9,
                    }
                    for n in range(1, count)
                ]
                tx.db.change_many(
                    "INSERT OR IGNORE INTO span"
                    " (drive, metric, step, at, last, below, above, readings)"
                    " VALUES (:d, :m, :s, :a, :l, 2, 3, 6)",
                    rows,
                )
        for name in COUNTERS:
            number = numbers[Metric[name.upper()].value]
            rows = [
                {"d": ids[0], "m": number, "a": now - n * 5 * DAY, "v": 400 - n}
                for n in range(1, 365)
            ]
            tx.db.change_many(
                "INSERT OR IGNORE INTO change (drive, metric, at, value) VALUES (:d, :m, :a, :v)",
                rows,
            )
        rows = [{"d": ids[0], "a": now - now % DAY - n * DAY} for n in range(1, 1826)]
        tx.db.change_many(
            "INSERT OR IGNORE INTO poll (drive, day, read_count, asleep_count, failed_count)"
            " VALUES (:d, :a, 144, 0, 0)",
            rows,
        )
        tx.db.change("UPDATE drive SET first_seen = :then", {"then": now - YEARS * 365 * DAY})
        tx.save_account(account("lou", Role.LOOK, NOW))


def browser_over(store: Store) -> Browser:
    """Put pages before the store and sign in."""
    standing = Standing(
        box=BoxId("box 00"),
        policy=Policy(people=(Person(name="ada"),)),
        tuning=UNTUNED,
        targets=(),
        plan=WindowPlan(),
    )
    clock = ManualClock(NOW + timedelta(minutes=1))
    site = Site(store=store, terms=Terms(standing=standing, zone=ZoneInfo("UTC")), now=clock.now)
    browser = Browser(site, host="localhost")
    browser.sign_in("lou")
    return browser


def charts_of(store: Store) -> dict[str, Callable[[], object]]:
    """Give what makes each kind of chart, from the question to the picture."""
    drive, since = DriveId("Altair_A8_X0000"), NOW - timedelta(days=YEARS * 365)

    def draw(metric: Metric) -> None:
        moves = metric is Metric.TEMPERATURE_CELSIUS
        with store.snapshot() as tx:
            if moves:
                columns = columns_of(tx.stretches(drive, metric, since, NOW, most=COLUMNS))
            else:
                points = tx.series(drive, metric, since, NOW)
                values = [(p.at, p.lasts, p.lowest, p.highest, p.last) for p in points]
                columns = thin(values, since, NOW)
        chart = Chart(title="t", since=since, until=NOW, columns=columns, steps=not moves)
        draw_chart(chart, UTC)

    def chance() -> None:
        with store.snapshot() as tx:
            known = tx.drive(drive)
            series = {
                Metric[name.upper()]: tx.series(drive, Metric[name.upper()], since, NOW)
                for name in COUNTERS
            }
        if known is None:
            raise AssertionError(drive)
        made = chance_chart(known, series, (), since, NOW)
        if made is None:
            raise AssertionError("no chart")
        draw_chart(made, UTC)

    return {
        "chart of temperature": lambda: draw(Metric.TEMPERATURE_CELSIUS),
        "chart of a counter": lambda: draw(Metric.PENDING_SECTORS),
        "chart of the chance": chance,
    }


def p95_ms(work: Callable[[], object], times: int = 40) -> tuple[float, float]:
    """Give the median and the 95th percentile in milliseconds of processor time."""
    took = []
    for _ in range(times):
        begin = process_time()
        work()
        took.append((process_time() - begin) * 1000)
    cuts = quantiles(took, n=20)
    return cuts[9], cuts[18]


def get(browser: Browser, path: str) -> int:
    """Get a page; give its size."""
    page = browser.get(path)
    if page.status != 200:
        raise AssertionError(f"{path}: {page.status} {page.text[:200]}")
    return len(page.body)


ALONE = (
    "import sys; sys.modules.update(rich=None, greenlet=None); sys.argv[0] = 'midwatch'; "
    "from watcher.cli.main import main; main()"
)
"""Runs a command as an installation does: rich and greenlet are there only for the tools of the
tests, and structlog loads them where they are."""

USED = ("/", "/?box=box+00", "/drive?drive=Altair_A8_X0000&range=all", "/cases")


def memory_of(command: str, folder: Path) -> tuple[float, float]:
    """Run a command that serves the pages; give its memory in MiB after use, and its peak.

    The first as ``idle`` counts it (PSS); at the peak what is shared counts in full.
    """
    config = folder / "midwatch.yaml"
    config.write_text(
        f"box_name: box 00\nzone: UTC\nstate_directory: {folder}\nweb:\n  enabled: yes\n"
        "  listen_port: 8398\n",
        encoding="utf-8",
    )
    words = [sys.executable, "-c", ALONE, "--config", str(config), command]
    child = subprocess.Popen(words, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    try:
        use("http://127.0.0.1:8398")
        status = Path(f"/proc/{child.pid}/status").read_text(encoding="ascii")
        found = dict(re.findall(r"(VmHWM):\s+(\d+)", status))
        return pss_mib(child.pid), int(found["VmHWM"]) / 1024
    finally:
        child.terminate()
        child.wait(20)


def use(base: str) -> None:
    """Sign in as soon as the pages are there, three times, and go through the heavy ones a lot."""
    for _ in range(300):
        try:
            urllib.request.build_opener().open(f"{base}/sign-in", timeout=20).read()
            break
        except urllib.error.URLError:
            time.sleep(0.1)
    for _ in range(3):
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        text = opener.open(f"{base}/sign-in", timeout=20).read().decode()
        ticket = text.partition('name="ticket" value="')[2].partition('"')[0]
        form = f"ticket={ticket}&name=lou&password=lamp+orchard+seven+kettle".encode()
        opener.open(f"{base}/sign-in", data=form, timeout=20).read()
        for _ in range(20):
            for path in USED:
                opener.open(base + path, timeout=20).read()


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_store(folder / "midwatch.db", now=NOW) as store:
            fill(store)
            browser = browser_over(store)
            begin = process_time()
            size = get(browser, "/")
            took = (process_time() - begin) * 1000
            print(f"{'overview, first time':24} {took:7.1f} ms, {size:,} bytes")
            drive = "Altair_A8_X0000"
            for words, path in (
                ("overview", "/"),
                ("one box in full", "/?box=box+00"),
                ("drive, five years", f"/drive?drive={drive}&range=all"),
                ("drive, a month", f"/drive?drive={drive}"),
                ("drive as CSV", f"/drive.csv?drive={drive}&metric=temperature-celsius"),
            ):
                middle, high = p95_ms(lambda path=path: get(browser, path))  # type: ignore[misc] # the loop's own
                size = get(browser, path)
                print(f"{words:24} {middle:7.1f} ms median, {high:6.1f} ms p95, {size:,} bytes")
            for words, draw in charts_of(store).items():
                middle, high = p95_ms(draw)
                print(f"{words:24} {middle:7.1f} ms median, {high:6.1f} ms p95")
        for command in ("pages", "watch"):
            now, peak = memory_of(command, folder)
            print(f"midwatch {command:15} {now:7.1f} MiB after use, {peak:.1f} MiB at its peak")
        print(f"on {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
