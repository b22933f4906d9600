"""A line between a box and its hub that delays, cuts in the middle and loses answers, by a seed."""

from __future__ import annotations

import contextlib
import random
import socket
import threading
import time
from typing import Self

PIECE = 1024


class BadLine:
    """Listens on loopback and passes on to a port, badly."""

    def __init__(self, to: int, seed: int, *, cuts: float = 0.4, delay: float = 0.02) -> None:
        self._to, self._chance = to, random.Random(seed)
        self._cuts, self._delay = cuts, delay
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._lock = threading.Lock()
        self.cut = self.passed = 0
        self._ends = False

    @property
    def port(self) -> int:
        return int(self._listening.getsockname()[1])

    def __enter__(self) -> Self:
        threading.Thread(target=self._listen, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ends = True
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()

    def mend(self) -> None:
        """Cut nothing from now on."""
        self._cuts = 0.0

    def _listen(self) -> None:
        while not self._ends:
            try:
                box, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(box,), daemon=True).start()

    def _serve(self, box: socket.socket) -> None:
        """Pass both ways; some connections end after a number of bytes of one of them."""
        with self._lock:
            cut = self._chance.random() < self._cuts
            up = self._chance.randrange(6 * PIECE) if cut else None
            down = self._chance.randrange(200) if cut and self._chance.random() < 0.5 else None
            if down is not None:
                up = None  # the hub has it all, and the box hears nothing of it
        with (
            contextlib.suppress(OSError),
            box,
            socket.create_connection(("127.0.0.1", self._to)) as hub,
        ):
            back = threading.Thread(target=self._pass, args=(hub, box, down), daemon=True)
            back.start()
            self._pass(box, hub, up)
            back.join()

    def _pass(self, source: socket.socket, sink: socket.socket, most: int | None) -> None:
        left = most
        with contextlib.suppress(OSError):
            while data := source.recv(PIECE):
                time.sleep(self._delay * self._chance.random())
                if left is not None:
                    data = data[:left]
                    left -= len(data)
                if data:
                    sink.sendall(data)
                if left == 0:
                    self.cut += 1
                    source.shutdown(socket.SHUT_RDWR)
                    break
            self.passed += 1
            sink.shutdown(socket.SHUT_RDWR)
