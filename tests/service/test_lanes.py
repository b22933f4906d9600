"""Lanes carry jobs to senders and results back, one at a time in each."""

from __future__ import annotations

import queue
import threading

from watcher.facts.finding import Urgency
from watcher.notify.job import Job
from watcher.notify.secret import Secret
from watcher.notify.target import SendResult, Target
from watcher.service.lanes import Done, Lane, Lanes


def job(name: str) -> Job:
    return Job(
        target=Target(name=name, person="ana", url=Secret("ntfy://host/topic")),
        title="t",
        body="b",
        urgency=Urgency.NOW,
        message_id="c0ffee",
        timeout_seconds=2.0,
    )


class Hanging:
    """A sender that sends nothing before it is told to."""

    def __init__(self, go: threading.Event) -> None:
        self.go = go
        self.closed = 0

    def send(self, given: Job) -> SendResult:
        if given.target.name == "slow":
            assert self.go.wait(10)
        return SendResult(ok=True)

    def close(self) -> None:
        self.closed += 1


def test_what_hangs_in_one_lane_does_not_hold_up_the_other() -> None:
    go = threading.Event()
    done: queue.SimpleQueue[Done] = queue.SimpleQueue()
    made: list[Hanging] = []

    def make() -> Hanging:
        made.append(Hanging(go))
        return made[-1]

    lanes = Lanes(make, done.put)
    lanes.submit(Lane.SLOW, 1, job("slow"))
    lanes.submit(Lane.STEADY, 2, job("quick"))
    first = done.get(timeout=10)
    assert (first.lane, first.number) == (Lane.STEADY, 2)
    go.set()
    assert done.get(timeout=10).number == 1
    lanes.close()
    assert len(made) == 2
    assert [sender.closed for sender in made] == [1, 1]


def test_a_lane_that_is_not_used_starts_no_sender() -> None:
    made: list[Hanging] = []
    lanes = Lanes(lambda: made.append(Hanging(threading.Event())) or made[-1], lambda _: None)
    lanes.close()
    assert made == []
