"""The server over real sockets: slow ones, oversized ones, many at once, and an ordered end."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator

import pytest

from tests.web.stage import WORSE, stage_at
from watcher.web import server as module
from watcher.web.server import MOST_CONNECTIONS, PageServer


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[PageServer]:
    monkeypatch.setattr(module, "HEAD_SECONDS", 1.0)
    one = PageServer(stage_at(WORSE, public="").site, 0)
    one.start()
    yield one
    one.stop()


def connect(server: PageServer) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.port), timeout=20)


def ask(server: PageServer, text: bytes) -> bytes:
    with connect(server) as wire:
        wire.sendall(text)
        return rest(wire)


def rest(wire: socket.socket) -> bytes:
    found = b""
    while True:
        try:
            part = wire.recv(65536)
        except ConnectionResetError:
            return found
        if not part:
            return found
        found += part


GOOD = b"GET /sign-in HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"


def test_a_page_is_served_and_says_nothing_of_what_serves_it(server: PageServer) -> None:
    answer = ask(server, GOOD)
    assert answer.startswith(b"HTTP/1.1 200")
    assert b"Sign in" in answer
    assert b"uvicorn" not in answer.lower()


def test_who_says_nothing_is_cut_off(server: PageServer) -> None:
    begin = time.monotonic()
    with connect(server) as wire:
        assert rest(wire) == b""
    assert 0.5 < time.monotonic() - begin < 15


def test_who_speaks_byte_by_byte_is_cut_off(server: PageServer) -> None:
    begin = time.monotonic()
    with connect(server) as wire:
        wire.settimeout(0.2)
        ended = False
        for letter in GOOD * 4:
            try:
                wire.sendall(bytes([letter]))
                if wire.recv(100) == b"":
                    ended = True
                    break
            except TimeoutError:
                continue
            except (ConnectionResetError, BrokenPipeError):
                ended = True
                break
        assert ended
    assert time.monotonic() - begin < 20


def test_a_connection_that_is_kept_is_cut_off_when_the_next_head_does_not_come(
    server: PageServer,
) -> None:
    with connect(server) as wire:
        wire.sendall(GOOD.replace(b"Connection: close\r\n", b""))
        first = wire.recv(65536)
        assert first.startswith(b"HTTP/1.1 200")
        wire.sendall(b"GET / HT")
        begin = time.monotonic()
        rest(wire)
        assert time.monotonic() - begin < 15


def test_two_requests_on_one_connection_are_both_answered(server: PageServer) -> None:
    answer = ask(server, GOOD.replace(b"Connection: close\r\n", b"") + GOOD)
    assert answer.count(b"HTTP/1.1 200") == 2


def test_a_form_whose_rest_never_comes_holds_nobody_up(
    server: PageServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.web.app.BODY_SECONDS", 0.5)
    head = (
        b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\n\r\nname=a"
    )
    with connect(server) as slow:
        slow.sendall(head)
        assert ask(server, GOOD).startswith(b"HTTP/1.1 200")
        slow.settimeout(20)
        assert slow.recv(1000).startswith(b"HTTP/1.1 408")


@pytest.mark.parametrize(
    "text",
    [
        b"GET /" + b"a" * 40000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 40000 + b"\r\n\r\n",
        b"nonsense\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    ],
)
def test_what_is_not_right_is_refused_and_the_next_is_served(
    server: PageServer, text: bytes
) -> None:
    answer = ask(server, text)
    assert answer == b"" or answer.split(b" ")[1][:1] == b"4"
    assert ask(server, GOOD).startswith(b"HTTP/1.1 200")


def test_beyond_so_many_connections_the_answer_is_to_come_later(server: PageServer) -> None:
    held = [connect(server) for _ in range(MOST_CONNECTIONS)]
    try:
        for wire in held:
            wire.sendall(b"GET /")
        answer = ask(server, GOOD)
        assert answer == b"" or answer.startswith(b"HTTP/1.1 503")
    finally:
        for wire in held:
            wire.close()
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        if ask(server, GOOD).startswith(b"HTTP/1.1 200"):
            return
    raise AssertionError("it did not come back")


def test_silent_calls_are_not_taken_without_end(
    server: PageServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is an open file, of which a process may have so many: none would be left over."""
    monkeypatch.setattr(module, "HEAD_SECONDS", 600.0)
    silent = [connect(server) for _ in range(2 * MOST_CONNECTIONS)]
    with connect(server) as beyond:
        assert rest(beyond) == b""
    silent[0].sendall(GOOD)
    assert rest(silent[0]).startswith(b"HTTP/1.1 503")
    for wire in silent:
        wire.close()


def test_an_address_that_is_taken_is_told() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        taken = PageServer(stage_at(WORSE).site, other.getsockname()[1])
        with pytest.raises(OSError, match="in use"):
            taken.start()


def test_it_ends_when_told_to(server: PageServer) -> None:
    assert ask(server, GOOD)
    server.stop()
    assert server.wait(0)
    with pytest.raises(OSError):  # noqa: PT011 - refused or reset, as the machine likes
        connect(server)
