"""The real machine: the only place where readers start programs and open files.

A program is started with an argument list (no shell), by its full path (``/usr/sbin`` and
``/sbin`` are looked through too, since a plain user's PATH lacks them), with LC_ALL=C, closed
input, a time limit and an output limit, in a session of its own so that its children die with it.

Traps:

* A program that waits for a dead drive inside the kernel (state D) ignores even SIGKILL. It is
  left behind, remembered under its lane, and no second one is started in that lane until it ends.
* A program may leave a child that keeps the pipe open. The answer counts only when the pipe is
  closed; when it is not closed in time, the whole session is killed and the answer is TIMED_OUT.
* zpool, btrfs and mdadm tell times without a zone, in that of the box: they are run with TZ=UTC, in
  which their readers take them. Elsewhere a scrub of this morning would be one of last night.
* Bytes that are not UTF-8 (seen in serial numbers of cheap bridges) are replaced, never an error.
"""

from __future__ import annotations

import os
import selectors
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from watcher.readers.host import Ended, Ran

EXTRA_FOLDERS = ("/usr/local/sbin", "/usr/sbin", "/sbin", "/usr/local/bin", "/usr/bin", "/bin")
"""Looked through after PATH: where distributions keep the tools that only root used to need."""

OUTPUT_LIMIT_BYTES = 64 * 1024 * 1024
"""More than any report we ask for (a long kernel log is about 10 MB). Our choice: it bounds memory;
a program that passes it is killed, and its answer counts as cut."""

FILE_LIMIT_BYTES = 64 * 1024 * 1024
"""Likewise for files."""

GRACE_SECONDS = 2.0
"""How long a killed program may take to go. Our choice: a killed process that does not go within
this waits inside the kernel."""

ABANDON_SECONDS = 0.5
"""Within this a program that is abandoned is noticed. Our choice."""

_CHUNK_BYTES = 65536


def _kill_session(pid: int) -> None:
    """Kill a process and all that it started; a session that is gone already is fine."""
    try:
        os.killpg(pid, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):
        return


@dataclass(slots=True)
class _Lane:
    """What runs, or hangs, on one thing."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    stuck: subprocess.Popen[bytes] | None = None


@dataclass(slots=True)
class _Pipes:
    """What was read from a program so far, and whether it went past the limit."""

    out: bytearray = field(default_factory=bytearray)
    err: bytearray = field(default_factory=bytearray)
    too_long: bool = False
    closed: bool = False


_WITHOUT_ZONE = frozenset({"zpool", "zfs", "btrfs", "mdadm"})


def _tells_times(program: str) -> bool:
    """Tell whether a program prints times with no zone that a reader takes as UTC."""
    return program.rsplit("/", 1)[-1] in _WITHOUT_ZONE


class RealHost:
    """This machine. Safe to use from many threads."""

    def __init__(
        self,
        *,
        kill: Callable[[int], None] = _kill_session,
        grace_seconds: float = GRACE_SECONDS,
        output_limit_bytes: int = OUTPUT_LIMIT_BYTES,
    ) -> None:
        """Take the way to kill a session (tests pass one that does nothing) and the limits."""
        self._kill = kill
        self._grace_seconds = grace_seconds
        self._output_limit = output_limit_bytes
        self._lanes: dict[str, _Lane] = {}
        self._lanes_lock = threading.Lock()
        self._abandoned = 0  # how often; a run that began before the last time is given up
        self._paths: dict[str, str] = {}
        self._path = os.pathsep.join(
            dict.fromkeys([*os.environ.get("PATH", "").split(os.pathsep), *EXTRA_FOLDERS])
        )
        self._environment = {**os.environ, "LC_ALL": "C", "PATH": self._path}
        self._environment.pop("LANGUAGE", None)
        self._in_utc = {**self._environment, "TZ": "UTC"}

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        """Run a program; never raises. Without a lane, the argument list is the lane."""
        started = time.monotonic()
        arguments = tuple(argv)
        path = self._find(arguments[0])
        if path is None:
            return Ran(argv=arguments, ended=Ended.MISSING, stderr=f"{arguments[0]}: not found")
        with self._lanes_lock:
            place = self._lanes.setdefault(lane or "\0".join(arguments), _Lane())
        if not place.lock.acquire(timeout=limit_seconds):
            return Ran(
                argv=arguments,
                ended=Ended.STUCK,
                stderr="an earlier program still works on this",
                seconds=time.monotonic() - started,
            )
        try:
            if place.stuck is not None:
                if place.stuck.poll() is None:
                    return Ran(
                        argv=arguments,
                        ended=Ended.STUCK,
                        stderr=f"process {place.stuck.pid} still hangs on this",
                        seconds=time.monotonic() - started,
                    )
                place.stuck = None
            return self._run_in(place, arguments, path, limit_seconds, started)
        finally:
            place.lock.release()

    def abandon(self) -> None:
        """Give up all programs that run now: they are killed as if their time were up, soon.

        What is run afterwards is not touched.
        """
        self._abandoned += 1

    def _find(self, program: str) -> str | None:
        """Give the full path of a program, or None; found paths are kept."""
        known = self._paths.get(program)
        if known is not None and os.access(known, os.X_OK):
            return known
        found = shutil.which(program, path=self._path)
        if found is None and program.startswith("/") and self.exists(program):
            return program  # it is there but may not be run: starting it tells why
        if found is not None:
            self._paths[program] = found
        return found

    def _run_in(
        self, place: _Lane, arguments: tuple[str, ...], path: str, limit: float, started: float
    ) -> Ran:
        """Start the program in its lane and see it to its end."""
        era = self._abandoned  # before it is started: it may be given up in the same moment
        try:
            process = subprocess.Popen(
                [path, *arguments[1:]],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=self._in_utc if _tells_times(arguments[0]) else self._environment,
                start_new_session=True,
                bufsize=0,
            )
        except FileNotFoundError as error:  # also: a script whose interpreter is missing
            return Ran(argv=arguments, ended=Ended.MISSING, stderr=str(error))
        except (OSError, ValueError) as error:
            return Ran(argv=arguments, ended=Ended.FORBIDDEN, stderr=str(error))
        pipes = _Pipes()
        self._drain(process, pipes, started + limit, era)
        whole = pipes.closed and self._wait(process, max(0.0, started + limit - time.monotonic()))
        if not whole:
            self._kill(process.pid)
            if not self._wait(process, self._grace_seconds):
                place.stuck = process
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()
        if place.stuck is not None:
            ended, status = Ended.STUCK, 0
        elif pipes.too_long:
            ended, status = Ended.TOO_LONG, process.returncode
        elif not whole:
            ended, status = Ended.TIMED_OUT, process.returncode
        else:
            status = process.returncode
            ended = Ended.KILLED if status < 0 else Ended.EXITED
        return Ran(
            argv=arguments,
            ended=ended,
            status=status,
            stdout=pipes.out.decode("utf-8", "replace"),
            stderr=pipes.err.decode("utf-8", "replace"),
            seconds=time.monotonic() - started,
        )

    def _drain(
        self, process: subprocess.Popen[bytes], pipes: _Pipes, until: float, era: int
    ) -> None:
        """Read both pipes until they close, the time is up or the limit passed, or given up."""
        with selectors.PollSelector() as selector:
            for pipe, into in ((process.stdout, pipes.out), (process.stderr, pipes.err)):
                if pipe is not None:
                    selector.register(pipe.fileno(), selectors.EVENT_READ, into)
            while selector.get_map():
                left = until - time.monotonic()
                if left <= 0 or self._abandoned != era:
                    return
                ready = selector.select(min(left, ABANDON_SECONDS))
                for key, _ in ready:
                    chunk = os.read(key.fd, _CHUNK_BYTES)
                    if not chunk:
                        selector.unregister(key.fd)
                        continue
                    key.data.extend(chunk)
                    if len(key.data) > self._output_limit:
                        pipes.too_long = True
                        return
        pipes.closed = True

    @staticmethod
    def _wait(process: subprocess.Popen[bytes], seconds: float) -> bool:
        """Wait for a process to end; tell whether it did."""
        try:
            process.wait(timeout=max(seconds, 0.05))
        except subprocess.TimeoutExpired:
            return False
        return True

    def read_text(self, path: str) -> str:
        """Read a file, undecodable bytes replaced; a file past the limit is an OSError."""
        with Path(path).open("rb") as file:
            content = file.read(FILE_LIMIT_BYTES + 1)
        if len(content) > FILE_LIMIT_BYTES:
            raise OSError(f"{path} is larger than {FILE_LIMIT_BYTES} bytes")
        return content.decode("utf-8", "replace")

    def list_dir(self, path: str) -> tuple[str, ...]:
        """Name the entries of a folder, sorted."""
        return tuple(sorted(entry.name for entry in Path(path).iterdir()))

    def real_path(self, path: str) -> str:
        """Follow links to the end; gives the path itself when it cannot be followed."""
        try:
            return os.path.realpath(path, strict=True)
        except (OSError, ValueError):
            return path

    def exists(self, path: str) -> bool:
        """Tell whether there is something at a path (a dangling link is nothing)."""
        try:
            return Path(path).exists()
        except (OSError, ValueError):
            return False
