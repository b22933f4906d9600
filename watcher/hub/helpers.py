"""More processes at one door: each takes surveys by itself, beside the hub that started it.

They share the socket on which the hub listens, and the store. The clock's part, the pages and the
delivery stay with the hub. A helper says ``told`` when it decided something that is to be sent,
reads the settings again when it is told ``reload``, and ends when its input closes: with the hub,
however that ends. One that dies costs the surveys that it had not answered, which their boxes send
again; another is started in its place.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import IO

RESTART_SECONDS = 5.0
"""Between the end of a helper and the start of the next; our choice: soon, and no storm of them."""

END_SECONDS = 10.0

TOLD = b"told\n"
RELOAD = b"reload\n"


def helper_command(config: str | None, listening: int) -> tuple[str, ...]:
    """Give the command line of a helper; it holds no secret."""
    command = [sys.executable, "-m", "watcher.cli.helper", "--listening", str(listening)]
    return (*command, "--config", config) if config is not None else tuple(command)


class Helpers:
    """Keeps some helpers running. ``ensure`` is called from the hub's loop."""

    def __init__(
        self,
        command: Sequence[str],
        count: int,
        *,
        listening: int,
        environ: Mapping[str, str],
        wake: Callable[[], None],
        trouble: Callable[[str], None],
    ) -> None:
        """Begin with none running; ``listening`` is the socket's number, which they inherit."""
        self._command, self._environ, self._listening = tuple(command), dict(environ), listening
        self._wake, self._trouble = wake, trouble
        self._running: list[subprocess.Popen[bytes] | None] = [None] * count
        self._start_at = [0.0] * count

    @property
    def pids(self) -> tuple[int, ...]:
        """The process ids of those that run."""
        return tuple(process.pid for process in self._running if process is not None)

    def ensure(self, monotonic: float) -> None:
        """Start those that do not run; say so when one had ended by itself."""
        for place, process in enumerate(self._running):
            if process is not None and process.poll() is not None:
                _close(process)
                self._trouble(
                    f"A helper at the door ended by itself (status {process.returncode}); its "
                    "boxes send again, and another is started."
                )
                self._running[place] = None
                self._start_at[place] = monotonic + RESTART_SECONDS
            if self._running[place] is None and monotonic >= self._start_at[place]:
                self._running[place] = self._start(monotonic, place)

    def _start(self, monotonic: float, place: int) -> subprocess.Popen[bytes] | None:
        try:
            process = subprocess.Popen(
                self._command,
                env=self._environ,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                pass_fds=(self._listening,),
                start_new_session=True,
            )
        except OSError as error:
            self._trouble(f"A helper at the door does not start ({error}).")
            self._start_at[place] = monotonic + RESTART_SECONDS
            return None
        if process.stdout is not None:
            threading.Thread(target=self._hear, args=(process.stdout,), daemon=True).start()
        return process

    def _hear(self, said: IO[bytes]) -> None:
        """Pass on that there is something to send, until the helper ends."""
        with said:
            for line in said:
                if line == TOLD:
                    self._wake()

    def reload(self) -> None:
        """Have them read the settings again, which are good; one that ends now begins with them."""
        for process in self._running:
            if process is not None and process.stdin is not None:
                with contextlib.suppress(OSError):
                    process.stdin.write(RELOAD)
                    process.stdin.flush()

    def stop(self) -> None:
        """End them; what is at hand is finished, for a bounded time."""
        running = [process for process in self._running if process is not None]
        self._running = [None] * len(self._running)
        for process in running:
            if process.stdin is not None:
                process.stdin.close()
        for process in running:
            try:
                process.wait(END_SECONDS)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            _close(process)


def _close(process: subprocess.Popen[bytes]) -> None:
    """Close the pipes to one that has ended; the thread that heard it ends by itself."""
    if process.stdin is not None:
        try:
            process.stdin.close()
        except OSError:
            return
