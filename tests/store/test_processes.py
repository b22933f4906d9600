"""Several real processes on one store: no message twice, none lost, whatever is killed when."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.store.made import BOX, NOW, notice
from tests.store.rounds import rounds_done
from watcher.store.database import open_store
from watcher.store.outbox import NoticeState

ROOT = Path(__file__).parents[2]
MESSAGES = 300
ENDURANCE_SECONDS = 60

CLAIMER = """
import sys
from pathlib import Path
from tests.store.made import NOW
from watcher.store.database import open_store

path, name = sys.argv[1:]
with open_store(Path(path), now=NOW, check=False) as store:
    print("ready", flush=True)
    sys.stdin.readline()
    while True:
        with store.transaction() as tx:
            taken = tx.claim_due(NOW, 3, name)
        if not taken:
            break
        for notice in taken:
            print(notice.number, flush=True)
            with store.transaction() as tx:
                assert tx.mark_sent(notice.number, NOW)
"""

WORKER = """
import sys
from pathlib import Path
from tests.store.made import NOW, HOUR
from tests.store.rounds import one_round, rounds_done
from watcher.store.database import open_store

with open_store(Path(sys.argv[1]), now=NOW, check=False) as store:
    number = rounds_done(store)
    while True:
        number += 1
        one_round(store, number)
        print(number, flush=True)
"""

OPENER = """
import sys
from pathlib import Path
from tests.store.made import NOW
from watcher.store.database import open_store

open_store(Path(sys.argv[1]), now=NOW).close()
"""


def start(code: str, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def kill(process: subprocess.Popen[str]) -> str:
    """Kill a process of ours at once and give what it had said."""
    os.kill(process.pid, signal.SIGKILL)
    said, _ = process.communicate(timeout=ENDURANCE_SECONDS)
    return said


def test_two_senders_never_get_the_same_message(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    with open_store(path, now=NOW) as store, store.transaction() as tx:
        tx.put_notices([notice(f"{number}") for number in range(MESSAGES)])
    senders = [start(CLAIMER, str(path), name) for name in ("one", "two", "three")]
    for sender in senders:
        assert sender.stdout is not None
        assert sender.stdout.readline() == "ready\n"
    for sender in senders:
        assert sender.stdin is not None
        sender.stdin.write("go\n")
        sender.stdin.flush()
    said = [sender.communicate(timeout=ENDURANCE_SECONDS)[0].split() for sender in senders]
    assert [sender.returncode for sender in senders] == [0, 0, 0]
    everything = sorted(int(number) for numbers in said for number in numbers)
    assert everything == list(range(1, MESSAGES + 1))
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        states = {n.state for n in tx.list_notices(BOX, limit=2 * MESSAGES)}
    assert states == {NoticeState.SENT}


@pytest.mark.slow
def test_a_kill_at_any_moment_leaves_whole_rounds(tmp_path: Path) -> None:
    """What was confirmed is there; what is there is whole; the next process goes on."""
    path = tmp_path / "m.db"
    open_store(path, now=NOW).close()
    chance = random.Random(20260301)
    done = 0
    moments = 25
    for moment in range(moments):
        worker = start(WORKER, str(path))
        assert worker.stdout is not None
        worker.stdout.readline()
        # From at once to a few rounds later; one round takes some milliseconds.
        time.sleep(chance.random() * 0.08)
        said = kill(worker).split("\n")[:-1]
        confirmed = max([done + 1, *(int(word) for word in said)])
        with open_store(path, now=NOW) as store:
            assert store.rescue is None, f"moment {moment}"
            found = rounds_done(store)
        assert confirmed <= found <= confirmed + 1, f"moment {moment}"
        done = found
    assert done > moments


@pytest.mark.slow
def test_a_kill_while_a_store_is_begun_leaves_none_or_a_whole_one(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    chance = random.Random(1)
    began = time.monotonic()
    start(OPENER, str(path)).communicate(timeout=ENDURANCE_SECONDS)
    whole = time.monotonic() - began
    for _ in range(12):
        path.unlink(missing_ok=True)
        opener = start(OPENER, str(path))
        time.sleep(whole * (0.6 + 0.5 * chance.random()))
        kill(opener)
        with open_store(path, now=NOW) as store:
            assert store.rescue is None
        assert [file.name for file in tmp_path.iterdir()] == ["m.db"]
