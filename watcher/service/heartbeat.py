"""The heartbeat: calls an address of the owner's, so that somebody notices when we fall silent."""

from __future__ import annotations

import http.client
import queue
import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from urllib.parse import urlsplit

TIMEOUT_SECONDS = 10.0


def beat(url: str, *, timeout_seconds: float = TIMEOUT_SECONDS) -> bool:
    """Call the address with a GET; True when it answered with a success (2xx).

    Only http and https; anything else, and every failure, gives False: the missing call is the
    message. The time limit is one for each step: a name server that is away and a server that drips
    hold it longer, so it is called by a ``Heart``.
    """
    try:
        if urlsplit(url).scheme not in {"http", "https"}:
            return False
        request = urllib.request.Request(url, headers={"User-Agent": "midwatch"})  # noqa: S310
        with urllib.request.urlopen(request, timeout=timeout_seconds) as answer:  # noqa: S310
            status: int = answer.status
    except (OSError, ValueError, http.client.HTTPException):
        return False
    return 200 <= status < 300


class Heart:
    """Calls in a thread of its own: a call that hangs holds up nothing but the next call."""

    def __init__(self, call: Callable[[], object]) -> None:
        """Begin with no thread; ``call`` does one call and may take as long as it likes."""
        self._call = call
        self._asked: queue.SimpleQueue[None] = queue.SimpleQueue()
        self._calling = threading.Lock()
        self._thread: threading.Thread | None = None

    def beat(self) -> bool:
        """Have the address called, at once; False when the call before it is not back."""
        if not self._calling.acquire(blocking=False):
            return False
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="heartbeat", daemon=True)
            self._thread.start()
        self._asked.put(None)
        return True

    def _work(self) -> None:
        """Call whenever asked to, for as long as the process lives."""
        while True:
            self._asked.get()
            self._call()
            self._calling.release()
