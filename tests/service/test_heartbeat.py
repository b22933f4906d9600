"""The heartbeat calls an address and tells whether that worked."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from tests.lab.receivers import dripping_server, free_port
from watcher.service.heartbeat import Heart, beat


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
    assert not beat("http://[::1")


@pytest.mark.parametrize(
    "answer",
    [
        b"this is no answer\r\n\r\n",
        b"HTTP/1.1 fine OK\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n" + b"x: y\r\n" * 200 + b"\r\n",
    ],
)
def test_an_answer_that_is_none_in_http_is_no_beat_and_no_fault(answer: bytes) -> None:
    with dripping_server(answer, every_seconds=0.0) as port:
        assert not beat(f"http://127.0.0.1:{port}/")


@pytest.mark.parametrize("place", ["127.0.0.1:port", "a b", "127.0.0.1/\x01"])
def test_an_address_that_cannot_be_called_is_no_fault(place: str) -> None:
    assert not beat(f"http://{place}/")


def test_a_call_that_hangs_holds_up_only_the_next_call() -> None:
    began, go_on, calls = threading.Semaphore(0), threading.Semaphore(0), []

    def call() -> None:
        calls.append(threading.current_thread())
        began.release()
        assert go_on.acquire(timeout=60)

    heart = Heart(call)
    assert heart.beat()
    assert began.acquire(timeout=60)
    assert not heart.beat(), "the first is not back"
    go_on.release()
    while not heart.beat():  # until the thread has seen it
        threading.Event().wait(0.001)
    assert began.acquire(timeout=60)
    go_on.release()
    assert len(calls) == 2
    assert calls[0] is calls[1]
    assert calls[0] is not threading.current_thread()
