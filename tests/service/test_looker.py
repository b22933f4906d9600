"""The thread that looks: one look at a time, and one that hangs is left to itself."""

from __future__ import annotations

import queue
import threading
from datetime import UTC, datetime

from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.readers.kernel_log import Position
from watcher.readers.taken import Taken
from watcher.service.looker import LONGEST_LOOK, Looker

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
LONG = LONGEST_LOOK.total_seconds()


class Eyes:
    """Sees nothing; the look of the name ``hangs`` waits, that of ``fails`` raises."""

    def __init__(self) -> None:
        self.gate = threading.Event()

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        del position, deep
        if survey == "hangs":
            self.gate.wait(60)
        if survey == "fails":
            raise ZeroDivisionError("oops")
        found = Survey(survey=survey, box=BoxId("attic"), taken_at=now)
        return Taken(survey=found, position=None, more_log=False)


def test_what_was_seen_is_reported_and_so_is_a_look_that_fails() -> None:
    came: queue.SimpleQueue[Taken | str] = queue.SimpleQueue()
    looker = Looker(Eyes(), came.put)
    looker.start()
    looker.look("one", NOW, None, deep=False, monotonic=0.0)
    assert looker.is_looking
    first = came.get(timeout=20)
    assert isinstance(first, Taken)
    assert first.survey.survey == "one"
    looker.look("fails", NOW, None, deep=False, monotonic=1.0)
    assert "a fault of ours (ZeroDivisionError: oops" in str(came.get(timeout=20))
    looker.stop()
    assert not looker.is_held_up


def test_a_look_that_hangs_is_given_up_in_time_and_another_thread_looks() -> None:
    came: queue.SimpleQueue[Taken | str] = queue.SimpleQueue()
    eyes = Eyes()
    looker = Looker(eyes, came.put)
    looker.start()
    assert not looker.gives_up(2 * LONG), "nothing is under way"
    looker.look("hangs", NOW, None, deep=False, monotonic=100.0)
    assert not looker.gives_up(99.0 + LONG)
    assert looker.gives_up(100.0 + LONG)
    assert not looker.is_looking
    looker.look("next", NOW, None, deep=False, monotonic=101.0 + LONG)
    seen = came.get(timeout=20)
    assert isinstance(seen, Taken)
    assert seen.survey.survey == "next"
    looker.stop()
    assert looker.is_held_up, "the first is still at it"
    eyes.gate.set()
    assert not looker.is_held_up
