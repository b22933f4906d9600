"""The giver's end keeps its limits whatever the sender does. (Real sends: tests/lab.)"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

from watcher.facts.finding import Urgency
from watcher.notify.job import Job
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.service.sender_process import Limits, SenderProcess

JOB = Job(
    target=Target(name="phone", person="ana", url=Secret("ntfy://host/topic")),
    title="t",
    body="b",
    urgency=Urgency.NOW,
    message_id="c0ffee",
    timeout_seconds=0.1,
)
ANSWER = (
    '{"ok": true, "permanent": false, "error": "", "seconds": 0.1, "left_behind": false, '
    '"ours": false}'
)
READY = 'import sys; print("ready", flush=True); '


SHORT = Limits(start_seconds=1.0, load_seconds=0.2, grace_seconds=0.1, last_seconds=0.1)


def sender(code: str) -> SenderProcess:
    return SenderProcess((sys.executable, "-S", "-c", code), SHORT)


@pytest.fixture(name="good")
def a_good_one() -> Iterator[SenderProcess]:
    made = sender(READY + f"\nfor line in sys.stdin: print({ANSWER!r}, flush=True)")
    yield made
    made.close()


def test_one_process_serves_many_jobs(good: SenderProcess) -> None:
    assert good.send(JOB).ok
    pid = good.pid
    assert good.send(JOB).ok
    assert good.pid == pid


def test_it_ends_when_idle_and_comes_back_when_needed(good: SenderProcess) -> None:
    assert good.send(JOB).ok
    good.close()
    assert good.pid is None
    assert good.send(JOB).ok


@pytest.mark.parametrize(
    ("code", "ours", "error"),
    [
        (READY + "sys.stdin.readline()", True, "ended unexpectedly"),
        (READY + "\nwhile True: sys.stdin.readline()", False, "no answer within"),
        (READY + "sys.stdin.readline(); print('nonsense', flush=True)", True, "can be read"),
        ("import sys; sys.stdin.read()", True, "did not start"),
        ("print('hello', flush=True)", True, "did not start"),
    ],
)
def test_whatever_it_does_is_a_failed_try_and_it_is_gone(code: str, ours: bool, error: str) -> None:
    made = sender(code)
    result = made.send(JOB)
    assert (result.ok, result.ours) == (False, ours)
    assert error in result.error
    assert made.pid is None


def test_a_program_that_is_not_there_is_a_failed_try() -> None:
    result = SenderProcess(("/nope/sender",)).send(JOB)
    assert (result.ok, result.ours) == (False, True)


def test_a_sender_that_left_a_thread_behind_is_replaced() -> None:
    left = ANSWER.replace('"left_behind": false', '"left_behind": true')
    made = sender(READY + f"sys.stdin.readline(); print({left!r}, flush=True); sys.stdin.read()")
    assert made.send(JOB).left_behind
    assert made.pid is None
