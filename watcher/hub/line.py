"""The line from a box to its hub: HTTPS with certificate checks, plain HTTP on loopback only."""

from __future__ import annotations

import http.client
import ssl
from collections.abc import Callable
from datetime import datetime
from urllib.parse import urlsplit

from watcher.hub.dating import say_clock
from watcher.hub.errors import Unreachable
from watcher.hub.wire import Answer, read_answer
from watcher.service.loopback import is_loopback

TIMEOUT_SECONDS = 30.0
LARGEST_ANSWER = 64 * 1024


class Line:
    """A connection to the hub, kept from one survey to the next."""

    def __init__(
        self, url: str, *, ca_file: str = "", clock: Callable[[], datetime] | None = None
    ) -> None:
        """Check the address. Raises ValueError with a sentence; connects to nothing yet.

        With a ``clock`` the hub is told what it shows with all that is sent.
        """
        parts = urlsplit(url)
        host = parts.hostname or ""
        if parts.scheme not in {"http", "https"} or not host or parts.username is not None:
            raise ValueError("The hub's address reads https://NAME or https://NAME:PORT.")
        if parts.scheme == "http" and not is_loopback(host):
            raise ValueError(
                "Surveys and tokens go over https only, but for a hub on this machine."
            )
        self._host, self._port = host, parts.port
        self._path = parts.path.rstrip("/")
        self._context: ssl.SSLContext | None = None
        if parts.scheme == "https":
            try:
                self._context = ssl.create_default_context(cafile=ca_file or None)
            except OSError as error:
                raise ValueError(f"The file {ca_file} holds no certificate ({error}).") from error
            self._context.minimum_version = ssl.TLSVersion.TLSv1_2
        self._clock = clock
        self._open: http.client.HTTPConnection | None = None

    def post(self, path: str, body: bytes, token: str = "") -> Answer:
        """Send something and give the answer. Raises Refused, Unreachable.

        A connection that was kept and has died meanwhile is opened once more: what is sent counts
        once however often it arrives.
        """
        headers = {"Content-Type": "application/json", "Content-Encoding": "deflate"}
        if token:
            headers["Authorization"] = f"Bearer {token}"
        kept = self._open is not None
        try:
            return self._try(path, body, headers)
        except (OSError, http.client.HTTPException) as error:
            self.close()
            if not kept:
                raise Unreachable(_say(error)) from error
        try:
            return self._try(path, body, headers)
        except (OSError, http.client.HTTPException) as error:
            self.close()
            raise Unreachable(_say(error)) from error

    def _try(self, path: str, body: bytes, headers: dict[str, str]) -> Answer:
        if self._open is None:
            if self._context is not None:
                self._open = http.client.HTTPSConnection(
                    self._host, self._port, timeout=TIMEOUT_SECONDS, context=self._context
                )
            else:
                self._open = http.client.HTTPConnection(
                    self._host, self._port, timeout=TIMEOUT_SECONDS
                )
        if self._clock is not None:
            headers = headers | {"Date": say_clock(self._clock())}
        self._open.request("POST", f"{self._path}{path}", body=body, headers=headers)
        response = self._open.getresponse()
        told = response.read(LARGEST_ANSWER + 1)
        if len(told) > LARGEST_ANSWER or response.will_close:
            self.close()
        return read_answer(response.status, told)

    def close(self) -> None:
        """Hang up."""
        if self._open is not None:
            self._open.close()
            self._open = None


def _say(error: Exception) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the hub's certificate does not hold ({error.verify_message})"
    if isinstance(error, TimeoutError):
        return "the hub does not answer in time"
    words = error.strerror if isinstance(error, OSError) else str(error)
    return f"the hub is not reached ({words or type(error).__name__})"
