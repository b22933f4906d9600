"""The sender works through jobs, ends with its input, and never begins what nobody would record."""

from __future__ import annotations

import io
import subprocess
import sys

from watcher.facts.finding import Urgency
from watcher.notify.job import EXIT_SPENT, READY, Job, read_result, write_job
from watcher.notify.secret import Secret
from watcher.notify.sender import serve
from watcher.notify.target import SendResult, Target


def job(name: str) -> Job:
    return Job(
        target=Target(name=name, person="ana", url=Secret("ntfy://host/topic")),
        title="t",
        body="b",
        urgency=Urgency.NOW,
        message_id="c0ffee",
        timeout_seconds=2.0,
    )


class World:
    """What the sender touches, and what it did."""

    def __init__(self, *lines: bytes, alone_after: int = 99, left_behind_at: int = 99) -> None:
        self.jobs = io.BytesIO(b"".join(lines))
        self.results = io.BytesIO()
        self.sent: list[str] = []
        self.limits: list[float] = []
        self.alone_after = alone_after
        self.left_behind_at = left_behind_at
        self.status = serve(
            self.jobs,
            self.results,
            self.send,
            prepare=lambda: None,
            is_alone=lambda: len(self.sent) >= self.alone_after,
            limit=self.limits.append,
        )

    def send(self, given: Job) -> SendResult:
        self.sent.append(given.target.name)
        left = len(self.sent) == self.left_behind_at
        return SendResult(ok=not left, error="late" if left else "", left_behind=left)

    @property
    def told(self) -> list[SendResult]:
        lines = self.results.getvalue().splitlines(keepends=True)
        assert lines[0] == READY
        return [read_result(line) for line in lines[1:]]


def test_jobs_are_done_one_after_the_other_until_the_input_ends() -> None:
    world = World(write_job(job("one")), write_job(job("two")))
    assert world.sent == ["one", "two"]
    assert [r.ok for r in world.told] == [True, True]
    assert world.status == 0


def test_each_job_has_its_limit_and_idling_has_none() -> None:
    assert World(write_job(job("one"))).limits == [2.0 + 5.0, 0]


def test_a_job_that_was_cut_is_not_begun() -> None:
    world = World(write_job(job("one")), write_job(job("two"))[:-1])
    assert world.sent == ["one"]


def test_nonsense_is_answered_as_a_fault_and_the_work_goes_on() -> None:
    world = World(b"nonsense\n", write_job(job("one")))
    assert [(r.ok, r.permanent) for r in world.told] == [(False, True), (True, False)]


def test_what_nobody_would_write_down_is_not_begun() -> None:
    """Whoever comes next finds it in the outbox; to begin it would make a double."""
    world = World(write_job(job("one")), write_job(job("two")), alone_after=1)
    assert world.sent == ["one"]
    assert len(world.told) == 1


def test_after_a_thread_was_left_behind_the_result_is_told_and_the_sender_ends() -> None:
    world = World(write_job(job("one")), write_job(job("two")), left_behind_at=1)
    assert world.sent == ["one"]
    assert [r.error for r in world.told] == ["late"]
    assert world.status == EXIT_SPENT


class Broken(io.BytesIO):
    """A pipe whose reader is gone, after the first line."""

    lines = 0

    def write(self, line: object) -> int:
        self.lines += 1
        if self.lines > 1:
            raise BrokenPipeError
        return len(bytes(line)) if isinstance(line, bytes) else 0


def test_a_giver_that_died_meanwhile_ends_the_sender_after_the_job_at_hand() -> None:
    sent: list[str] = []

    def send(given: Job) -> SendResult:
        sent.append(given.target.name)
        return SendResult(ok=True)

    status = serve(
        io.BytesIO(write_job(job("one")) + write_job(job("two"))),
        Broken(),
        send,
        prepare=lambda: None,
        is_alone=lambda: False,
        limit=lambda _: None,
    )
    assert (sent, status) == (["one"], 0)


def test_whether_the_giver_is_there_is_asked_after_what_takes_long() -> None:
    """Apprise and its plug-ins are loaded by then, so that the message leaves at once."""
    look = (
        "import sys; from watcher.notify import sender; sender._prepare(); "
        "print('apprise.plugins.custom_json' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout == "True\n"
