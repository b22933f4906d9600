"""What a hub on PostgreSQL costs: run ``python -m tests.bench.hub_postgres`` (or with ``--help``).

The boxes of ``tests.bench.hub`` (24 drives, 2 pools) hand their surveys to the whole desk of one or
more hub processes on one server, which is started for it on a Unix socket, on disk and with every
commit waited for. Surveys are unpacked, judged and written as by the hub; only the way through HTTP
is left out. Told are surveys a second as they passed, how long one took, how many statements and
waits for the server it took, and the processor time of a survey in the hubs and in the server. The
machine may be busy: two cores of its own give at most 2,000 ms / (both together) a second, and
``--sqlite`` runs the same on SQLite beside it, so that the two can be held against each other.

With ``--rate N`` surveys arrive evenly, N a second in all, and a time counts from when one arrived;
otherwise each hub takes the next as soon as it can.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
from collections.abc import Sequence
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from time import perf_counter, process_time, sleep
from typing import Any

from tests.bench import hub as on_sqlite
from tests.bench.hub import BEGIN, EVERY, Fleet, build
from tests.store.cluster import Cluster, running_cluster
from watcher.hub.server import ease_collector
from watcher.hub.wire import unpack_to_keep
from watcher.store.connection import Db, Question
from watcher.store.database import Standing, Store
from watcher.store.dialect import POSTGRES
from watcher.store.postgres import PostgresConnection, open_server
from watcher.store.prepared import Result

ROOT = Path(__file__).resolve().parents[2]
TICKS = os.sysconf("SC_CLK_TCK")


class Counting(PostgresConnection):
    """A connection that counts its statements, and how often it waits for the server."""

    def __init__(self, url: str) -> None:
        self.statements = self.waits = 0
        super().__init__(url)

    def _run(self, more: Sequence[Question]) -> list[Any]:
        self.statements += len(self._waiting) + len(more)
        self.waits += 1
        return super()._run(more)

    def _say(self, words: str) -> Result:
        self.statements += words.count(";") + 1
        self.waits += 1
        return super()._say(words)


def open_counting(url: str) -> tuple[Store, Counting]:
    """Open a store that was made, over a connection that counts."""
    connection = Counting(url)
    db = Db(connection, connection.where, POSTGRES)
    return Store(db, path=None, standing=Standing(), locks=connection), connection


def work(url: str, first: int, boxes: int, surveys: int, rate: float) -> None:
    """Be one hub process: get ready, wait for the word, take surveys in, tell what it cost."""
    fleet = Fleet(boxes)
    looks = [fleet.pattern.survey(BEGIN + n * EVERY, 144) for n in range(2 + surveys // boxes + 1)]
    bodies = [
        (fleet.token(first + n % boxes), fleet.parcel(first + n % boxes, looks[1 + n // boxes]),
         looks[1 + n // boxes].taken_at)
        for n in range(surveys)
    ]  # fmt: skip
    times = []
    store, connection = open_counting(url)
    with store:
        shop = build(store)
        for number in range(boxes):
            told, sent = unpack_to_keep(fleet.parcel(first + number, looks[0]))
            shop.take(fleet.token(first + number), told, "192.0.2.7", looks[0].taken_at, sent)
        ease_collector()
        print("ready", flush=True)
        sys.stdin.readline()
        connection.statements = connection.waits = 0
        began, spent = perf_counter(), process_time()
        for number, (token, body, at) in enumerate(bodies):
            start = perf_counter()
            if rate:
                due = began + number / rate
                if due > start:
                    sleep(due - start)
                start = due
            told, sent = unpack_to_keep(body)
            shop.take(token, told, "192.0.2.7", at + timedelta(seconds=1), sent)
            times.append(perf_counter() - start)
        passed, spent = perf_counter() - began, process_time() - spent
        found = {"passed": passed, "spent": spent, "times": times}
        found |= {"statements": connection.statements, "waits": connection.waits}
        found |= {"kib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss}
        print(json.dumps(found), flush=True)
        sys.stdin.readline()  # until the server's part was looked at


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


def run(processes: int, boxes: int, surveys: int, rate: float = 0.0) -> dict[str, float]:
    """Measure so many hub processes, each with its share of boxes and surveys."""
    with running_cluster(safe=True) as cluster:
        url = cluster.new_database()
        with closing(open_server(url, now=BEGIN)) as store:
            Fleet(boxes).enrol(build(store))
        share, each = boxes // processes, surveys // processes
        hubs = [
            subprocess.Popen(
                [sys.executable, "-m", "tests.bench.hub_postgres", "--hub", url]
                + [str(n) for n in (index * share, share, each, rate / processes)],
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
    spent = sum(one["spent"] for one in told) / total * 1000
    server = (after - before) / total * 1000
    return {
        "a second": total / max(one["passed"] for one in told),
        "hub ms": spent,
        "server ms": server,
        "2 cores": 2000 / (spent + server),
        "statements": sum(one["statements"] for one in told) / total,
        "waits": sum(one["waits"] for one in told) / total,
        "p50 ms": times[len(times) // 2] * 1000,
        "p99 ms": times[int(len(times) * 0.99)] * 1000,
        "MiB a hub": max(one["kib"] for one in told) / 1024,
    }


def asked() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        description="Measure what a survey costs hubs on a PostgreSQL server of their own.",
    )
    parser.add_argument("--boxes", type=int, default=100, help="boxes in all (100)")
    parser.add_argument("--surveys", type=int, default=1600, help="surveys in all (1600)")
    parser.add_argument(
        "--hubs", type=int, nargs="+", default=[1, 2], help="hub processes, each in turn (1 2)"
    )
    parser.add_argument(
        "--rate", type=float, default=0.0, help="surveys that arrive a second in all (as they can)"
    )
    parser.add_argument("--sqlite", action="store_true", help="run it on SQLite first")
    parser.add_argument("--hub", nargs=5, help=argparse.SUPPRESS)
    return parser.parse_args()


def main() -> None:
    """Print the table."""
    words = asked()
    if words.hub:
        url, first, boxes, surveys, rate = words.hub
        work(url, int(first), int(boxes), int(surveys), float(rate))
        return
    print(f"load {os.getloadavg()[0]:.1f} at the beginning")
    if words.sqlite:
        found = on_sqlite.run(words.boxes, words.surveys)
        print(
            f"on SQLite, one process: {found['cpu_ms']:.2f} ms a survey,"
            f" {1000 / found['passed_ms']:.0f} a second, p99 {found['p99_ms']:.1f} ms"
        )
    for processes in words.hubs:
        found = run(processes, words.boxes, words.surveys, words.rate)
        if processes == words.hubs[0]:
            print(f"{'hubs':>5}" + "".join(f"{name:>11}" for name in found))
        print(
            f"{processes:>5}" + "".join(f"{value:>11.1f}" for value in found.values()), flush=True
        )
    print(f"load {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    main()
