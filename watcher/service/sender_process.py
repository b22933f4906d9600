"""The giver's end of the sender process: starts it, hands it a job, keeps its time limits.

One sender works on one job at a time. It is started with the first job, ends when it was idle for
a while (its 45 MiB go back to the machine), and is started anew when it died or overran.
"""

from __future__ import annotations

import os
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

from watcher.notify.job import GRACE_SECONDS, READY, BadJob, Job, read_result, write_job
from watcher.notify.target import SendResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How long a sender may take beyond a job's own limit, in seconds."""

    start_seconds: float = 30.0  # until ready; measured: 0.1 s here, a small board needs seconds
    load_seconds: float = 30.0  # the first job more, since Apprise is loaded; here 0.4 s
    grace_seconds: float = GRACE_SECONDS  # until it ends itself
    last_seconds: float = 5.0  # after that, until it is killed from here


COMMAND = (sys.executable, "-m", "watcher.notify.sender")


class SenderProcess:
    """A sender that is there when it is needed.

    For one thread only, which must live as long as it is used: the kernel ends a sender when the
    thread that started it ends.
    """

    def __init__(self, command: Sequence[str] = COMMAND, limits: Limits | None = None) -> None:
        """Begin with no process running."""
        self._command = tuple(command)
        self._limits = limits or Limits()
        self._process: subprocess.Popen[bytes] | None = None
        self._rest = b""
        self._fresh = True

    @property
    def pid(self) -> int | None:
        """Give the process id of the running sender, or None."""
        return self._process.pid if self._process is not None else None

    def send(self, job: Job) -> SendResult:
        """Send one message; returns within the time limits, never raises for what a sender does.

        A sender that ends without an answer may or may not have sent the message: it is told as a
        failure, and the next try carries the same message id.
        """
        try:
            process = self._ready()
        except OSError as error:
            return _own_failure(f"the sender cannot be started ({error.strerror})")
        if process is None:
            return _own_failure("the sender did not start in time")
        limits = self._limits
        limit = job.timeout_seconds + limits.grace_seconds + limits.last_seconds
        limit += limits.load_seconds if self._fresh else 0.0
        self._fresh = False
        try:
            assert process.stdin is not None  # noqa: S101 - it was started with a pipe
            process.stdin.write(write_job(job))
            process.stdin.flush()
        except OSError:
            self.kill()
            return _own_failure("the sender ended before it took the message")
        line = self._line(process, limit)
        if not line:
            died = line is not None and _status_of(process) != -signal.SIGALRM
            self.kill()
            if died:
                return _own_failure("the sender ended unexpectedly")
            return SendResult(ok=False, error=f"no answer within {job.timeout_seconds:.0f} s")
        try:
            result = read_result(line)
        except BadJob:
            self.kill()
            return _own_failure("the sender gave no answer that can be read")
        if result.left_behind:
            self.kill()
        return result

    def close(self) -> None:
        """Let an idle sender end by itself; it is killed when it does not within its grace."""
        process, self._process = self._process, None
        if process is None:
            return
        _shut(process)
        try:
            process.wait(timeout=self._limits.grace_seconds)
        except subprocess.TimeoutExpired:
            _kill(process)

    def kill(self) -> None:
        """End the sender at once."""
        process, self._process = self._process, None
        if process is not None:
            _kill(process)

    def _ready(self) -> subprocess.Popen[bytes] | None:
        """Give a running sender, started if need be; None when it does not come up in time."""
        if self._process is not None and self._process.poll() is None:
            return self._process
        self.kill()
        self._rest, self._fresh = b"", True
        process = subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # Apprise's own words could hold what must stay hidden
            start_new_session=True,  # so that no signal to our group cuts a message in half
        )
        self._process = process
        if self._line(process, self._limits.start_seconds) != READY:
            self.kill()
            return None
        return process

    def _line(self, process: subprocess.Popen[bytes], seconds: float) -> bytes | None:
        """Read a line within a time limit; None when the time is over, b"" when it ended."""
        assert process.stdout is not None  # noqa: S101 - it was started with a pipe
        until = time.monotonic() + seconds
        with selectors.DefaultSelector() as selector:
            selector.register(process.stdout, selectors.EVENT_READ)
            while b"\n" not in self._rest:
                left = until - time.monotonic()
                if left <= 0 or not selector.select(left):
                    return None
                read = os.read(process.stdout.fileno(), 65536)
                if not read:
                    return b""
                self._rest += read
        line, _, self._rest = self._rest.partition(b"\n")
        return line + b"\n"


def _status_of(process: subprocess.Popen[bytes]) -> int | None:
    """Give how a process that closed its output ended, None when it did not end after all."""
    try:
        return process.wait(timeout=1)
    except subprocess.TimeoutExpired:
        return None


def _own_failure(error: str) -> SendResult:
    """Tell that the sender failed, and not the way."""
    return SendResult(ok=False, ours=True, error=error)


def _shut(process: subprocess.Popen[bytes]) -> None:
    """Close both pipes."""
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            try:
                pipe.close()
            except OSError:
                continue  # what was not flushed into a dead process is of no use


def _kill(process: subprocess.Popen[bytes]) -> None:
    """End a process and wait for it."""
    if process.poll() is None:
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except ProcessLookupError:
            process.poll()
    process.wait()
    _shut(process)
