"""What stands before every page: the right host, bounded sizes and times, and safe headers.

- **Host**: only the names under which the pages are meant to be reached; otherwise a page of a
  stranger could reach them through a name of its own that points here (DNS rebinding).
- **Sizes**: address, header fields and body are bounded (h11 bounds only a head that comes in
  parts).
- **Times**: the head, the body and the whole answer each have a limit, so that slow ones hold
  nobody up.
- **Headers**: no script at all, style and pictures from here only, no framing, no caching of what
  somebody may see.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import urlsplit

from watcher.service.loopback import is_loopback
from watcher.web.site import Site

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LONGEST_PATH, LONGEST_QUERY = 600, 2000
"""Bytes of an address; our choice: the longest of ours are half of that."""

MOST_HEADERS = 60
LARGEST_HEAD = 16 * 1024
"""Bytes of all header fields; our choice: a browser's are a tenth of that."""

LARGEST_BODY = 16 * 1024
"""Bytes of a form; our choice: the largest of ours is a note of 500 characters."""

WHOLE_SECONDS = 30.0
"""How long a request may take from its head to its last byte; our choice."""

BODY_SECONDS = 10.0
"""How long the body may take to arrive; our choice."""

_LOCAL = frozenset({"localhost", "127.0.0.1", "::1"})
_HOST = re.compile(r"(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9.-]+)(?::(\d{1,5}))?")

# one script of ours, from our own address; none within a page, and none that asks anybody else
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
    (b"x-robots-tag", b"noindex, nofollow"),
)
NOT_KEPT = (b"cache-control", b"no-store")


def hosts_of(site: Site) -> frozenset[str]:
    """Give the names under which the pages may be reached."""
    names = {site.terms.listen_address.casefold()}
    if is_loopback(site.terms.listen_address):
        names |= _LOCAL
    if site.terms.public_url:
        names.add((urlsplit(site.terms.public_url).hostname or "").casefold())
    return frozenset(name for name in names if name)


def host_name(value: str) -> str:
    """Give the name in a Host header in small letters, "" when it is no proper one."""
    found = _HOST.fullmatch(value)
    return found.group(1).strip("[]").casefold() if found else ""


class Guard:
    """Lets through what is right; an ASGI application around another."""

    def __init__(self, app: App, site: Site) -> None:
        """Stand before an application."""
        self._app = app
        self._site = site

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        fault = self._fault(scope)
        guarded = with_headers(send, secure=self._site.terms.is_secure)
        if fault is not None:
            await say(guarded, *fault, as_json=is_for_programs(scope["path"]))
            return
        try:
            async with asyncio.timeout(WHOLE_SECONDS):
                await self._app(scope, receive, guarded)
        except TimeoutError:
            return  # the server closes the connection of an answer that was not finished

    def _fault(self, scope: Scope) -> tuple[int, str] | None:
        """Say what is wrong with a request before anything looks into it."""
        headers: list[tuple[bytes, bytes]] = scope["headers"]
        if scope["method"] not in {"GET", "HEAD", "POST"}:
            return 405, "Only GET, HEAD and POST are understood."
        if (
            len(scope.get("raw_path") or b"") > LONGEST_PATH
            or len(scope["query_string"]) > LONGEST_QUERY
        ):
            return 414, "This address is too long."
        weight = sum(len(name) + len(value) for name, value in headers)
        if len(headers) > MOST_HEADERS or weight > LARGEST_HEAD:
            return 431, "Too many header fields, or too long ones."
        hosts = [value.decode("latin-1") for name, value in headers if name == b"host"]
        if len(hosts) != 1 or host_name(hosts[0]) not in hosts_of(self._site):
            return 421, "These pages are not reached under this name."
        lengths = [value for name, value in headers if name == b"content-length"]
        if any(not value.isdigit() or int(value) > LARGEST_BODY for value in lengths):
            return 413, "This is more than any form of ours."
        return None


def is_for_programs(path: str) -> bool:
    """Tell whether an address is for other programs, who are answered in JSON."""
    return path.startswith("/api/")


def plainly(status: int, sentence: str, *, as_json: bool) -> tuple[bytes, str]:
    """Give the body and the kind of an answer of one sentence."""
    if as_json:
        return json.dumps({"status": status, "detail": sentence}).encode(), "application/json"
    return f"{sentence}\n".encode(), "text/plain; charset=utf-8"


async def say(send: Send, status: int, sentence: str, *, as_json: bool) -> None:
    """Answer with one sentence."""
    body, kind = plainly(status, sentence, as_json=as_json)
    headers = [(b"content-type", kind.encode()), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def with_headers(send: Send, *, secure: bool) -> Send:
    """Give a sender that adds the headers that every answer has."""
    sts = ((b"strict-transport-security", b"max-age=31536000"),) if secure else ()

    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = list(message.get("headers", ()))
            names = {name for name, _ in own}
            more = [*HEADERS, *sts, *(() if b"cache-control" in names else (NOT_KEPT,))]
            message = {**message, "headers": own + more}
        await send(message)

    return guarded
