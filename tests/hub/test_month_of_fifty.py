"""Fifty boxes and a hub, each a real process, for a simulated month with kills and cuts in between.

No event is lost, no message comes twice but under its own message id, the order is kept. Run by
hand (``python -m pytest -m lab tests/hub/test_month_of_fifty.py -s``): a month takes some minutes,
and ``MIDWATCH_MONTH_SECONDS`` says after how many it ends where it is; it prints how much simulated
time that was. ``KILL_SEED`` gives another course of things.
"""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import pytest

from tests.hub.bad_line import BadLine
from tests.hub.month_world import BOXES, EVERY, LOSES_FROM, Board, loses, moment, name_of
from tests.lab.receivers import Hook, free_port, wait_until, web_server
from watcher.hub import credentials
from watcher.hub.credentials import Credentials
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.wire import Joining
from watcher.service.message_id import message_id_of
from watcher.store.database import open_store
from watcher.store.times import to_micros

ROOT = Path(__file__).resolve().parents[2]
SEED = int(os.environ.get("KILL_SEED", "20260301"))
SECONDS = float(os.environ.get("MIDWATCH_MONTH_SECONDS", "480"))
ROUNDS = timedelta(days=30) // EVERY
PATIENCE_SECONDS = 180.0

ON_BAD_LINE = range(40, BOXES)
"""These boxes reach the hub over a line that cuts, delays and loses answers."""

BOX_KILLS_EVERY, HUB_KILLS_EVERY, CUTS_EVERY, CUT_FOR = 6, 40, 25, 5
"""In rounds: three boxes are killed, the hub is killed, the bad line is dark for some rounds."""


class Dark(BadLine):
    """A bad line that can be cut altogether."""

    dark = False

    def _serve(self, box: object) -> None:
        if self.dark:
            box.close()  # type: ignore[attr-defined]
            return
        super()._serve(box)  # type: ignore[arg-type]


@dataclass
class World:
    """All that runs."""

    folder: Path
    board: Board
    hub_port: int
    nursery: subprocess.Popen[str]
    hub: subprocess.Popen[str] | None = None
    pids: dict[int, int] = field(default_factory=dict)
    kills: Counter[str] = field(default_factory=Counter)

    def start_hub(self) -> None:
        log = (self.folder / "hub.log").open("a")
        with log:
            self.hub = subprocess.Popen(
                [sys.executable, "-m", "tests.hub.month_world", str(self.folder), "hub",
                 "--config", str(self.folder / "hub.yaml"), "hub"],
                cwd=ROOT, stdout=subprocess.PIPE, stderr=log, text=True, start_new_session=True,
            )  # fmt: skip
        assert self.hub.stdout is not None
        line = self.hub.stdout.readline()
        assert "takes surveys in" in line, (self.folder / "hub.log").read_text()[-2000:]

    def kill_hub(self) -> None:
        """Kill the hub with signal 9; its helper and its delivery end by themselves."""
        assert self.hub is not None
        self.hub.kill()
        self.hub.wait(30)
        assert self.hub.stdout is not None
        self.hub.stdout.close()
        self.kills["hub"] += 1

    def start_box(self, place: int) -> None:
        assert self.nursery.stdin is not None
        assert self.nursery.stdout is not None
        self.nursery.stdin.write(f"{place}\n")
        self.nursery.stdin.flush()
        told = self.nursery.stdout.readline().split()
        assert int(told[0]) == place
        self.pids[place] = int(told[1])

    def kill_box(self, place: int) -> None:
        os.kill(self.pids[place], signal.SIGKILL)
        self.kills["box"] += 1


def prepare(folder: Path, hub_port: int, bad_port: int, hook: int) -> None:
    """Enrol the boxes of five clients, and write everybody's settings."""
    now = moment(0)
    clients = [f"Client {n}" for n in range(5)]
    with open_store(folder / "midwatch.db", now=now) as store, store.transaction() as tx:
        for place in range(BOXES):
            token = f"token-of-box-{place:02}-0123456789"
            name = name_of(place)
            code = invite(tx, clients[place % 5], name, now)
            join(tx, Joining(code=code, box=name, token_hash=hash_of(token)), now)
            own = folder / f"box-{place}"
            own.mkdir()
            port = bad_port if place in ON_BAD_LINE else hub_port
            url = f"http://127.0.0.1:{port}"
            credentials.save(own, Credentials(url=url, box=name, token=token))
    (folder / "hub.yaml").write_text(
        f"box_name: workshop\nstate_directory: {folder}\n"
        f"shop:\n  processes: 2\n  listen_port: {hub_port}\n"
        "people:\n  - name: sam\n    targets:\n      - name: hook\n"
        f"        url: json://127.0.0.1:{hook}/\n"
    )


@contextmanager
def world(folder: Path, bad: Dark, hub_port: int) -> Iterator[World]:
    board = Board(folder / "board")
    nursery = subprocess.Popen(
        [sys.executable, "-m", "tests.hub.month_world", str(folder)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    made = World(folder=folder, board=board, hub_port=hub_port, nursery=nursery)
    try:
        yield made
    finally:
        bad.dark = False
        for pid in made.pids.values():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        if made.hub is not None and made.hub.poll() is None:
            made.hub.terminate()
            made.hub.wait(60)
            assert made.hub.stdout is not None
            made.hub.stdout.close()
        assert nursery.stdin is not None
        nursery.stdin.close()
        nursery.wait(30)
        assert nursery.stdout is not None
        nursery.stdout.close()


def pass_round(here: World, number: int, exempt: set[int]) -> None:
    """Let it be the next round, and wait until all that can have handed theirs over."""
    here.board.turn = number
    waited = wait_until(
        lambda: all(here.board.done(p) >= number for p in range(BOXES) if p not in exempt),
        PATIENCE_SECONDS,
    )
    late = [p for p in range(BOXES) if here.board.done(p) < number and p not in exempt]
    assert waited, f"seed {SEED}, round {number}: boxes {late} do not come through"


def kill_in_the_middle(here: World, number: int, done: int) -> None:
    """Let a round begin, and kill the hub when so many boxes have handed theirs over."""
    here.board.turn = number
    wait_until(lambda: sum(here.board.done(p) >= number for p in range(BOXES)) >= done, 20)
    here.kill_hub()


def live(here: World, bad: Dark) -> int:
    """Let the month pass with its kills and cuts; give how many rounds it came to."""
    chance, ends = random.Random(SEED), time.monotonic() + SECONDS
    dark_until = 0
    number = 0
    while number < ROUNDS and time.monotonic() < ends:
        number += 1
        bad.dark = number < dark_until
        exempt = set(ON_BAD_LINE) if bad.dark else set()
        victims = chance.sample(range(BOXES), 3) if number % BOX_KILLS_EVERY == 0 else []
        if number % CUTS_EVERY == 0:
            dark_until = number + CUT_FOR
        if number % HUB_KILLS_EVERY == 0:
            kill_in_the_middle(here, number, chance.randrange(5, 45))
            here.board.turn = number + 1
            number += 1
            here.start_hub()
        for place in victims:
            here.board.turn = number
            here.kill_box(place)
        pass_round(here, number, exempt | set(victims))
        for place in victims:
            here.start_box(place)
    bad.dark = False
    return number


def check_surveys(folder: Path, rounds: int) -> int:
    """Every survey and every event of each box is at the hub, once and in order."""
    with open_store(folder / "midwatch.db", now=moment(rounds)) as store, store.snapshot() as tx:
        taken = tx.db.rows("SELECT box, taken_at FROM survey ORDER BY rowid")
        events = tx.db.rows("SELECT box, what, count FROM event")
    at_hub: dict[str, list[int]] = defaultdict(list)
    for row in taken:
        at_hub[row["box"]].append(row["taken_at"])
    told = Counter[tuple[str, str]]()
    for row in events:
        told[row["box"], row["what"]] += row["count"]
    made = Counter[tuple[str, str]]()
    for place in range(BOXES):
        name = name_of(place)
        with (
            open_store(folder / f"box-{place}" / "box.db", now=moment(rounds)) as store,
            store.snapshot() as tx,
        ):
            own = tx.db.rows("SELECT taken_at FROM survey ORDER BY rowid")
            for row in tx.db.rows("SELECT what, count FROM event"):
                made[name, row["what"]] += row["count"]
        times = [row["taken_at"] for row in own]
        kept = at_hub[name]
        assert kept == sorted(set(kept)), f"{name}: out of order"
        assert kept == times[len(times) - len(kept) :], f"{name}: not what it saw"
        assert len(kept) >= min(len(times), 300), "surveys are kept for 30 days"
    assert told == made, f"seed {SEED}: {list((made - told).items())[:5]} are lost"
    return sum(made.values())


def check_messages(folder: Path, rounds: int, hook: Hook, kills: int) -> tuple[int, int]:
    """Every message of the outbox arrived; twice only under one id, and only where one was killed.

    Gives how many arrived, and how many of them again.
    """
    with open_store(folder / "midwatch.db", now=moment(rounds)) as store, store.snapshot() as tx:
        notices = tx.db.rows("SELECT * FROM notice ORDER BY id")
        troubled = {
            row["box"] for row in tx.db.rows("SELECT DISTINCT box FROM record WHERE what='opened'")
        }
    ids = [headers["X-Midwatch-Message"] for headers, _ in hook.posts]
    texts: dict[str, set[str]] = defaultdict(set)
    for headers, post in hook.posts:
        texts[headers["X-Midwatch-Message"]].add(post["title"] + post["message"])
    assert {len(found) for found in texts.values()} == {1}, "one id, one text"
    known = {message_id_of(row["notice_key"], row["target"]): row for row in notices}
    last = to_micros(moment(rounds))
    assert all(row["created_at"] <= last for row in notices), "the hub lived by the shared clock"
    assert len(known) == len(notices), "no decision made twice"
    assert set(ids) <= set(known)
    sent = {key for key, row in known.items() if row["state"] == "sent"}
    assert sent <= set(ids), "what counts as sent arrived"
    assert {row["state"] for row in notices} <= {"sent", "dropped"}
    again = len(ids) - len(set(ids))
    assert again <= kills, f"{again} came again, at {kills} kills of the hub"
    for place in range(BOXES):
        if loses(place).start < rounds:
            assert name_of(place) in troubled
    first: dict[str, int] = {}
    for arrived, key in enumerate(ids):
        first.setdefault(key, arrived)
    by_box: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for key, row in known.items():
        if key in first:
            by_box[row["box"]].append((row["id"], first[key]))
    for name, pairs in by_box.items():
        order = [arrived for _, arrived in sorted(pairs)]
        assert order == sorted(order), f"{name}: its messages came in another order"
    return len(ids), again


@pytest.mark.lab
def test_fifty_boxes_for_a_month_lose_nothing_double_nothing_and_keep_the_order(
    tmp_path: Path,
) -> None:
    print(f"KILL_SEED={SEED}")
    hook, hub_port = Hook(), free_port()
    began = time.monotonic()
    with web_server(hook) as hook_port, Dark(hub_port, SEED, cuts=0.15, delay=0.005) as bad:
        prepare(tmp_path, hub_port, bad.port, hook_port)
        with world(tmp_path, bad, hub_port) as here:
            here.start_hub()
            for place in range(BOXES):
                here.start_box(place)
            rounds = live(here, bad)
            bad.mend()
            pass_round(here, rounds, set())
            here.board.ends = True
            assert wait_until(lambda: all(gone(pid) for pid in here.pids.values()), 60)
            assert wait_until(lambda: not waiting(tmp_path), PATIENCE_SECONDS), waiting(tmp_path)
    spent = time.monotonic() - began
    events = check_surveys(tmp_path, rounds)
    arrived, again = check_messages(tmp_path, rounds, hook, here.kills["hub"])
    days = rounds * EVERY / timedelta(days=1)
    print(
        f"{BOXES} boxes, {rounds} rounds = {days:.1f} simulated days in {spent:.0f} s; "
        f"{events} events, {arrived} messages ({again} again under their own id), "
        f"killed {dict(here.kills)}, the bad line cut {bad.cut} times"
    )
    assert rounds > LOSES_FROM
    assert bad.cut
    assert here.kills["box"]


def gone(pid: int) -> bool:
    with suppress(ProcessLookupError):
        os.kill(pid, 0)
        return False
    return True


def waiting(folder: Path) -> list[dict[str, object]]:
    """Give what is known of the messages that have not left."""
    path = folder / "midwatch.db"
    with open_store(path, now=moment(0), check=False) as store, store.snapshot() as tx:
        rows = tx.db.rows("SELECT * FROM notice WHERE state IN ('waiting', 'sending')")
        return [dict(row) for row in rows]


def test_each_box_has_a_name_and_a_trouble_of_its_own() -> None:
    names = {name_of(place) for place in range(BOXES)}
    assert len(names) == BOXES
    assert all(re.fullmatch(r"box \d\d", name) for name in names)
    assert loses(0).start == LOSES_FROM
    assert len({loses(place).start for place in range(BOXES)}) == BOXES
