"""What a hub costs: run ``python -m tests.bench.hub [BOXES] [SURVEYS]`` (about a minute).

With ``--door`` a real hub is measured instead, through its door: see ``tests.bench.hub_door``.

Generated boxes of 24 drives and 2 pools hand their surveys to the whole desk of a hub: unpacking,
strict reading, who sends, history, rules, cases, outbox, one transaction each, on SQLite on disk.

Told in processor time of one process, beside the time that passed, for the machine may be busy;
and then even processor time grows. So each survey is paired with a fixed piece of work (the
yardstick), and ``at rest`` is what the survey would cost at the yardstick's best pace. ``held`` is
the part during which the store is taken for writing where several processes judge ahead
(``shop.processes``): with two cores at rest a hub takes in the lesser of two surveys in the time
of ``ahead``, and one in the time of ``held``.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import pstats
import resource
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time, thread_time

from tests.bench.store import Box
from watcher.cases.policy import Person, Policy
from watcher.exposure.window import WindowPlan
from watcher.facts.drive import DriveReading, Metric, SelfTest
from watcher.facts.identity import BoxId, DriveId
from watcher.facts.survey import Survey
from watcher.hub.clients import Clients
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.server import ease_collector
from watcher.hub.shop import Arrived, Came, Shop
from watcher.hub.strangers import rename_drives
from watcher.hub.wire import Joining, Parcel, pack, unpack_to_keep
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.rules.tuning import Tuning
from watcher.service.desk import Standing
from watcher.service.settings_hub import ClientSettings, ShopSettings
from watcher.service.settings_shape import Config
from watcher.store.database import Store, open_store

MOST_TWICE = 1000
"""Beyond so many boxes the bench runs once only: making them takes minutes."""

BEGIN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
EVERY = timedelta(minutes=10)


class Fleet:
    """Boxes that are alike, but for their names and their drives."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.pattern = Box()
        for counters in self.pattern.counters:
            counters[Metric.HELIUM_PERCENT] = 100

    def token(self, number: int) -> str:
        return f"token-of-box-number-{number:08}"

    def enrol(self, shop: Shop, now: datetime = BEGIN) -> None:
        with shop.store.transaction() as tx:
            for number in range(self.count):
                code = invite(tx, f"Client {number % 500}", f"box {number}", now)
                asked = Joining(
                    code=code, box=f"box {number}", token_hash=hash_of(self.token(number))
                )
                join(tx, asked, now)

    def parcel(self, number: int, survey: Survey) -> bytes:
        """Give a survey as one box would send it."""
        names = {
            r.identity.drive: DriveId(f"{r.identity.drive}{number:08x}") for r in survey.drives
        }
        own = rename_drives(survey, names)
        own = replace(own, drives=tuple(tested(r) for r in own.drives))
        own = replace(own, survey=f"{number}/{survey.survey}", box=BoxId(f"box {number}"))
        return pack(Parcel(sender=f"run-{number}", every_seconds=600, survey=own))


def tested(reading: DriveReading) -> DriveReading:
    """Give a drive that passed an extended self-test lately, as one that is looked after has."""
    hours = reading.metric(Metric.POWER_ON_HOURS) or 0
    test = SelfTest(
        kind="Extended offline",
        passed=True,
        found_damage=False,
        power_on_hours=hours - 100,
        first_bad_lba=None,
    )
    return replace(reading, self_tests=(test,))


def build(store: Store) -> Shop:
    """Build a hub over a store."""
    target = Target(name="mail", person="ann", url=Secret("json://127.0.0.1/"))
    base = Standing(
        box=BoxId("hub"),
        policy=Policy(people=(Person(name="ann"),)),
        tuning=Tuning(),
        targets=(target,),
        plan=WindowPlan(zone=UTC),
    )
    clients = tuple(ClientSettings(name=f"Client {n}") for n in range(500))
    return Shop(store, Clients(base, Config(shop=ShopSettings(clients=clients))))


class Held(Shop):
    """A shop that notes the processor time of what it does with the store taken for writing."""

    held = 0.0

    def _take_once(self, token: str, came: Arrived) -> Came:
        begin = thread_time()
        try:
            return super()._take_once(token, came)
        finally:
            self.held += thread_time() - begin


def yardstick() -> float:
    """Give the processor time of a fixed piece of work like ours: JSON, dictionaries, sorting."""
    begin = thread_time()
    for _ in range(4):
        found = json.loads(json.dumps(_PIECE))
        ordered = sorted(found, key=lambda one: one["c"])
        named = {one["c"]: one for one in ordered}
        if [name + one["c"] for name, one in named.items()] == []:
            raise AssertionError
    return thread_time() - begin


_PIECE = [{"a": number, "b": [number] * 5, "c": str(number)} for number in range(60)]


def run(
    boxes: int, surveys: int, *, profile: bool = False, ahead: bool = False
) -> dict[str, float]:
    """Let ``boxes`` boxes report once, and measure ``surveys`` surveys after that."""
    fleet = Fleet(boxes)
    looks = [fleet.pattern.survey(BEGIN + n * EVERY, 144) for n in range(2 + surveys // boxes + 1)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hub.db"
        with open_store(path, now=BEGIN) as store:
            shop = Held(store, build(store).clients, ahead=ahead)
            fleet.enrol(shop)
            warm = looks[0]
            for number in range(boxes):
                told, sent = unpack_to_keep(fleet.parcel(number, warm))
                shop.take(fleet.token(number), told, "192.0.2.7", warm.taken_at, sent)
            size = path.stat().st_size
            shop.held = 0.0
            ease_collector()
            best = min(yardstick() for _ in range(200))
            begin_cpu = begin = spent = passed = measured = 0.0
            times = []
            watcher = cProfile.Profile()
            for n in range(surveys):
                number = n % boxes
                look = looks[1 + n // boxes]
                body = fleet.parcel(number, look)
                measured += yardstick()
                begin_cpu, begin = process_time(), perf_counter()
                if profile:
                    watcher.enable()
                told, sent = unpack_to_keep(body)
                shop.take(fleet.token(number), told, "192.0.2.7", look.taken_at, sent)
                watcher.disable()
                spent += process_time() - begin_cpu
                times.append(perf_counter() - begin)
                passed += times[-1]
            if profile:
                pstats.Stats(watcher).sort_stats("tottime").print_stats(40)
            grown = path.stat().st_size - size
    times.sort()
    return {
        "cpu_ms": spent / surveys * 1000,
        "rest_ms": spent / measured * best * 1000,
        "held_ms": shop.held / measured * best * 1000,
        "passed_ms": passed / surveys * 1000,
        "p99_ms": times[int(len(times) * 0.99)] * 1000,
        "grown_kib": grown / surveys / 1024,
        "rss_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def words() -> argparse.Namespace:
    """Read the command line."""
    ask = argparse.ArgumentParser(
        prog="python -m tests.bench.hub",
        description="What a survey of 24 drives and 2 pools costs a hub.",
    )
    ask.add_argument("boxes", nargs="?", type=int, help="how many boxes (10, 100 and 1000)")
    ask.add_argument("surveys", nargs="?", type=int, help="how many surveys (600; door: 3000)")
    ask.add_argument("--profile", action="store_true", help="print where the time goes")
    door = ask.add_argument_group("a real hub, measured through its door")
    door.add_argument("--door", action="store_true", help="run midwatch hub and send to it")
    door.add_argument("--processes", type=int, default=2, help="shop.processes of the hub (2)")
    door.add_argument("--tls", action="store_true", help="HTTPS, with an ECDSA key")
    door.add_argument("--rsa", action="store_true", help="with an RSA key of 2048 bits instead")
    door.add_argument("--fresh", action="store_true", help="a new connection for each survey")
    door.add_argument("--rate", type=float, help="surveys a second (default: as many as it takes)")
    door.add_argument("--ways", action="store_true", help="http and https, kept and fresh in turn")
    return ask.parse_args()


def at_the_door(asked: argparse.Namespace) -> None:
    """Measure a real hub, one way or all of them."""
    from tests.bench import hub_door  # noqa: PLC0415 - which imports this

    plan = hub_door.Plan(
        boxes=asked.boxes or 100,
        surveys=asked.surveys or 3000,
        processes=asked.processes,
        tls=asked.tls or asked.rsa,
        rsa=asked.rsa,
        fresh=asked.fresh,
        rate=asked.rate,
    )
    plans = [plan]
    if asked.ways:
        plans = [
            replace(plan, tls=tls, rsa=rsa, fresh=fresh)
            for tls, rsa in ((False, False), (True, False), (True, True))
            for fresh in (False, True)
        ]
    for one in plans:
        print(hub_door.table(one, hub_door.run(one)), flush=True)


def main() -> None:
    """Print the table."""
    asked = words()
    if asked.door or asked.ways:
        at_the_door(asked)
        return
    surveys = asked.surveys or 600
    sizes = [asked.boxes] if asked.boxes else [10, 100, 1000]
    print(
        f"{'boxes':>7}{'cpu ms':>9}{'at rest':>9}{'ahead':>8}{'held':>7}{'2 cores':>9}"
        f"{'passed ms':>11}{'p99 ms':>8}{'MiB':>7}"
    )
    for boxes in sizes:
        found = run(boxes, surveys, profile=asked.profile)
        two = run(boxes, surveys, ahead=True) if boxes <= MOST_TWICE else found
        both = min(2 / two["rest_ms"], 1 / two["held_ms"]) * 1000
        print(
            f"{boxes:>7}{found['cpu_ms']:>9.2f}{found['rest_ms']:>9.2f}{two['rest_ms']:>8.2f}"
            f"{two['held_ms']:>7.2f}{both:>9.0f}"
            f"{found['passed_ms']:>11.2f}{found['p99_ms']:>8.1f}{found['rss_mib']:>7.0f}"
        )


if __name__ == "__main__":
    main()
