"""Kill -9 of the whole watch at random moments while drives come and go: every loss is told.

The daemon, its delivery and its sender are the real processes, the mail server is real; only
``smartctl`` is one of ours, first on the PATH, that lists invented drives. ``KILL_ROUNDS`` kills
(25 when not given) at moments drawn from ``KILL_SEED``. So many losses in so short a time are a
flood: what is beyond ten messages in ten minutes stands in line, in the book, and counts as safe;
with ``KILL_WAIT`` of 660 seconds and more it must have been sent.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import threading
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.lab.daemon import ROOT, Daemon
from tests.lab.receivers import Mailbox, free_port, mail_server, wait_until
from watcher.facts.identity import BoxId
from watcher.service.bootstrap import STORE_NAME
from watcher.service.message_id import message_id_of
from watcher.store.database import open_store
from watcher.store.outbox import Notice, NoticeState

SEED = int(os.environ.get("KILL_SEED", "20260302"))
ROUNDS = int(os.environ.get("KILL_ROUNDS", "25"))
WAIT = float(os.environ.get("KILL_WAIT", "30"))
FLOOD_IS_OVER = 660.0
BOX = BoxId("attic")

SMARTCTL = """#!{python}
import json, sys
sys.path.insert(0, {root!r})
from datetime import UTC, datetime
from watcher.demo.box import SimBox
from watcher.demo.drives import SimDrive
box = SimBox(name="attic", now=datetime(2026, 3, 2, tzinfo=UTC))
for letter, serial in json.load(open({drives!r})):
    box.drives[letter] = SimDrive(letter=letter, bay="", model="Altair A8", serial=serial,
        wwn=0x5000A14000000000 + int(serial[1:]), capacity_bytes=8_001_563_222_016, hours=9000)
ran = box.run(["smartctl", *sys.argv[1:]])
sys.stdout.write(ran.stdout)
sys.exit(ran.status)
"""

SETTINGS = """
box_name: attic
state_directory: {state}
cases:
  settle_minutes: 0
  gather_seconds: 0
kernel_log:
  source: none
digest:
  weekdays: []
people:
  - name: ada
    targets:
      - name: mail
        url: "mailto://127.0.0.1:{port}/?from=watch@attic.example&to=ada@attic.example&mode=insecure"
"""


class Place:
    """A box of invented drives, and the settings that watch it."""

    def __init__(self, folder: Path, port: int) -> None:
        self.state = folder / "state"
        self.config = folder / "midwatch.yaml"
        self.config.write_text(SETTINGS.format(state=self.state, port=port), encoding="utf-8")
        self._list = folder / "drives.json"
        tools = folder / "bin"
        tools.mkdir()
        smartctl = tools / "smartctl"
        smartctl.write_text(
            SMARTCTL.format(python=sys.executable, root=str(ROOT), drives=str(self._list)),
            encoding="utf-8",
        )
        smartctl.chmod(0o755)
        self.environ = {"PATH": f"{tools}:{os.environ['PATH']}"}
        self.here: list[str] = []
        self.show()

    def show(self) -> None:
        """Let smartctl list what is here now, at nodes that no real drive has."""
        fresh = self._list.with_suffix(".new")
        rows = [(f"z{chr(97 + place)}", serial) for place, serial in enumerate(self.here)]
        fresh.write_text(json.dumps(rows), encoding="utf-8")
        fresh.replace(self._list)

    def outbox(self) -> tuple[Notice, ...]:
        if not (self.state / STORE_NAME).exists():
            return ()
        with (
            open_store(self.state / STORE_NAME, now=datetime.now(UTC), check=False) as store,
            store.snapshot() as tx,
        ):
            return tx.list_notices(BOX, limit=100_000)

    def known(self) -> set[str]:
        """The serial numbers that the watch has seen: only these can be missed."""
        with (
            open_store(self.state / STORE_NAME, now=datetime.now(UTC), check=False) as store,
            store.snapshot() as tx,
        ):
            return {drive.identity.serial for drive in tx.drives(BOX)}


@pytest.mark.lab  # needs a machine of its own: under load too little happens to judge
@pytest.mark.skipif(shutil.which("lsblk") is None, reason="lsblk is not installed")
def test_no_kill_of_the_watch_loses_or_doubles_a_message(tmp_path: Path) -> None:
    """Whatever was decided arrives, once for each key; every drive that left is told of."""
    chance = random.Random(SEED)
    print(f"KILL_SEED={SEED} KILL_ROUNDS={ROUNDS}")
    box, port, pause = Mailbox(), free_port(), threading.Event()
    place = Place(tmp_path, port)
    left: list[str] = []
    with mail_server(box, port):
        place.here = [f"S{number:05}" for number in range(90_000, 90_006)]
        place.show()
        for number in range(ROUNDS):
            daemon = Daemon(place.config, environ=place.environ)
            if chance.random() < 0.25:  # in the middle of beginning
                pause.wait(chance.uniform(0.2, 2.5))
            else:
                assert wait_until(lambda d=daemon: "Watching." in d.text, 60), daemon.text  # type: ignore[misc]
                gone = place.here.pop(chance.randrange(len(place.here)))
                left.append(gone)
                place.here.append(f"S{number:05}")
                place.show()
                daemon.look()
                pause.wait(chance.uniform(0.0, 1.2))
            daemon.kill()
        last = Daemon(place.config, environ=place.environ)
        try:
            assert wait_until(lambda: "Watching." in last.text, 60), last.text
            left = [serial for serial in left if serial in place.known()]
            wait_until(lambda: _all_sent(place) and not _untold(place, left, in_line=False), WAIT)
            told = wait_until(
                lambda: _all_sent(place) and not _untold(place, left, in_line=WAIT < FLOOD_IS_OVER),
                30,
            )
        finally:
            last.stop()
    rows = place.outbox()
    wanted = {message_id_of(n.key, n.target) for n in rows if n.target == "ada/mail"}
    counts = Counter(box.ids)
    doubled = {key: count for key, count in counts.items() if count > 1}
    print(
        f"{ROUNDS} kills, {len(left)} drives left, {len(rows)} messages decided, "
        f"{len(box.ids)} arrived, doubled {doubled}"
    )
    assert told, (
        f"not told of {_untold(place, left, in_line=False)}; "
        f"outbox {[(n.key, n.state) for n in rows]}"
    )
    assert wanted <= set(counts), "a message was lost"
    assert set(counts) <= wanted, "a message came from nowhere"
    # The delivery that a kill leaves behind finishes what it holds; only where the confirmation
    # was cut off may a message come again, and then under the same id.
    assert len(doubled) <= ROUNDS / 10
    assert len(left) >= ROUNDS / 4, "too little happened to prove anything"


def _all_sent(place: Place) -> bool:
    return all(n.state is NoticeState.SENT for n in place.outbox())


def _untold(place: Place, left: list[str], *, in_line: bool) -> list[str]:
    """Give the drives that left and of which nobody was sent anything (or is to be: ``in_line``).

    Many at once are counted in one message, not named: so the cases tell, not the texts.
    """
    with (
        open_store(place.state / STORE_NAME, now=datetime.now(UTC), check=False) as store,
        store.snapshot() as tx,
    ):
        ids = {drive.identity.serial: drive.identity.drive for drive in tx.drives(BOX)}
        waiting = {word.case for word in tx.load_book(BOX).pending} if in_line else set()
        told = {
            held.finding.key
            for case in tx.list_cases(BOX, limit=100_000)
            if case.last_told or case.number in waiting
            for held in case.held
        }
    return [serial for serial in left if f"drive-gone/drive:{ids[serial]}" not in told]
