"""HTTPS with certificate checks, plain HTTP on this machine only."""

from __future__ import annotations

import http.server
import shutil
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from watcher.hub.errors import Refused, Unreachable, Why
from watcher.hub.line import Line
from watcher.hub.wire import Answer, write_answer, write_refusal


class Hub(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["content-length"]))
        known = self.headers.get("authorization") == "Bearer right"
        refused = Refused(Why.NOT_KNOWN, "Who?")
        body = write_answer(Answer(taken="a")) if known else write_refusal(refused)
        self.send_response(200 if known else 401)
        self.send_header("content-length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def server() -> Iterator[http.server.ThreadingHTTPServer]:
    found = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Hub)
    found.daemon_threads = True
    threading.Thread(target=found.serve_forever, daemon=True).start()
    yield found
    found.shutdown()
    found.server_close()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl to make a certificate")
    path = tmp_path_factory.mktemp("tls") / "hub.pem"
    key = path.with_suffix(".key")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
         "/CN=localhost", "-addext", "subjectAltName=DNS:localhost", "-keyout", key, "-out", path],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    return path


def test_a_kept_connection_serves_again_and_a_dead_one_is_opened_anew(
    server: http.server.ThreadingHTTPServer,
) -> None:
    line = Line(f"http://127.0.0.1:{server.server_port}/")
    assert line.post("/box/surveys", b"x", "right").taken == "a"
    assert line._open is not None
    assert line._open.sock is not None
    line._open.sock.close()
    assert line.post("/box/surveys", b"x", "right").taken == "a"
    with pytest.raises(Refused):
        line.post("/box/surveys", b"x", "wrong")
    line.close()


def test_a_certificate_that_nobody_vouches_for_is_not_taken(
    server: http.server.ThreadingHTTPServer, certificate: Path
) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, certificate.with_suffix(".key"))
    server.socket = context.wrap_socket(server.socket, server_side=True)
    url = f"https://localhost:{server.server_port}"
    with pytest.raises(Unreachable, match="certificate does not hold"):
        Line(url).post("/box/surveys", b"x", "right")
    known = Line(url, ca_file=str(certificate))
    assert known.post("/box/surveys", b"x", "right").taken == "a"
    known.close()
    other_name = Line(f"https://127.0.0.1:{server.server_port}", ca_file=str(certificate))
    with pytest.raises(Unreachable, match="certificate does not hold"):
        other_name.post("/box/surveys", b"x", "right")


def test_nobody_there_is_told_plainly() -> None:
    with pytest.raises(Unreachable, match=r"not reached \([A-Z][a-z ]+\)"):
        Line("http://127.0.0.1:9").post("/box/surveys", b"x")


@pytest.mark.parametrize(
    "url", ["http://hub.example.org", "http://192.0.2.1", "ftp://x", "https://", "https://a:b@c"]
)
def test_a_token_never_goes_over_an_open_line(url: str) -> None:
    with pytest.raises(ValueError, match="https"):
        Line(url)
