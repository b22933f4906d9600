"""Two lanes for messages that leave: one for ways that work, one for ways that failed last time.

A server that hangs takes its whole time limit with every message. In a lane of its own it holds
up only others that fail too. Each lane has a thread and a sender process; the second is started
only when something fails, and both end when idle.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from watcher.notify.job import Job
from watcher.notify.target import SendResult

IDLE_SECONDS = 60.0
"""After that long without a message a sender ends and its memory is given back. Our choice."""


class Lane(StrEnum):
    """Which lane a message takes."""

    STEADY = "steady"
    SLOW = "slow"


class Sender(Protocol):
    """Sends one message at a time."""

    def send(self, job: Job) -> SendResult:
        """Send one message and say what came of it."""

    def close(self) -> None:
        """Give back what it holds; it can be used again afterwards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of one message."""

    lane: Lane
    number: int  # of the outbox row
    result: SendResult


class Lanes:
    """Carries a job to a sender and its result back; one job in a lane at a time."""

    def __init__(self, make_sender: Callable[[], Sender], report: Callable[[Done], None]) -> None:
        """Begin idle; ``report`` is called from a lane's thread with each result."""
        self._make = make_sender
        self._report = report
        self._jobs: dict[Lane, queue.SimpleQueue[tuple[int, Job] | None]] = {}
        self._threads: list[threading.Thread] = []

    def submit(self, lane: Lane, number: int, job: Job) -> None:
        """Hand a job to a lane, whose thread is started with the first."""
        if lane not in self._jobs:
            self._jobs[lane] = queue.SimpleQueue()
            # A daemon thread: the process leaves when its main thread says so.
            thread = threading.Thread(
                target=self._work, args=(lane, self._jobs[lane]), name=lane.value, daemon=True
            )
            self._threads.append(thread)
            thread.start()
        self._jobs[lane].put((number, job))

    def close(self) -> None:
        """Let the lanes and their senders end after what they have at hand."""
        for jobs in self._jobs.values():
            jobs.put(None)
        for thread in self._threads:
            thread.join()
        self._jobs, self._threads = {}, []

    def _work(self, lane: Lane, jobs: queue.SimpleQueue[tuple[int, Job] | None]) -> None:
        """Send what comes in, one after the other."""
        sender = self._make()
        while True:
            try:
                given = jobs.get(timeout=IDLE_SECONDS)
            except queue.Empty:
                sender.close()
                given = jobs.get()
            if given is None:
                sender.close()
                return
            number, job = given
            self._report(Done(lane=lane, number=number, result=sender.send(job)))
