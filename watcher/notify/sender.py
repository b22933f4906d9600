"""The sender: a process of its own that sends one message at a time.

``python -m watcher.notify.sender`` reads a job per line on its input and writes a result per line
on its output (``job.py``); the first line it writes is ``ready``. Why a process: Apprise's time
limit leaves threads behind that would hold up the end of the interpreter, its plug-ins cost about
35 MiB that are given back when the sender ends, and a server that hangs it hangs nobody else.

- A job that overruns its limit by more than a few seconds ends the process (SIGALRM with its
  default action: the kernel does it, whatever Python is busy with).
- After a job that left a thread behind, the result is written and the process ends at once.
- When its input closes it ends; whoever ends in good order waits for the result first. A job that
  it has not begun by then is left to whoever comes next, who will find it in the outbox.
- When its giver is killed, the kernel kills it too (``PR_SET_PDEATHSIG``, prctl(2)): nobody would
  write down what came of the message, so the next one sends it again, and the less of it has
  reached the receiver by then the fewer are the doubles. What remains is the moment between the
  receiver's word and its being written down.
- SIGTERM and SIGINT are ignored for the same reason: the end of the input is the end.
"""

from __future__ import annotations

import ctypes
import os
import select
import signal
import sys
from collections.abc import Callable
from typing import BinaryIO

from watcher.notify.job import (
    EXIT_SPENT,
    GRACE_SECONDS,
    LONGEST_LINE_BYTES,
    READY,
    BadJob,
    Job,
    read_job,
    write_result,
)
from watcher.notify.target import SendResult

Send = Callable[[Job], SendResult]


def serve(
    jobs: BinaryIO,
    results: BinaryIO,
    send: Send,
    *,
    prepare: Callable[[], None],
    is_alone: Callable[[], bool],
    limit: Callable[[float], None],
) -> int:
    """Work through jobs until the input ends; give the exit status.

    ``prepare`` is called before each job is begun, and then ``is_alone`` tells whether the giver
    is gone. ``limit`` is told how many seconds the job may take from now, 0 for no limit.
    """
    results.write(READY)
    results.flush()
    while True:
        line = jobs.readline(LONGEST_LINE_BYTES)
        if not line.endswith(b"\n"):
            return 0  # the end, or a job that was cut when its giver died: it was never ours
        try:
            job = read_job(line)
        except BadJob as error:
            result = SendResult(ok=False, permanent=True, error=str(error))
        else:
            prepare()
            if is_alone():
                return 0
            limit(job.timeout_seconds + GRACE_SECONDS)
            result = send(job)
            limit(0)
        try:
            results.write(write_result(result))
            results.flush()
        except BrokenPipeError:
            return 0  # nobody is left to tell; the message itself went out or did not
        if result.left_behind:
            return EXIT_SPENT


def _send(job: Job) -> SendResult:
    """Send through Apprise, which is loaded with the first job."""
    from watcher.notify.targets import send  # noqa: PLC0415 - 35 MiB, only when there is a job

    return send(
        job.target,
        title=job.title,
        body=job.body,
        urgency=job.urgency,
        message_id=job.message_id,
        timeout_seconds=job.timeout_seconds,
        thread=job.thread,
    )


def _prepare() -> None:
    """Load Apprise, which takes the longest before anything is sent.

    So the giver is looked for as late as can be: just before the message leaves.
    """
    from watcher.notify.targets import warm_up  # noqa: PLC0415 - as above

    warm_up()


def _is_alone() -> bool:
    """Tell whether the other end of the input is closed."""
    poll = select.poll()
    poll.register(sys.stdin.fileno(), select.POLLHUP)
    return any(event & select.POLLHUP for _, event in poll.poll(0))


def _limit(seconds: float) -> None:
    """Have the kernel end this process when the time is over."""
    signal.setitimer(signal.ITIMER_REAL, seconds)


def _die_with_giver() -> None:
    """Ask the kernel to kill this process when the one that started it dies."""
    libc = ctypes.CDLL(None, use_errno=True)
    libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)


_PR_SET_PDEATHSIG = 1  # linux/prctl.h


def main() -> None:
    """Serve standard input and output, and leave without waiting for threads."""
    _die_with_giver()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    status = serve(
        sys.stdin.buffer,
        sys.stdout.buffer,
        _send,
        prepare=_prepare,
        is_alone=_is_alone,
        limit=_limit,
    )
    os._exit(status)


if __name__ == "__main__":
    main()
