"""Asking a disk for a proof that it keeps what it takes, and not waiting for it without end.

A drive that is dying may hold a write for minutes, and a process that waits for it cannot even be
killed (the state D of ps(1)). A watch that begins must not stand there: nobody would be told.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from contextlib import suppress

from watcher.store.errors import StoreDiskFails

PROOF_SECONDS = 60.0
"""How long a disk may take to keep one page. Our choice: one that is busy with a rebuild takes
seconds; less than the time that the unit gives to the start (TimeoutStartSec=)."""


class DiskProof:
    """Asks one disk, one question at a time."""

    def __init__(self, seconds: float = PROOF_SECONDS) -> None:
        """Begin with nothing asked."""
        self._seconds = seconds
        self._thread: threading.Thread | None = None

    @property
    def stands_still(self) -> bool:
        """Whether a question has not been answered yet."""
        return self._thread is not None and self._thread.is_alive()

    def ask(self, prove: Callable[[], None], where: str) -> None:
        """Wait for ``prove``, which raises what is wrong; ``where`` names the store.

        Raises that too, and StoreDiskFails when no answer came in time; as long as none has come
        the disk is not asked again.
        """
        answers: queue.SimpleQueue[BaseException | None] = queue.SimpleQueue()

        def work() -> None:
            try:
                prove()
            except BaseException as error:  # noqa: BLE001 - it is raised where the answer is awaited
                answers.put(error)
            else:
                answers.put(None)

        if not self.stands_still:
            self._thread = threading.Thread(target=work, name="proof of the disk", daemon=True)
            self._thread.start()
            with suppress(queue.Empty):
                error = answers.get(timeout=self._seconds)
                if error is not None:
                    raise error
                return
        raise StoreDiskFails(f"the disk under {where} does not answer: look at that drive first")
