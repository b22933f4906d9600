"""The server of the pages: uvicorn with h11, in a thread of the watch or alone.

uvicorn 0.54 closes a connection that has been idle after an answer, but waits for ever for the
first bytes of a head, and for a head that comes byte by byte; ``Bounded`` ends both.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

from watcher.web.app import make_app
from watcher.web.guard import LARGEST_HEAD
from watcher.web.site import Site

HEAD_SECONDS = 8.0
"""How long the head of a request may take to arrive; our choice."""

KEEP_SECONDS = 15
MOST_CONNECTIONS = 64
"""Connections at one time; beyond it the answer is 503. Our choice: a household and a shop."""

STOP_SECONDS = 3


class Bounded(H11Protocol):
    """uvicorn's protocol with a limit on how long a head may take, and on how many may be called.

    uvicorn refuses requests beyond ``limit_concurrency``, with an answer, and lets silent calls be
    as many as like: beyond twice that many none is taken.
    """

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as uvicorn has it
        """Begin to wait for the first head."""
        super().connection_made(transport)
        if self.limit_concurrency and len(self.connections) > 2 * self.limit_concurrency:
            transport.abort()
        else:
            self._wait()

    def data_received(self, data: bytes) -> None:
        """Take bytes; wait on while they make no whole head."""
        super().data_received(data)
        if _is_answering(self):
            self._wait_no_more()
        elif self._waiting is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._wait_no_more()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """Wait for the next head as long as a connection is kept."""
        super().on_response_complete()
        self._wait_no_more()

    def _wait(self) -> None:
        self._waiting = self.loop.call_later(HEAD_SECONDS, self._too_late)

    def _wait_no_more(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _too_late(self) -> None:
        if not self.transport.is_closing():
            self.transport.abort()


def _is_answering(protocol: H11Protocol) -> bool:
    """Tell whether a request is in and its answer is not out."""
    cycle: RequestResponseCycle | None = protocol.cycle
    return cycle is not None and not cycle.response_complete


def settings(site: Site, port: int) -> uvicorn.Config:
    """Give how the server runs."""
    return uvicorn.Config(
        make_app(site),
        host=site.terms.listen_address,
        port=port,
        http=Bounded,
        ws="none",
        lifespan="off",
        loop="asyncio",
        access_log=False,  # addresses hold links
        log_config=None,
        log_level="error",  # at warning, any stranger's nonsense leaves a line in the journal
        server_header=False,
        date_header=True,
        proxy_headers=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=KEEP_SECONDS,
        timeout_graceful_shutdown=STOP_SECONDS,
        backlog=128,
        h11_max_incomplete_event_size=LARGEST_HEAD,
    )


class PageServer:
    """Serves the pages from a thread of its own; never takes the watch down with it."""

    def __init__(self, site: Site, port: int) -> None:
        """Get ready; nothing runs yet."""
        self.site = site
        self._server = uvicorn.Server(settings(site, port))
        self._thread: threading.Thread | None = None
        self._socket: socket.socket | None = None

    @property
    def port(self) -> int:
        """The port on which pages are served."""
        return int(self._socket.getsockname()[1]) if self._socket is not None else 0

    def start(self) -> None:
        """Begin to serve. Raises OSError when the address cannot be had."""
        config = self._server.config
        family = socket.AF_INET6 if ":" in config.host else socket.AF_INET
        taken = socket.socket(family, socket.SOCK_STREAM)
        try:
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            taken.bind((config.host, config.port))
            taken.listen(config.backlog)  # who comes before the server runs waits for it
        except OSError:
            taken.close()
            raise
        self._socket = taken
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            asyncio.run(self._server.serve(sockets=[self._socket] if self._socket else None))
        except Exception as fault:  # noqa: BLE001 - the pages end, the watch goes on and says so
            self.site.trouble(
                f"The pages ended by a fault of ours ({type(fault).__name__}: {fault})."
            )

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until it ends; False when it still runs after so long."""
        if self._thread is not None:
            self._thread.join(seconds)
            return not self._thread.is_alive()
        return True

    def stop(self) -> None:
        """End it, letting answers that are on their way arrive."""
        self._server.should_exit = True
        self.wait(STOP_SECONDS + 2)
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.close()
