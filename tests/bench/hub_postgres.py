"""What a hub on PostgreSQL costs: run ``python -m tests.bench.hub_postgres [BOXES] [SURVEYS]``.

The boxes of ``tests.bench.hub`` hand their surveys to the whole desk of 1, 2 and 4 hub processes on
one server of its own, on disk and with every commit waited for (about two minutes). Surveys are
unpacked, judged and written as by the hub; only the way through HTTP is left out. Told are surveys
a second as they passed, and the processor time of a survey in the hubs and in the server, for the
machine may be busy: two cores of its own give at most 2,000 ms / (both together) a second.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

from tests.bench.hub import BEGIN, EVERY, Fleet, build
from tests.store.cluster import Cluster, running_cluster
from watcher.hub.wire import unpack
from watcher.store.postgres import open_server

ROOT = Path(__file__).resolve().parents[2]
TICKS = os.sysconf("SC_CLK_TCK")


def work(url: str, first: int, boxes: int, surveys: int) -> None:
    """Be one hub process: get ready, wait for the word, take surveys in, tell what it cost."""
    fleet = Fleet(boxes)
    looks = [fleet.pattern.survey(BEGIN + n * EVERY, 144) for n in range(2 + surveys // boxes + 1)]
    bodies = [
        (fleet.token(first + n % boxes), fleet.parcel(first + n % boxes, looks[1 + n // boxes]),
         looks[1 + n // boxes].taken_at)
        for n in range(surveys)
    ]  # fmt: skip
    times = []
    with open_server(url, now=BEGIN) as store:
        shop = build(store)
        for number in range(boxes):
            told = unpack(fleet.parcel(first + number, looks[0]))
            shop.take(fleet.token(first + number), told, "192.0.2.7", looks[0].taken_at)
        print("ready", flush=True)
        sys.stdin.readline()
        began, spent = perf_counter(), process_time()
        for token, body, at in bodies:
            start = perf_counter()
            shop.take(token, unpack(body), "192.0.2.7", at + timedelta(seconds=1))
            times.append(perf_counter() - start)
        passed, spent = perf_counter() - began, process_time() - spent
    print(json.dumps({"passed": passed, "spent": spent, "times": times}), flush=True)


def server_seconds(cluster: Cluster) -> float:
    """Add up the processor time of all processes of a server, ended ones too."""
    pid = int((cluster.folder / "data" / "postmaster.pid").read_text().split()[0])
    found = 0.0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if pid in {int(fields[1]), int(stat.parts[2])}:
            found += sum(int(n) for n in fields[11:15]) / TICKS
    return found


def run(processes: int, boxes: int, surveys: int) -> dict[str, float]:
    """Measure so many hub processes, each with its share of boxes and surveys."""
    with running_cluster(safe=True) as cluster:
        url = cluster.new_database()
        with closing(open_server(url, now=BEGIN)) as store:
            Fleet(boxes).enrol(build(store))
        share, each = boxes // processes, surveys // processes
        hubs = [
            subprocess.Popen(
                [sys.executable, "-m", "tests.bench.hub_postgres", "--hub", url]
                + [str(n) for n in (index * share, share, each)],
                cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            )
            for index in range(processes)
        ]  # fmt: skip
        for hub in hubs:
            assert hub.stdout is not None
            assert hub.stdout.readline() == "ready\n"
        before = server_seconds(cluster)
        for hub in hubs:
            assert hub.stdin is not None
            hub.stdin.write("go\n")
            hub.stdin.flush()
        told: list[dict[str, Any]] = []
        for hub in hubs:
            assert hub.stdout is not None
            told.append(json.loads(hub.stdout.readline()))
        after = server_seconds(cluster)
        for hub in hubs:
            hub.communicate(timeout=60)
    times = sorted(t for one in told for t in one["times"])
    total = each * processes
    return {
        "a second": total / max(one["passed"] for one in told),
        "hub ms": sum(one["spent"] for one in told) / total * 1000,
        "server ms": (after - before) / total * 1000,
        "p99 ms": times[int(len(times) * 0.99)] * 1000,
    }


def main() -> None:
    """Print the table."""
    if sys.argv[1:2] == ["--hub"]:
        first, boxes, surveys = (int(word) for word in sys.argv[3:6])
        work(sys.argv[2], first, boxes, surveys)
        return
    boxes = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    surveys = int(sys.argv[2]) if len(sys.argv) > 2 else 800
    print(f"{'hubs':>5}{'a second':>10}{'hub ms':>9}{'server ms':>11}{'p99 ms':>9}")
    for processes in (1, 2, 4):
        found = run(processes, boxes, surveys)
        print(
            f"{processes:>5}{found['a second']:>10.0f}{found['hub ms']:>9.2f}"
            f"{found['server ms']:>11.2f}{found['p99 ms']:>9.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
