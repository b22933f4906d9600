"""Where the hub listens: the door, in a thread of its own."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import resource
import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import uvicorn

from watcher.hub.intake import Door
from watcher.service.loopback import is_loopback

COLLECT_AFTER = 50_000
"""Objects made and not let go of before the collector looks; our choice: more than a survey makes.
"""

KEEP_SECONDS = 30
MOST_CONNECTIONS = 2000
HANDSHAKE_SECONDS = 10.0
"""How long a call may take to agree on TLS; our choice: three times to and fro on a slow line."""
SPARE_FILES = 256
"""Files and pipes beside the calls: the store, the delivery, the helpers. Our choice: ten times
what is open, for calls that have not agreed on TLS yet are not counted among the calls."""
LARGEST_HEAD = 16 * 1024
STOP_SECONDS = 3
BACKLOG = 1024
TAKEN_AT_ONCE = 1
"""Calls that a process takes between two looks at what else is to be done: so of many that wait,
as when all boxes come back at once, each of several processes gets those that it has time for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the hub listens. ``certificate`` is "" for loopback only."""

    address: str
    port: int
    certificate: str = ""
    key: str = ""

    def __post_init__(self) -> None:
        """Refuse to listen to the world without a certificate."""
        if not self.certificate and not is_loopback(self.address):
            raise ValueError(
                f"Without a certificate the hub listens on this machine only, not on "
                f"{self.address}: set shop.certificate_file, or put a proxy before it."
            )


class Listening(socket.socket):
    """A socket to listen on, for one or for several processes.

    However many calls a process takes at a time, so many may wait here.
    """

    def listen(self, backlog: int = BACKLOG) -> None:
        """Listen. ``backlog`` is what asyncio takes at a time, and not what may wait."""
        del backlog
        super().listen(BACKLOG)


class DoorServer:
    """Serves the door from a thread."""

    def __init__(
        self,
        door: Door,
        place: Place,
        trouble: Callable[[str], None],
        protocol: type[asyncio.Protocol] | None = None,
        *,
        listening: Listening | None = None,
    ) -> None:
        """Get ready. ``protocol`` is uvicorn's, with limits of the caller's. Raises OSError.

        ``listening`` is a socket that another process opened; by default one is opened here.
        """
        more: dict[str, Any] = {"http": protocol} if protocol is not None else {"http": "h11"}
        if place.certificate:
            more |= {"ssl_certfile": place.certificate, "ssl_keyfile": place.key or None}
        self._door, self._place, self._trouble = door, place, trouble
        self._server = uvicorn.Server(
            uvicorn.Config(
                door.app(),
                host=place.address,
                port=place.port,
                ws="none",
                lifespan="off",
                loop="asyncio",
                access_log=False,
                log_config=None,
                log_level="warning",
                server_header=False,
                proxy_headers=False,
                limit_concurrency=room_for_calls(),
                timeout_keep_alive=KEEP_SECONDS,
                timeout_graceful_shutdown=STOP_SECONDS,
                backlog=TAKEN_AT_ONCE,
                h11_max_incomplete_event_size=LARGEST_HEAD,
                **more,
            )
        )
        self._socket = listening or _listen(place)
        self._thread = threading.Thread(target=self._run, name="door", daemon=True)
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def listening(self) -> int:
        """The number of the socket on which the hub listens."""
        return self._socket.fileno()

    @property
    def port(self) -> int:
        """The port on which the hub listens."""
        return int(self._socket.getsockname()[1])

    def start(self) -> None:
        """Begin to take surveys."""
        self._thread.start()

    async def _serve(self) -> None:
        self._loop = loop = asyncio.get_running_loop()
        if self._place.certificate:
            serve = partial(loop.create_server, ssl_handshake_timeout=HANDSHAKE_SECONDS)
            loop.create_server = serve  # type: ignore[method-assign] # uvicorn hands on no such bound
        await self._server.serve(sockets=[self._socket])

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as fault:  # noqa: BLE001 - told, and the rest of the hub goes on
            self._trouble(f"The door ended by a fault of ours ({type(fault).__name__}: {fault}).")

    @property
    def runs(self) -> bool:
        """Whether it is serving."""
        return self._thread.is_alive()

    def renew_certificate(self) -> str:
        """Read the certificate and its key again, for calls from now on; give why not, or ""."""
        files = (self._place.certificate, self._place.key or None)
        context = self._server.config.ssl if self._server.config.loaded else None
        if context is None:
            return ""
        try:
            ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(*files)
            context.load_cert_chain(*files)
        except OSError as error:  # ssl.SSLError is one
            return f"The certificate was not read again; the old one stays ({error})."
        return ""

    def listen_no_more(self) -> None:
        """Take no more calls, so that the port is free; what is at hand goes on.

        Other processes that share the socket go on listening: it is closed here, not shut down.
        """
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._hang_up)

    def _hang_up(self) -> None:
        for listening in getattr(self._server, "servers", ()):
            listening.close()

    def stop(self) -> None:
        """End it; what is at hand is finished."""
        self._server.should_exit = True
        self._thread.join(STOP_SECONDS + 2)
        self._door.close()
        with contextlib.suppress(OSError):
            self._socket.close()


def _listen(place: Place) -> Listening:
    """Open the socket to listen on. Raises OSError."""
    family = socket.AF_INET6 if ":" in place.address else socket.AF_INET
    opened = Listening(family, socket.SOCK_STREAM)
    try:
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((place.address, place.port))
        opened.listen()  # so that nobody is turned away while the server starts
    except OSError:
        opened.close()
        raise
    return opened


def room_for_calls() -> int:
    """Let this process open the files that its calls need; give how many calls it answers at most.

    Twice as many may be open; see ``web.server.Bounded``.

    A process may open 1024 files unless it asks for more (getrlimit(2)), so silent calls of anybody
    would leave none for the store.
    """
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 2 * MOST_CONNECTIONS + SPARE_FILES
    most = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    if soft != resource.RLIM_INFINITY and soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
        soft = most
    if soft == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(1, min(MOST_CONNECTIONS, (soft - SPARE_FILES) // 2))


def ease_collector() -> None:
    """Let Python look for cycles less often: what takes a survey in leaves hardly any behind.

    A survey in hand is 20,000 objects or so, which the collector would walk some thirty times
    while it is judged; that is a tenth of its cost, measured.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(COLLECT_AFTER)
