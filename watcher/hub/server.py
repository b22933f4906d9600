"""The running hub: the door in a thread of its own, and the clock's part in the caller's."""

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
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Protocol

import uvicorn

from watcher.hub.helpers import Helpers
from watcher.hub.intake import Door
from watcher.hub.line import is_loopback
from watcher.hub.shop import Shop
from watcher.service.clock import Clock
from watcher.store.errors import StoreAway, StoreError, StoreLocked

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
LONGEST_WAIT_SECONDS = 1.0
MIND_QUIET_EVERY = timedelta(minutes=1)
SLEPT_AFTER = timedelta(minutes=5)
"""Between two turns of a second each; our choice: a machine that was suspended, or whose clock was
set ahead, and not one that was busy."""
UPKEEP_EVERY = timedelta(hours=24)


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


class Delivers(Protocol):
    """The delivery, as far as the hub needs it."""

    def ensure(self, monotonic: float) -> int | None:
        """Start it when it is not running."""

    def wake(self) -> None:
        """Say that there may be something to send."""

    def stop(self) -> bool:
        """Let it finish and end it."""


class HubLoop:
    """The clock's part of the hub: books that fall due, boxes that fall quiet, upkeep."""

    def __init__(
        self,
        shop: Shop,
        clock: Clock,
        delivery: Delivers,
        *,
        quiet_after: timedelta,
        trouble: Callable[[str], None],
        alive: Callable[[str], object],
        helpers: Helpers | None = None,
        reload: Callable[[], timedelta | None] | None = None,
    ) -> None:
        """Put the parts together.

        ``reload`` reads the settings again and gives after what time a box is quiet; None: the old
        ones stay.
        """
        self._helpers, self._reload = helpers, reload
        self._reload_wanted = threading.Event()
        self.shop, self._clock, self._delivery = shop, clock, delivery
        self._quiet_after, self._trouble, self._alive = quiet_after, trouble, alive
        self._stop = threading.Event()
        self._quiet_at: datetime | None = None
        self._turned_at: datetime | None = None
        self._upkeep_at: datetime | None = None  # None: a pass goes on, or not known yet
        self._led: bool | None = None  # None: not asked yet
        self._said = ""  # why nothing can be written; "": it can
        self._cannot_since: datetime | None = None

    def end(self) -> None:
        """Stop; from any thread, also from a signal handler."""
        self._stop.set()

    def read_settings_again(self) -> None:
        """Do so at the next turn; from any thread, also from a signal handler."""
        self._reload_wanted.set()

    def run(self, door_runs: Callable[[], bool]) -> None:
        """Go on until stopped, or until the door is closed."""
        started = self._clock.now()
        # after a start nobody is quiet before it had the time to report
        self._quiet_at = started + self._quiet_after
        while not self._stop.is_set() and door_runs():
            self.turn()
            self._stop.wait(LONGEST_WAIT_SECONDS)

    def turn(self) -> None:
        """Do what has fallen due."""
        now = self._clock.now()
        if self._turned_at is not None and now - self._turned_at > SLEPT_AFTER:
            # asleep, or set ahead: nobody is quiet before having had the time to report
            self._quiet_at = now + self._quiet_after
        self._turned_at = now
        if self._reload_wanted.is_set() and self._reload is not None:
            self._reload_wanted.clear()
            self._quiet_after = self._reload() or self._quiet_after
        if self._helpers is not None:
            self._helpers.ensure(self._clock.monotonic())
        try:
            leads = self._leads()
            told = leads and self._mind(now)
        except StoreLocked:
            return  # somebody else writes; done again in a second
        except StoreError as error:
            self._cannot(error)
            return
        self._can_again()
        if leads:
            self._deliver(told=told)
        else:
            self._alive("takes surveys in; another hub minds the clock")

    def _leads(self) -> bool:
        """Tell whether this process minds the clock; of several on one database server one does.

        It is also the one that delivers: two would mix up the order of messages.
        """
        leads = self.shop.store.leads()
        if leads != self._led:
            if leads and self._led is False:
                self._trouble("This hub minds the clock now, and delivers the messages.")
            elif not leads:
                self._trouble("Another hub minds the clock and delivers; this one takes surveys.")
                self._delivery.stop()
            self._led = leads
            self._upkeep_at = None  # what others did meanwhile stands in the store
        return leads

    def _mind(self, now: datetime) -> bool:
        """Do the clock's part; True when there are messages to deliver."""
        told = self.shop.due(now)
        told = self.shop.gather(now) or told
        longest = max(self._quiet_after, MIND_QUIET_EVERY)
        if self._quiet_at is not None and self._quiet_at - now > longest:
            self._quiet_at = now + self._quiet_after  # the clock was set back
        if self._quiet_at is None or now >= self._quiet_at:
            told = self.shop.mind_the_quiet(now, self._quiet_after) or told
            self._quiet_at = now + MIND_QUIET_EVERY
        self._keep_small(now)
        return told

    def _keep_small(self, now: datetime) -> None:
        """Do a part of the daily upkeep, so that surveys never wait for all of it.

        How far it went stands in the store: a hub that is started anew, or takes over, goes on.
        """
        if self._upkeep_at is not None and timedelta(0) <= now - self._upkeep_at < UPKEEP_EVERY:
            return
        with self.shop.store.transaction() as tx:
            self._upkeep_at = tx.rolled_up_at(now)
            if self._upkeep_at is None or now - self._upkeep_at >= UPKEEP_EVERY:
                tx.roll_up_some(now)
                self._upkeep_at = tx.rolled_up_at(now)

    def _cannot(self, error: StoreError) -> None:
        """Say that nothing can be written, once for each reason until it can again."""
        if isinstance(error, StoreAway):
            self._alive("waits for its database server")
        words = f"The hub cannot write: {error}. Boxes keep their surveys."
        if words != self._said:
            self._trouble(words)
            self._said = words
        now = self._clock.now()
        self._cannot_since = self._cannot_since or now
        if now - self._cannot_since >= MIND_QUIET_EVERY:
            # boxes cannot report meanwhile: nobody is quiet before having had the time to
            self._quiet_at = now + self._quiet_after

    def _can_again(self) -> None:
        """Say that it writes again."""
        if self._said:
            self._trouble("The hub can write again.")
            self._said, self._cannot_since = "", None

    def _deliver(self, *, told: bool) -> None:
        """See to it that messages leave."""
        if told:
            self._delivery.wake()
        try:
            status = self._delivery.ensure(self._clock.monotonic())
        except OSError as error:
            self._trouble(f"Messages cannot be sent: the delivery does not start ({error}).")
            return
        if status is not None:
            self._trouble(f"The delivery ended by itself (status {status}); started again.")
        self._alive("takes surveys in")
