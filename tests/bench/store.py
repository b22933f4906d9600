"""What the store costs: run ``python -m tests.bench.store`` (about two minutes).

The promises: five years of 24 drives and 2 pools under 50 MiB; a survey taken in and its questions
answered in a few milliseconds, and no slower with five years behind it.

The five years are lived through the same code. Where only an hour or a day is kept of each time,
two surveys make it, not all: the rows are the same, and their number is what counts. Two counters
a day move on each drive (an assumption; most drives are quieter).
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import process_time

from watcher.facts.drive import Attribute, DriveIdentity, DriveReading, Metric, Protocol, Verdict
from watcher.facts.identity import BoxId, DriveId, PoolId, about_drive
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, RedundancySet, Work, WorkKind
from watcher.facts.survey import Survey
from watcher.store.database import Store, open_store
from watcher.store.transaction import Transaction

BOX = BoxId("orchard")
END = datetime(2026, 3, 1, tzinfo=UTC)
DRIVES = 24
COUNTERS = (
    Metric.POWER_CYCLES,
    Metric.UNSAFE_SHUTDOWNS,
    Metric.REALLOCATED_SECTORS,
    Metric.REALLOCATION_EVENTS,
    Metric.PENDING_SECTORS,
    Metric.OFFLINE_UNCORRECTABLE,
    Metric.REPORTED_UNCORRECTABLE,
    Metric.COMMAND_TIMEOUTS,
    Metric.SPIN_RETRIES,
    Metric.INTERFACE_CRC_ERRORS,
    Metric.ERROR_LOG_ENTRIES,
    Metric.HELIUM_PERCENT,
    Metric.TEMPERATURE_HIGHEST_CELSIUS,
)
MOVES_PER_DAY = 2
LOOK_BACK = timedelta(days=45)
ATTRIBUTES = tuple(
    Attribute(
        number=number,
        name=f"Counter_Number_{number}",
        value=100,
        worst=100,
        threshold=10,
        raw=number * 12345,
        raw_text=str(number * 12345),
        prefail=number < 10,
        failing_now=False,
        failed_before=False,
    )
    for number in range(1, 23)
)


class Box:
    """An invented box whose numbers move as those of real ones do."""

    def __init__(self, drives: int = DRIVES) -> None:
        self.chance = random.Random(1)
        self.drives = drives
        self.surveys = 0
        self.counters = [dict.fromkeys(COUNTERS, 0) for _ in range(drives)]

    def survey(self, at: datetime, surveys_per_day: float, *, raw: bool = False) -> Survey:
        """Take the next look."""
        self.surveys += 1
        for counters in self.counters:
            if self.chance.random() < MOVES_PER_DAY / surveys_per_day:
                counters[self.chance.choice(COUNTERS)] += 1
        event = KernelEvent(
            at=at,
            category=Category.LINK,
            what="crc-error",
            device="ata3.00",
            subject=about_drive(self.name(1)),
            line="ata3.00: error: { ICRC ABRT }",
        )
        return Survey(
            survey=f"{BOX}-{self.surveys}",
            box=BOX,
            taken_at=at,
            drives=tuple(self.reading(number, at, raw=raw) for number in range(self.drives)),
            pools=(self.pool(0, at), self.pool(1, at)),
            events=(event,) if self.chance.random() < 5 / surveys_per_day else (),
            answered=("md",),
        )

    def name(self, number: int) -> DriveId:
        """Name a drive."""
        return DriveId(f"wwn-5000c500a000{number:04x}")

    def reading(self, number: int, at: datetime, *, raw: bool) -> DriveReading:
        """Give one drive's answer."""
        hours = int((at - datetime(2020, 1, 1, tzinfo=UTC)) / timedelta(hours=1))
        return DriveReading(
            identity=DriveIdentity(
                drive=self.name(number),
                model="Altair A8",
                serial=f"X{number:04}",
                wwn=f"0x5000c500a000{number:04x}",
                capacity_bytes=8 * 10**12,
                protocol=Protocol.ATA,
            ),
            observed_at=at,
            node=f"/dev/sd{chr(ord('a') + number)}",
            device_type="sat",
            verdict=Verdict.PASSED,
            metrics=(
                (Metric.TEMPERATURE_CELSIUS, 34 + self.chance.randrange(9)),
                (Metric.POWER_ON_HOURS, hours),
                (Metric.LOAD_CYCLES, hours // 3 + number),
                (Metric.BYTES_READ, hours * 31_000_000_000 + number),
                (Metric.BYTES_WRITTEN, hours * 9_000_000_000 + number),
                (Metric.WAIT_MICROSECONDS, self.chance.randrange(2000, 20_000)),
                (Metric.THROUGHPUT_BYTES_PER_SECOND, self.chance.randrange(200_000_000)),
                *self.counters[number].items(),
            ),
            attributes=ATTRIBUTES,
            source="smartctl 7.3",
            raw=f'{{"answer": "{"0123456789abcdef" * 900}"}}' if raw else "",
        )

    def pool(self, number: int, at: datetime) -> Pool:
        """Give one of two pools; it scrubs on the first day of a month."""
        half = self.drives // 2
        members = tuple(
            Member(name=f"sd{n}1", state=MemberState.GOOD, drives=(self.name(n),))
            for n in range(number * half, (number + 1) * half)
        )
        scrubs = at.day == 1
        return judge_pool(
            pool=PoolId(f"md:{number}"),
            name=f"media{number}",
            kind=PoolKind.MD,
            layout="raid6",
            observed_at=at,
            tree=RedundancySet(name="raid6", bears=min(2, half - 1), parts=members),
            work=Work(kind=WorkKind.SCRUB, done_fraction=at.hour / 24) if scrubs else None,
            said="clean",
        )


def moments(days: int) -> Iterator[tuple[datetime, float]]:
    """Give the times of the surveys that make ``days``, and how many a day they are."""
    at = END - timedelta(days=days)
    while at < END:
        age = END - at
        if age > timedelta(days=120):
            step = timedelta(hours=12)
        elif age > timedelta(days=14):
            step = timedelta(minutes=30)
        else:
            step = timedelta(minutes=10)
        yield at, timedelta(days=1) / step
        at += step


def live(store: Store, box: Box, days: int) -> None:
    """Live through a time, with the daily upkeep."""
    day = None
    for at, per_day in moments(days):
        with store.transaction() as tx:
            tx.take_survey(box.survey(at, per_day), at)
            if day != at.date() and at.day % 5 == 0:
                tx.roll_up(at)
        day = at.date()


def round_of_questions(tx: Transaction, now: datetime) -> None:
    """Ask what the desk asks for each survey."""
    tx.drive_pasts(BOX, now - LOOK_BACK, now)
    tx.pool_pasts(BOX)
    tx.recent_events(BOX, now - timedelta(days=1))


def median_ms(what: Callable[[int], None], times: int = 41) -> float:
    """Give the median processor time of several runs, in milliseconds."""
    taken = []
    for number in range(times):
        begin = process_time()
        what(number)
        taken.append((process_time() - begin) * 1000)
    return sorted(taken)[times // 2]


def measure(store: Store, box: Box, *, raw: bool = False) -> tuple[float, float]:
    """Give the milliseconds of taking a survey in, and of the questions after it."""
    surveys = [
        box.survey(END + timedelta(minutes=10 * (box.surveys + n)), 144, raw=raw) for n in range(41)
    ]

    def take(number: int) -> None:
        with store.transaction() as tx:
            tx.take_survey(surveys[number], surveys[number].taken_at)

    def ask(number: int) -> None:
        with store.snapshot() as tx:
            round_of_questions(tx, surveys[-1].taken_at + number * timedelta(seconds=1))

    return median_ms(take), median_ms(ask)


def sizes(store: Store) -> list[tuple[str, float]]:
    """Give the MiB of each table with its indexes, largest first; empty when SQLite cannot say."""
    with store.snapshot() as tx:
        try:
            rows = tx.db.rows(
                "SELECT m.tbl_name AS name, sum(d.pgsize) AS size FROM dbstat AS d "
                "JOIN sqlite_master AS m ON m.name = d.name GROUP BY m.tbl_name ORDER BY 2 DESC"
            )
        except Exception:  # noqa: BLE001 - a bench says what it can
            return []
    return [(row["name"], row["size"] / 2**20) for row in rows]


def main() -> None:
    """Print the table."""
    years = float(sys.argv[1]) if len(sys.argv) > 1 else 5
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "m.db"
        with open_store(path, now=END) as store:
            box = Box()
            fresh = measure(store, box)
        path.unlink()
        with open_store(path, now=END) as store:
            box = Box()
            live(store, box, int(years * 365))
            old = measure(store, box)
            with_raw = measure(store, box, raw=True)
            print(f"take a survey in, new store       {fresh[0]:8.2f} ms")
            print(f"take a survey in, {years:g} years         {old[0]:8.2f} ms")
            print(f"the same with raw answers         {with_raw[0]:8.2f} ms")
            print(f"questions of a round, new store   {fresh[1]:8.2f} ms")
            print(f"questions of a round, {years:g} years     {old[1]:8.2f} ms")

            def daily(number: int) -> None:
                with store.transaction() as tx:
                    tx.roll_up(END + timedelta(days=number))

            def chart(_number: int) -> None:
                with store.snapshot() as tx:
                    tx.series(box.name(3), Metric.TEMPERATURE_CELSIUS, END - 1830 * DAY, END)

            print(f"chart of one series, all years    {median_ms(chart, 5):8.2f} ms")
            print(f"daily upkeep                      {median_ms(daily, 5):8.2f} ms")
        whole = path.stat().st_size / 2**20
        print(f"size of {DRIVES} drives, {years:g} years         {whole:8.2f} MiB")
        begin = process_time()
        with open_store(path, now=END) as store:
            print(f"open and examine                  {(process_time() - begin) * 1000:8.2f} ms")
            for name, size in sizes(store)[:8]:
                print(f"    {name:30}{size:8.2f} MiB")


DAY = timedelta(days=1)

if __name__ == "__main__":
    main()
