"""A month of fifty boxes on a bad line: nothing lost, nothing twice, everything in order.

Answers are lost, surveys come again, the hub is stopped and opened anew from its file every few
days. Each box loses one drive on a day of its own and has one kernel event on another.
"""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.hub.stage import CONFIG, NOW, enrol, parcel, standing
from tests.store import made
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.hub.clients import Clients
from watcher.hub.shop import Shop
from watcher.store.database import open_store

BOXES, DAYS, SEED = 50, 30, 20260301


def survey_of(box: int, day: int) -> Survey:
    at = NOW + timedelta(days=day, minutes=box)
    lost = 1 if day >= 5 + box % 20 else 0
    events = (made.event(at, what=f"odd-{box}"),) if day == 3 + box % 17 else ()
    first = 10 * box
    found = made.survey(
        f"{box}-{day}",
        at,
        drives=tuple(made.reading(first + n, at, temperature_celsius=30) for n in range(lost, 2)),
        pools=(made.pool(at, lost=lost, width=2, first_drive=first),),
        events=events,
    )
    return replace(found, answered=("md", "drive-discovery", "kernel-log"))


@pytest.mark.slow
def test_a_month_of_fifty_boxes(tmp_path: Path) -> None:
    chance = random.Random(SEED)
    path = tmp_path / "hub.db"
    store = open_store(path, now=NOW)
    hub = Shop(store, Clients(standing(), CONFIG))
    clients = ("Harbour", "Orchard")
    tokens = [enrol(hub, f"box {n}", clients[n % 2]) for n in range(BOXES)]
    waiting: list[list[int]] = [[] for _ in range(BOXES)]
    for day in range(DAYS):
        if day % 7 == 6:
            store.close()
            store = open_store(path, now=NOW + timedelta(days=day))
            hub = Shop(store, Clients(standing(), CONFIG))
        for box in range(BOXES):
            waiting[box].append(day)
            if day < DAYS - 1 and chance.random() < 0.15:
                continue  # the line is down today
            while waiting[box]:
                body = parcel(survey_of(box, waiting[box][0]), sender=f"run-{box}")
                now = NOW + timedelta(days=day, hours=1, minutes=box)
                hub.take(tokens[box], body, "192.0.2.7", now)
                if chance.random() < 0.2:
                    continue  # the answer was lost: the same again
                waiting[box].pop(0)
    with store.snapshot() as tx:
        taken = tx.db.rows("SELECT box, taken_at FROM survey ORDER BY rowid")
        events = tx.db.rows("SELECT what, count FROM event")
        notices = tx.db.rows("SELECT box, notice_key, target FROM notice")
        boxes = [tx.load_book(BoxId(f"box {n}")) for n in range(BOXES)]
    store.close()
    for box in range(BOXES):
        times = [row["taken_at"] for row in taken if row["box"] == f"box {box}"]
        assert len(times) == DAYS, SEED
        assert times == sorted(times), SEED
    assert {row["what"]: row["count"] for row in events} == {f"odd-{n}": 1 for n in range(BOXES)}
    assert len({tuple(row) for row in notices}) == len(notices)
    assert all(any(case.is_weighty for case in book.open_cases) for book in boxes), SEED
