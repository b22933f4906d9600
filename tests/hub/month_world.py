"""A simulated month of many real boxes: the clock that all share, and what each box sees.

One file in memory is shared by all processes: the simulated time, which only the test moves, and
for each box the last round that it took in and handed over. So time goes as fast as the processes
do, and stands still for nobody who was cut off.

``python -m tests.hub.month_world FOLDER`` is the nursery: for each line ``PLACE`` on its input it
forks a box, a process of its own, and says ``PLACE PID``. A box may be killed at any moment.
``python -m tests.hub.month_world FOLDER hub|helper …`` is midwatch's own hub, or its helper, by
the shared clock.
"""

from __future__ import annotations

import mmap
import os
import random
import signal
import struct
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType

from tests.hub.stage import NOW, standing
from tests.store import made
from watcher.cli import helper, hub_run
from watcher.cli.main import main as midwatch
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.hub import credentials
from watcher.hub.handover import Handover
from watcher.hub.line import Line
from watcher.hub.sender import Sender
from watcher.service.desk import Desk
from watcher.store.database import Store, open_store

EVERY = timedelta(hours=2)
"""How often a box looks: a month is 360 rounds of it."""

BOXES = 50
LOSES_FROM, LOSES_FOR = 12, 30
"""The round in which the first box loses a drive, and for how many rounds; each later box a few
rounds after the one before it."""

WAIT_SECONDS, IDLE_SECONDS = 0.1, 0.02
MADE = "rounds-made"


class Board:
    """The shared time, whether it ends, and how far each box is."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            path.write_bytes(bytes(8 * (BOXES + 2)))
        with path.open("r+b") as file:
            self._memory = mmap.mmap(file.fileno(), 0)

    def _get(self, place: int) -> int:
        return int(struct.unpack_from("<q", self._memory, 8 * place)[0])

    def _set(self, place: int, value: int) -> None:
        struct.pack_into("<q", self._memory, 8 * place, value)

    @property
    def turn(self) -> int:
        """The round that it is."""
        return self._get(0)

    @turn.setter
    def turn(self, number: int) -> None:
        self._set(0, number)

    @property
    def ends(self) -> bool:
        """Whether boxes end when they have handed all over."""
        return bool(self._get(1))

    @ends.setter
    def ends(self, value: bool) -> None:
        self._set(1, int(value))

    def done(self, place: int) -> int:
        """The last round that a box has handed over."""
        return self._get(2 + place)

    def set_done(self, place: int, number: int) -> None:
        self._set(2 + place, number)


class SharedClock:
    """The simulated time; spans within a run pass as they really do."""

    def __init__(self, board: Board) -> None:
        self._board = board

    def now(self) -> datetime:
        return moment(self._board.turn)

    def monotonic(self) -> float:
        return time.monotonic()


def moment(number: int) -> datetime:
    """Give the time of a round."""
    return NOW.astimezone(UTC) + number * EVERY


def name_of(place: int) -> BoxId:
    return BoxId(f"box {place:02}")


def loses(place: int) -> range:
    """Give the rounds in which a box has a drive too few."""
    begins = LOSES_FROM + 5 * place
    return range(begins, begins + LOSES_FOR)


def seen(place: int, number: int) -> Survey:
    """What a box sees in a round: one kernel line of its own, and a drive that is there or not."""
    at = moment(number)
    lost = int(number in loses(place))
    first = 100 + 10 * place
    survey = made.survey(
        f"{place}-{number}",
        at,
        box=name_of(place),
        drives=tuple(made.reading(first + n, at, temperature_celsius=30) for n in range(lost, 4)),
        pools=(made.pool(at, lost=lost, first_drive=first),),
        events=(made.event(at, what=f"odd-{number}"),),
    )
    return replace(survey, answered=("md", "drive-discovery", "kernel-log"))


def box(folder: Path, place: int) -> None:
    """Be a box until the end: look once in a round, hand over what waits."""
    board = Board(folder / "board")
    clock = SharedClock(board)
    own = folder / f"box-{place}"
    known = credentials.load(own)
    assert known is not None
    handover = Handover(
        box=name_of(place),
        sender=f"run-{time.monotonic_ns()}-{os.getpid()}",
        every=EVERY,
        alone_after=timedelta(days=400),
        most_bytes=10**8,
    )
    with open_store(own / "box.db", now=clock.now()) as store:
        with store.transaction() as tx:
            handover.begin(tx, clock.now())
        sender = Sender(
            store=lambda: store,
            handover=handover,
            line=Line(known.url),
            folder=own,
            known=known,
            clock=clock,
            chance=random.random,
            look=lambda: None,
            say=lambda _: None,
        )
        desk = Desk(store, replace(standing(name_of(place)), hands_over=handover))
        done = 0
        while True:
            now = board.turn
            if done == now:
                if board.ends:
                    return
                time.sleep(IDLE_SECONDS)
                continue
            if _made(store, place) < now:
                desk.take_in(seen(place, now), moment(now), keep={MADE: str(now)})
            wait = sender.step()
            if _waiting(store) == 0 and board.turn == now:
                sender.step()  # tells how the box is prepared, when that is due
                done = now
                board.set_done(place, now)
            else:
                time.sleep(min(wait, WAIT_SECONDS))


def _made(store: Store, place: int) -> int:
    with store.snapshot() as tx:
        return int(tx.kept(name_of(place), MADE) or 0)


def _waiting(store: Store) -> int:
    with store.snapshot() as tx:
        return tx.outgoing_size()[1]


def nursery(folder: Path) -> None:
    """Fork a box for each line that names its place, until the input ends."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for line in sys.stdin:
        place = int(line)
        pid = os.fork()
        if pid == 0:
            os.close(sys.stdin.fileno())
            try:
                box(folder, place)
            finally:
                os._exit(0)
        print(place, pid, flush=True)


def fast(folder: Path, words: list[str]) -> None:
    """Run midwatch's own hub or helper by the shared clock."""
    clock = SharedClock(Board(folder / "board"))
    for module in (hub_run, helper):
        replace_in(module, "SystemClock", lambda: clock)

    def helped(config: str | None, listening: int) -> tuple[str, ...]:
        more = ("--config", config) if config is not None else ()
        called = (sys.executable, "-m", "tests.hub.month_world", str(folder), "helper")
        return (*called, "--listening", str(listening), *more)

    replace_in(hub_run, "helper_command", helped)
    what, *rest = words
    sys.argv = ["midwatch", *rest]
    if what == "helper":
        helper.main()
    else:
        midwatch()


def replace_in(module: ModuleType, name: str, by: object) -> None:
    """Put something else in a module's place in this process; it must be there to be replaced."""
    getattr(module, name)
    setattr(module, name, by)


if __name__ == "__main__":
    if len(sys.argv) > 2:
        fast(Path(sys.argv[1]), sys.argv[2:])
    else:
        nursery(Path(sys.argv[1]))
