"""The heartbeat calls an address and tells whether that worked."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer

from tests.lab.receivers import dripping_server, free_port
from watcher.service.heartbeat import beat


@contextmanager
def listener(status: int) -> Iterator[tuple[int, list[str]]]:
    calls: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            calls.append(self.path)
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_port, calls
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def test_an_answer_of_success_is_a_beat() -> None:
    with listener(200) as (port, calls):
        assert beat(f"http://127.0.0.1:{port}/alive/attic")
        assert calls == ["/alive/attic"]


def test_an_error_or_nobody_there_is_none() -> None:
    with listener(500) as (port, _):
        assert not beat(f"http://127.0.0.1:{port}/")
    assert not beat(f"http://127.0.0.1:{free_port()}/", timeout_seconds=2)


def test_a_dripping_server_does_not_hold_it() -> None:
    with dripping_server(b"HTTP/1.1 200 OK\r\n" * 100, every_seconds=0.1) as port:
        assert not beat(f"http://127.0.0.1:{port}/", timeout_seconds=0.05)


def test_other_kinds_of_addresses_are_not_called() -> None:
    assert not beat("file:///etc/hostname")
    assert not beat("")
