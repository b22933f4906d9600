"""The half that looks: has the drives, has no network, keeps nothing on the disk.

It listens on a Unix socket, lets in only the users it was told of (by the kernel's word, not
theirs), and does three things: look, read its own settings again, ring. What is looked at and by
which programs stands in its own settings; the desk can ask for a look, not for a command.

One look at a time. While it goes on, "busy" is said every few seconds, so that the desk can tell
a slow drive from a dead reader.
"""

from __future__ import annotations

import os
import queue
import selectors
import socket
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from watcher.facts.pool import Pool
from watcher.readers.kernel_log import Position
from watcher.readers.taken import Taken
from watcher.service.allocator import give_back_now
from watcher.service.half_words import (
    LONGEST_REQUEST_BYTES,
    Answer,
    Busy,
    Closed,
    Done,
    Failed,
    Listen,
    Look,
    OddWords,
    Reload,
    Ring,
    Seen,
    read_request,
    receive,
    send,
    user_at,
    write_answer,
)
from watcher.service.our_fault import name_fault

MOST_CALLERS = 8
"""Connections at a time. Our choice: the desk has two; the rest is for one that is restarted."""
MOST_LISTENERS = 4
"""Connections that wait for a ring; the oldest goes first."""
BUSY_EVERY_SECONDS = 5.0
"""How often "busy" is said during a look; the desk waits several times as long."""
LISTEN_SECONDS = 5.0
"""How often the bell is looked at. Our choice: as often as a watch in one process does."""
SEND_SECONDS = 20.0
"""How long a caller may take to take an answer in."""
REQUEST_SECONDS = 20.0
"""How long a request may take once it has begun to arrive."""


class Looks(Protocol):
    """The surveyor, as far as the reader needs it."""

    @property
    def remember(self) -> Callable[[Iterable[Pool]], None]:
        """Take over the pools of a look made before this run."""

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        """Look at everything once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """What the reader works with."""

    surveyor: Looks
    rings: Callable[[float], bool]  # whether the bell rings, by the monotonic clock
    reload: Callable[[], str]  # read the settings again; "" or why the old ones stay
    say: Callable[[str], None]  # a sentence for the log
    users: frozenset[int]  # who may ask


def open_socket(path: Path) -> socket.socket:
    """Listen at a path, open to our group; an old socket there that nobody answers is replaced.

    Raises OSError, also when another reader listens there, or when something else is there.
    """
    if path.exists() and not path.is_socket():
        raise FileExistsError(17, "this is no socket, and is left alone", str(path))
    with suppress(FileNotFoundError), socket.socket(socket.AF_UNIX) as probe:
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
        else:
            raise FileExistsError(17, "another reader listens there", str(path))
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    before = os.umask(0o117)
    try:
        listening.bind(str(path))
    finally:
        os.umask(before)
    listening.listen(MOST_CALLERS)
    return listening


class Reader:
    """Answers on a listening socket until stopped."""

    def __init__(self, listening: socket.socket, ways: Ways) -> None:
        """Take the socket and what to work with; nothing runs yet."""
        self._listening = listening
        self._ways = ways
        self._looking = threading.Lock()
        self._callers: set[socket.socket] = set()
        self._listeners: queue.SimpleQueue[socket.socket] = queue.SimpleQueue()
        self._stop_here, self._stop_there = socket.socketpair()

    def stop(self) -> None:
        """Ask it to end; from any thread, also from a signal handler."""
        with suppress(OSError):  # it has ended already
            self._stop_there.send(b".")

    def serve(self) -> None:
        """Answer until stopped."""
        self._listening.settimeout(0)
        listeners: list[socket.socket] = []
        with selectors.DefaultSelector() as selector:
            selector.register(self._listening, selectors.EVENT_READ)
            selector.register(self._stop_here, selectors.EVENT_READ)
            while True:
                ready = {key.fileobj for key, _ in selector.select(LISTEN_SECONDS)}
                if self._stop_here in ready:
                    break
                if self._listening in ready:
                    self._let_in()
                while not self._listeners.empty():
                    listeners = [*listeners, self._listeners.get()]
                for old in listeners[:-MOST_LISTENERS]:
                    old.close()
                listeners = listeners[-MOST_LISTENERS:]
                if listeners and self._ways.rings(time.monotonic()):
                    listeners = [one for one in listeners if self._ring(one)]
        for sock in (self._listening, *listeners):
            sock.close()
        for caller in tuple(self._callers):  # their threads see it, and close them
            with suppress(OSError):
                caller.shutdown(socket.SHUT_RDWR)
        self._stop_there.close()
        self._stop_here.close()

    def _let_in(self) -> None:
        """Let a caller in who may ask, and answer in a thread of its own."""
        try:
            caller, _ = self._listening.accept()
        except OSError:
            return
        user = user_at(caller)
        if user not in self._ways.users or len(self._callers) >= MOST_CALLERS:
            why = "may not ask" if user not in self._ways.users else "came as one too many"
            self._ways.say(f"A caller of user {user} {why} and was turned away.")
            caller.close()
            return
        self._callers.add(caller)
        threading.Thread(target=self._answer, args=(caller,), name="caller", daemon=True).start()

    def _answer(self, caller: socket.socket) -> None:
        """Answer one caller until it goes, says something odd, or begins to listen."""
        listens = False
        try:
            while not listens:
                listens = self._answer_one(caller)
        except (Closed, TimeoutError, ConnectionError):
            listens = False
        except (OddWords, OSError) as odd:
            self._ways.say(f"A caller was turned away: {odd}.")
        finally:
            self._callers.discard(caller)
            if listens:
                self._listeners.put(caller)
            else:
                caller.close()

    def _answer_one(self, caller: socket.socket) -> bool:
        """Wait for a request and answer it; True when the caller listens from now on."""
        caller.settimeout(None)
        if not caller.recv(1, socket.MSG_PEEK):
            raise Closed("the caller is gone")
        request = read_request(
            receive(caller, LONGEST_REQUEST_BYTES, time.monotonic() + REQUEST_SECONDS)
        )
        match request:
            case Look():
                self._look(caller, request)
            case Reload():
                why = self._ways.reload()
                self._tell(caller, Failed(sentence=why[:2000]) if why else Done())
            case Listen():
                self._tell(caller, Done())
                return True
        return False

    def _look(self, caller: socket.socket, request: Look) -> None:
        """Look, and say "busy" meanwhile."""
        while not self._looking.acquire(timeout=BUSY_EVERY_SECONDS):
            self._tell(caller, Busy())
        came: queue.SimpleQueue[Seen | Failed] = queue.SimpleQueue()
        looker = threading.Thread(
            target=self._look_now, args=(request, came), name="look", daemon=True
        )
        looker.start()  # gives the lock back, whatever becomes of the caller
        while True:
            try:
                answer = came.get(timeout=BUSY_EVERY_SECONDS)
            except queue.Empty:
                self._tell(caller, Busy())
                continue
            self._tell(caller, answer)
            give_back_now()
            return

    def _look_now(self, request: Look, came: queue.SimpleQueue[Seen | Failed]) -> None:
        """Take the look; a fault of ours becomes an answer too."""
        try:
            if request.pools is not None:
                self._ways.surveyor.remember(request.pools)
            taken = self._ways.surveyor.take(
                request.survey, request.now, position=request.position, deep=request.deep
            )
            came.put(Seen(taken=taken))
        except Exception as error:  # noqa: BLE001 - the outermost ring: the desk is told
            came.put(Failed(sentence=f"a fault of ours, {name_fault(error)}"))
        finally:
            self._looking.release()

    def _tell(self, caller: socket.socket, answer: Answer) -> None:
        """Send an answer; one that is too long becomes a failure that says so."""
        try:
            message = write_answer(answer)
        except (OddWords, ValueError) as odd:
            message = write_answer(Failed(sentence=f"what was seen cannot be handed over: {odd}"))
        send(caller, message, SEND_SECONDS)

    def _ring(self, listener: socket.socket) -> bool:
        """Ring at a listener; False when it is gone, or does not take its rings in."""
        try:
            listener.settimeout(0)
            listener.sendall(write_answer(Ring()))
        except OSError:
            listener.close()
            return False
        return True


def users_of(names: Iterable[int]) -> frozenset[int]:
    """Give who may ask: those named, root, and whoever runs the reader."""
    return frozenset({0, os.geteuid(), *names})
