"""The delivery process, seen from the daemon: started, woken, started again when it dies."""

from __future__ import annotations

import subprocess  # noqa: TID251 - the delivery is a process of its own
import sys
from collections.abc import Sequence
from pathlib import Path

MODULE = "watcher.service.delivery"
END_SECONDS = 10.0
"""How long the end of the daemon waits for the message under way. Our choice: a send has its own
limit of that order; the process goes on by itself if it takes longer."""


class DeliveryChild:
    """Keeps one delivery process going."""

    def __init__(self, store: Path, config: str | None, *, command: Sequence[str] = ()) -> None:
        """Set it up; nothing is started yet."""
        self._command = list(command) or [
            sys.executable,
            "-m",
            MODULE,
            "--store",
            str(store),
            *(("--config", config) if config else ()),
        ]
        self._process: subprocess.Popen[bytes] | None = None
        self.starts = 0

    @property
    def pid(self) -> int | None:
        """The number of the process, None while there is none."""
        return self._process.pid if self._process is not None else None

    def keep_going(self) -> bool:
        """Start the process when it is not running; False when it could not be started."""
        if self._process is not None and self._process.poll() is None:
            return True
        self.starts += 1
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own module
                self._command, stdin=subprocess.PIPE, start_new_session=True
            )
        except OSError:
            self._process = None
            return False
        return True

    def wake(self) -> None:
        """Say that there may be something to send."""
        self._say(b"wake\n")

    def reload(self) -> None:
        """Say that the settings changed."""
        self._say(b"reload\n")

    def _say(self, word: bytes) -> None:
        """Write a word to the process; one that is gone is started again at the next round."""
        if not self.keep_going() or self._process is None or self._process.stdin is None:
            return
        try:
            self._process.stdin.write(word)
            self._process.stdin.flush()
        except OSError:
            self._process.stdin.close()
            self._process = None

    def end(self, seconds: float = END_SECONDS) -> None:
        """Close its input, which lets it finish what is under way, and wait a while."""
        if self._process is None:
            return
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            return
