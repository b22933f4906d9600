"""The daemon's end of the delivery process: starts it, wakes it, starts it again when it dies.

The child is in a session of its own, so that an interrupt on the terminal does not cut a message
in half, and it ends when its input closes: with the daemon, however that ends. Through a second
pipe it says what has left (``left.py``).
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime

from watcher.service.left import Left

RESTART_FIRST_SECONDS = 1.0
RESTART_LONGEST_SECONDS = 60.0
"""Gaps between starts when it dies again and again, doubling. Our choice: soon enough for a
message that cannot wait, seldom enough not to fill the log."""
LONG_ENOUGH_SECONDS = 60.0
"""A child that lived that long counts as well, and the gap begins anew."""
END_SECONDS = 40.0
"""How long it may take to finish what is under way: a time limit of a message and its graces."""

KILLED_SECONDS = 5.0
"""How long one that was killed is waited for; our choice, far more than any needs to end."""


def delivery_command(
    store: str | None, config: str | None, *, to_the_end: bool = False
) -> tuple[str, ...]:
    """Give the command line of the delivery process; it holds no secret.

    Without ``store`` (a path) it is found by the settings: the address of a server is a secret.
    With ``to_the_end`` it delivers what is due before it ends.
    """
    command = [sys.executable, "-m", "watcher.service.delivery_main"]
    if store is not None:
        command += ["--store", store]
    if config is not None:
        command += ["--config", config]
    if to_the_end:
        command.append("--to-the-end")
    return tuple(command)


class DeliveryChild:
    """Keeps a delivery process running. ``ensure`` is called from the daemon's loop."""

    def __init__(self, command: Sequence[str], environ: Mapping[str, str]) -> None:
        """Begin with none running."""
        self._command, self._environ = tuple(command), dict(environ)
        self._process: subprocess.Popen[bytes] | None = None
        self._left, self._hears = Left(), -1  # the pipe it speaks into, while it runs
        self._started_at = 0.0
        self._retry_at = 0.0
        self._times = 0

    @property
    def pid(self) -> int | None:
        """Give the process id of the running delivery, or None."""
        return self._process.pid if self._process is not None else None

    @property
    def left(self) -> Mapping[str, datetime]:
        """Which messages have left, as it said: the latest, by their ids, and when."""
        return self._left.messages

    def ensure(self, monotonic: float) -> int | None:
        """Start the delivery when none runs and its gap is over.

        Gives with what status it ended by itself, when it did: minus the signal's number when it
        was killed. Raises OSError when it cannot be started at all.
        """
        status = None
        if self._process is not None:
            status = self._process.poll()
            self._left.read(self._hears)
            if status is None:
                return None
            self._shut(self._process)
            self._process = None
            lived = monotonic - self._started_at
            self._times = 1 if lived >= LONG_ENOUGH_SECONDS else self._times + 1
            gap = RESTART_FIRST_SECONDS * (1 << min(self._times - 1, 10))
            self._retry_at = monotonic + min(gap, RESTART_LONGEST_SECONDS)
        if monotonic >= self._retry_at:
            self._process = self._start()
            self._started_at = monotonic
        return status

    def _start(self) -> subprocess.Popen[bytes]:
        """Start it, with a pipe to it and one from it that never hold up the daemon."""
        hears, says = os.pipe()
        try:
            process = subprocess.Popen(
                (*self._command, "--left", str(says)),
                env=self._environ,
                stdin=subprocess.PIPE,
                bufsize=0,
                start_new_session=True,
                pass_fds=(says,),
            )
        except OSError:
            os.close(hears)
            raise
        finally:
            os.close(says)
        os.set_blocking(hears, False)
        if process.stdin is not None:
            os.set_blocking(process.stdin.fileno(), False)
        self._hears = hears
        self._left.begin_anew()
        return process

    def wake(self) -> None:
        """Say that there may be something new in the outbox."""
        self._say(b"wake\n")

    def reload(self) -> None:
        """Say that the settings file was changed and is good."""
        self._say(b"reload\n")

    def stop(self, seconds: float = END_SECONDS) -> bool:
        """Let it finish what is under way and end; False when it had to be killed."""
        process, self._process = self._process, None
        if process is None:
            return True
        _close_input(process)
        try:
            process.wait(timeout=seconds)
        except subprocess.TimeoutExpired:
            process.kill()
            with suppress(subprocess.TimeoutExpired):  # on a disk that hangs it ends when that does
                process.wait(timeout=KILLED_SECONDS)
            return False
        finally:
            self._left.read(self._hears)
            self._shut(process)
        return True

    def _shut(self, process: subprocess.Popen[bytes]) -> None:
        """Close both pipes of one that has ended."""
        _close_input(process)
        os.close(self._hears)
        self._hears = -1

    def _say(self, word: bytes) -> None:
        """Say a word; a dead or stuck child is noticed by ``ensure``, not here."""
        if self._process is None or self._process.stdin is None:
            return
        try:
            self._process.stdin.write(word)
        except OSError:
            return


def _close_input(process: subprocess.Popen[bytes]) -> None:
    """Close the pipe to a child; what a dead one did not read does not matter."""
    if process.stdin is not None:
        try:
            process.stdin.close()
        except OSError:
            return
