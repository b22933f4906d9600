"""Real servers on loopback that count what reaches them: mail, web hooks, and one that drips."""

from __future__ import annotations

import asyncio
import email
import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session


def free_port() -> int:
    """Give a port of loopback that nobody uses now."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Mailbox:
    """Takes mail and keeps it; answers as it is told to."""

    def __init__(self) -> None:
        self.mails: list[email.message.Message] = []
        self.answer = "250 OK"
        self.refused: set[str] = set()
        self.confirms = threading.Event()  # while it is clear, what was taken in is not confirmed
        self.confirms.set()

    async def handle_RCPT(  # noqa: N802 - aiosmtpd's name
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: Any
    ) -> str:
        if address in self.refused:
            return "550 5.1.1 no such person here"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - aiosmtpd's name
        self, _server: SMTP, _session: Session, envelope: Envelope
    ) -> str:
        if self.answer.startswith("250"):
            content = envelope.content
            assert isinstance(content, bytes)
            self.mails.append(email.message_from_bytes(content))
        if not self.confirms.is_set():
            await asyncio.to_thread(self.confirms.wait)
        return self.answer

    @property
    def ids(self) -> list[str]:
        """The message ids that arrived, in order."""
        return [str(mail["X-Midwatch-Message"]) for mail in self.mails]


@contextmanager
def mail_server(box: Mailbox, port: int) -> Iterator[None]:
    """Run a mail server while the block lasts."""
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield
    finally:
        controller.stop(no_assert=True)


class Hook:
    """Takes web hooks and keeps them."""

    def __init__(self) -> None:
        self.posts: list[tuple[dict[str, str], dict[str, Any]]] = []
        self.status = 200
        self.confirms = threading.Event()  # while it is clear, what was taken in is not confirmed
        self.confirms.set()


@contextmanager
def web_server(hook: Hook) -> Iterator[int]:
    """Run a web server while the block lasts; gives its port."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            hook.posts.append((dict(self.headers), json.loads(body)))
            hook.confirms.wait()
            self.send_response(hook.status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def dripping_server(greeting: bytes, every_seconds: float = 0.3) -> Iterator[int]:
    """Run a server that sends one byte at a time and never comes to an end; gives its port."""
    stop = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(0.1)

    def drip(connection: socket.socket) -> None:
        with connection:
            place = 0
            while not stop.wait(every_seconds):
                try:
                    connection.send(greeting[place % len(greeting) :][:1])
                except OSError:
                    return
                place += 1

    threads: list[threading.Thread] = []

    def accept() -> None:
        while not stop.is_set():
            try:
                connection, _ = listener.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            one = threading.Thread(target=drip, args=(connection,), daemon=True)
            one.start()
            threads.append(one)

    door = threading.Thread(target=accept, daemon=True)
    door.start()
    try:
        yield int(listener.getsockname()[1])
    finally:
        stop.set()
        door.join()
        listener.close()
        for one in threads:
            one.join()


def wait_until(holds: Callable[[], bool], seconds: float) -> bool:
    """Look again and again until something holds; False when the time is over."""
    pause = threading.Event()
    for _ in range(int(seconds / 0.05)):
        if holds():
            return True
        pause.wait(0.05)
    return holds()
