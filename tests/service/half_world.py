"""A reader half on a real socket with a surveyor that a test commands."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

from watcher.facts.identity import BoxId
from watcher.facts.pool import Pool
from watcher.facts.survey import Survey
from watcher.readers.kernel_log import Position
from watcher.readers.survey import Surveyor
from watcher.readers.taken import Taken
from watcher.service.half_reader import Reader, Ways, open_socket
from watcher.service.halves import Limits, Line

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
BOX = BoxId("attic")
SOON = Limits(quiet=0.3, look=1.0)


class Eyes:
    """A surveyor that gives what it was told to give."""

    def __init__(self) -> None:
        self.box = BOX
        self.remembered: list[tuple[Pool, ...]] = []
        self.asked: list[tuple[str, Position | None, bool]] = []
        self.fault: Exception | None = None
        self.go_on = threading.Event()
        self.go_on.set()
        self.begun = threading.Event()
        self.pools: tuple[Pool, ...] = ()

    def remember(self, pools: Iterable[Pool]) -> None:
        self.remembered.append(tuple(pools))

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        self.asked.append((survey, position, deep))
        self.begun.set()
        self.go_on.wait(10)
        if self.fault is not None:
            raise self.fault
        return Taken(
            survey=Survey(
                survey=survey, box=self.box, taken_at=now, pools=self.pools, answered=("md",)
            ),
            position=Position(source="journal", cursor="s=1;i=2"),
            more_log=deep,
        )


class Running:
    """A reader that runs in a thread."""

    def __init__(self, path: Path, users: frozenset[int]) -> None:
        self.path = path
        self.eyes = Eyes()
        self.said: list[str] = []
        self.settings_fault = ""
        self.reloads = 0
        self.grave = threading.Event()
        self.users = users
        self.start()

    def start(self) -> None:
        ways = Ways(
            surveyor=cast("Surveyor", self.eyes),
            rings=self._rings,
            reload=self._reload,
            say=self.said.append,
            users=self.users,
        )
        self.reader = Reader(open_socket(self.path), ways)
        self._thread = threading.Thread(target=self.reader.serve, daemon=True)
        self._thread.start()

    def _rings(self, monotonic: float) -> bool:
        del monotonic
        rings = self.grave.is_set()
        self.grave.clear()
        return rings

    def _reload(self) -> str:
        self.reloads += 1
        return self.settings_fault

    def stop(self) -> None:
        self.reader.stop()
        self._thread.join(10)
        assert not self._thread.is_alive()

    @property
    def line(self) -> Line:
        return Line(path=str(self.path), users=frozenset({os.geteuid()}))


@contextmanager
def running(path: Path, users: frozenset[int] | None = None) -> Iterator[Running]:
    one = Running(path, frozenset({os.geteuid()}) if users is None else users)
    try:
        yield one
    finally:
        one.eyes.go_on.set()
        one.stop()
