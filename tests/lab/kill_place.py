"""A box of invented drives that the real watch looks at, and the means to kill it at a moment.

Only ``smartctl`` is one of ours: a small shell program, first on the PATH, that prints what the
invented drives answer. Each drive keeps its node (at nodes that no real drive has), so that its
answers are made once and a look costs little.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from shlex import quote

from tests.lab.daemon import ROOT, Daemon
from tests.lab.receivers import wait_until
from watcher.facts.identity import BoxId, DriveId
from watcher.service.delivery import NOT_BACK
from watcher.service.message_id import message_id_of
from watcher.service.state import STORE_NAME
from watcher.store.database import open_store
from watcher.store.outbox import Notice, NoticeState

BOX = BoxId("attic")
LONGEST_WAIT = 180.0
"""Seconds for which something that must come is waited for; only a watch that hangs needs them."""

ANSWER = """import json, sys
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

SMARTCTL = """#!/bin/sh
for node in "$@"; do :; done
if ! grep -qx "$node" {nodes}; then exec {python} {answer} "$@"; fi
kept={kept}/$(echo "$*" | tr '/ ' '__')
if [ ! -e "$kept.status" ]; then
    {python} {answer} "$@" > "$kept.$$"
    echo $? > "$kept.$$.status"
    mv "$kept.$$" "$kept" && mv "$kept.$$.status" "$kept.status"
fi
cat "$kept"
exit "$(cat "$kept.status")"
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
    """A box whose drives come and go, the settings that watch it, and its store."""

    def __init__(self, folder: Path, port: int, *, first: int) -> None:
        """Begin with six drives; their serial numbers count from ``first``."""
        self.state = folder / "state"
        self.config = folder / "midwatch.yaml"
        self.config.write_text(SETTINGS.format(state=self.state, port=port), encoding="utf-8")
        self._list, self._nodes = folder / "drives.json", folder / "nodes"
        tools, kept = folder / "bin", folder / "kept"
        for one in (tools, kept):
            one.mkdir()
        answer = folder / "answer.py"
        answer.write_text(ANSWER.format(root=str(ROOT), drives=str(self._list)), encoding="utf-8")
        smartctl = tools / "smartctl"
        smartctl.write_text(
            SMARTCTL.format(
                python=quote(sys.executable), answer=answer, kept=kept, nodes=self._nodes
            ),
            encoding="utf-8",
        )
        smartctl.chmod(0o755)
        self.environ = {"PATH": f"{tools}:{os.environ['PATH']}"}
        self._made = 0
        self._first = first
        self.here: dict[str, str] = {}  # serial: letter
        for _ in range(6):
            self.add()

    def add(self) -> None:
        """Put one more drive in."""
        number = self._made
        self._made += 1
        letter = f"z{chr(97 + number // 26)}{chr(97 + number % 26)}"
        self.here[f"S{self._first + number:05}"] = letter
        self._show()

    def take_out(self, serial: str) -> None:
        """Take one drive out."""
        del self.here[serial]
        self._show()

    def _show(self) -> None:
        """Let smartctl list what is here now."""
        rows = [(letter, serial) for serial, letter in self.here.items()]
        nodes = "\n".join(f"/dev/sd{letter}" for letter, _ in rows)
        for file, text in ((self._list, json.dumps(rows)), (self._nodes, nodes)):
            fresh = file.with_suffix(".new")
            fresh.write_text(text, encoding="utf-8")
            fresh.replace(file)

    def ledger(self) -> Ledger:
        """Read what is written down now."""
        if not (self.state / STORE_NAME).exists():
            return Ledger()
        with (
            open_store(self.state / STORE_NAME, now=datetime.now(UTC), check=False) as store,
            store.snapshot() as tx,
        ):
            rows = tx.list_notices(BOX, limit=100_000)
            waiting = {word.case for word in tx.load_book(BOX).pending}
            cases = tx.list_cases(BOX, limit=100_000)
            return Ledger(
                rows=rows,
                failed=Counter(
                    {
                        message_id_of(n.key, n.target): sum(
                            a.outcome == "failed" and a.error != NOT_BACK
                            for a in tx.attempts(n.number)
                        )
                        for n in rows
                    }
                ),
                drives={d.identity.serial: d.identity.drive for d in tx.drives(BOX)},
                told=frozenset(h.finding.key for c in cases if c.last_told for h in c.held),
                in_line=frozenset(
                    h.finding.key for c in cases if c.number in waiting for h in c.held
                ),
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What the watch has written down."""

    rows: tuple[Notice, ...] = ()
    failed: Counter[str] = field(default_factory=Counter)  # tries that failed, by message id
    drives: dict[str, DriveId] = field(default_factory=dict)  # drives that were seen, by serial
    told: frozenset[str] = frozenset()  # findings of cases that somebody was told of
    in_line: frozenset[str] = frozenset()  # findings of cases about which a word waits

    @property
    def ids(self) -> set[str]:
        """The ids of all messages that were decided."""
        return {message_id_of(n.key, n.target) for n in self.rows}

    @property
    def unsent(self) -> set[str]:
        """The ids of the messages whose arrival is not written down."""
        return {
            message_id_of(n.key, n.target) for n in self.rows if n.state is not NoticeState.SENT
        }

    def knows(self, serial: str) -> bool:
        """Tell whether this drive was seen and its loss was noticed."""
        return self._key(serial) in self.told | self.in_line

    def is_told(self, serial: str) -> bool:
        """Tell whether somebody was told of a case that holds the loss of this drive.

        Many at once are counted in one message, not named: so the cases tell, not the texts.
        """
        return self._key(serial) in self.told

    def _key(self, serial: str) -> str:
        return f"drive-gone/drive:{self.drives[serial]}" if serial in self.drives else ""


class Victim:
    """A running watch that is going to be killed."""

    def __init__(self, place: Place) -> None:
        """Start it."""
        self.daemon = Daemon(place.config, environ=place.environ)

    def is_watching(self) -> bool:
        """Tell whether the first look is through."""
        return "Watching." in self.daemon.text

    def await_watching(self) -> None:
        """Wait until the first look is through."""
        assert wait_until(self.is_watching, LONGEST_WAIT), self.daemon.text

    def kill(self, *, whole: bool) -> None:
        """Kill the watch at once; ``whole``: its delivery and its sender with it."""
        family = descendants_of(self.daemon.process.pid) if whole else []
        for pid in family:  # the sender last: what it knows must not reach the delivery
            kill_now(pid)
        self.daemon.kill()
        for pid in family:
            assert wait_until(lambda p=pid: is_gone(p), LONGEST_WAIT)  # type: ignore[misc]

    def stop(self) -> None:
        """Let it end by itself."""
        self.daemon.stop()


def children_of(pid: int) -> list[int]:
    """Give the children of all threads of a process."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(word) for word in task.read_text().split()]
        except OSError:
            continue
    return found


def descendants_of(pid: int) -> list[int]:
    """Give the children of a process and theirs, parents first."""
    found = children_of(pid)
    return [*found, *(below for child in found for below in descendants_of(child))]


def is_gone(pid: int) -> bool:
    """Tell whether a process runs no more."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def kill_now(pid: int) -> None:
    """Kill a process; it may have ended just now."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
