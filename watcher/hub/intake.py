"""The hub's door: takes parcels over HTTP, one at a time, and answers what came of each.

Who sends is known by the token alone. Bodies are bounded before and after unpacking, reading and
deciding are done by one thread beside the event loop, so that a slow line holds nobody up, and at
most ``MOST_WAITING`` parcels wait for it: more are told to come later, which boxes do.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from watcher.hub import enrolment
from watcher.hub.errors import Refused, Why
from watcher.hub.shop import Shop
from watcher.hub.telling import PATH, unpack_telling
from watcher.hub.wire import (
    MOST_SENT,
    Answer,
    unpack_joining,
    unpack_renewal,
    unpack_to_keep,
    write_answer,
    write_refusal,
)
from watcher.service.clock import Clock
from watcher.store.errors import StoreError

MOST_WAITING = 256
"""Our choice: a second's work; more waiting would only make each wait longer."""

BODY_SECONDS = 30.0
"""How long a parcel may take to arrive; our choice: 2 MiB over a slow line."""

_STATUS = {
    Why.NOT_KNOWN: 401,
    Why.TWO_SENDERS: 409,
    Why.NEWER: 422,
    Why.UNREADABLE: 400,
    Why.TOO_LARGE: 413,
    Why.CODE: 403,
    Why.RETURNED: 410,
    Why.BUSY: 503,
}

_TOKEN = re.compile(r"Bearer ([A-Za-z0-9_-]{20,100})")


class Wakes(Protocol):
    """Whoever delivers messages."""

    def wake(self) -> None:
        """Say that there may be something to send."""


class Door:
    """Takes what boxes send."""

    def __init__(
        self, shop: Shop, clock: Clock, delivery: Wakes, trouble: Callable[[str], None]
    ) -> None:
        """Get ready."""
        self._shop, self._clock, self._delivery, self._trouble = shop, clock, delivery, trouble
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="intake")
        self._waiting = 0
        self._said = ""  # why the last survey could not be written down; "": it could

    def close(self) -> None:
        """Finish what is at hand."""
        self._worker.shutdown(wait=True)

    def app(self) -> Starlette:
        """Give the application."""
        return Starlette(
            routes=[
                Route("/box/surveys", self._surveys, methods=["POST"]),
                Route(PATH, self._readiness, methods=["POST"]),
                Route("/box/join", self._join, methods=["POST"]),
                Route("/box/token", self._token, methods=["POST"]),
            ]
        )

    async def _surveys(self, request: Request) -> Response:
        return await self._answer(request, self._take)

    async def _readiness(self, request: Request) -> Response:
        return await self._answer(request, self._hear)

    async def _join(self, request: Request) -> Response:
        return await self._answer(request, self._enrol)

    async def _token(self, request: Request) -> Response:
        return await self._answer(request, self._renew)

    async def _answer(
        self, request: Request, work: Callable[[str, bytes, str], Answer]
    ) -> Response:
        """Read the body within its bounds, have the work done, and say what came of it."""
        if self._waiting >= MOST_WAITING:
            return _refuse(Refused(Why.BUSY, "Too many boxes report at once: come again later."))
        self._waiting += 1
        try:
            body = await asyncio.wait_for(_body(request), BODY_SECONDS)
            found = _TOKEN.fullmatch(request.headers.get("authorization", ""))
            token = found[1] if found is not None else ""
            address = request.client.host if request.client is not None else ""
            loop = asyncio.get_running_loop()
            answer = await loop.run_in_executor(self._worker, work, token, body, address)
        except Refused as refused:
            return _refuse(refused)
        except (TimeoutError, ClientDisconnect):
            return _refuse(Refused(Why.BUSY, "It came too slowly."))
        except StoreError as error:
            words = f"A survey could not be written down: {error}"
            if words != self._said:  # once for each reason: a storm of them says no more
                self._trouble(words)
                self._said = words
            return _refuse(Refused(Why.BUSY, "The hub cannot write it down now: come again later."))
        finally:
            self._waiting -= 1
        self._said = ""
        return _response(200, write_answer(answer))

    def _take(self, token: str, body: bytes, address: str) -> Answer:
        parcel, sent = unpack_to_keep(body)
        came = self._shop.take(token, parcel, address, self._clock.now(), sent)
        if came.told:
            self._delivery.wake()
        return came.answer

    def _hear(self, token: str, body: bytes, address: str) -> Answer:
        del address
        return self._shop.hear_told(token, unpack_telling(body), self._clock.now())

    def _enrol(self, token: str, body: bytes, address: str) -> Answer:
        del token, address
        asked = unpack_joining(body)
        with self._shop.store.transaction() as tx:
            own = self._shop.clients.own.box
            box = enrolment.join(tx, asked, self._clock.now(), own=own)
        return Answer(box=box.box, client=box.client)

    def _renew(self, token: str, body: bytes, address: str) -> Answer:
        del address
        asked = unpack_renewal(body)
        with self._shop.store.transaction() as tx:
            box = enrolment.renew(tx, token, asked.token_hash, self._clock.now())
        return Answer(box=box.box, client=box.client)


async def _body(request: Request) -> bytes:
    """Read a body, and never more than its bound. Raises Refused."""
    said = request.headers.get("content-length", "")
    if said.isdigit() and int(said) > MOST_SENT:
        raise Refused(Why.TOO_LARGE, f"A parcel has at most {MOST_SENT} bytes.")
    parts: list[bytes] = []
    size = 0
    async for part in request.stream():
        size += len(part)
        if size > MOST_SENT:
            raise Refused(Why.TOO_LARGE, f"A parcel has at most {MOST_SENT} bytes.")
        parts.append(part)
    return b"".join(parts)


def _refuse(refused: Refused) -> Response:
    return _response(_STATUS[refused.why], write_refusal(refused))


def _response(status: int, body: bytes) -> Response:
    headers = {"cache-control": "no-store", "x-content-type-options": "nosniff"}
    if status == 503:
        headers["retry-after"] = "10"
    return Response(body, status_code=status, media_type="application/json", headers=headers)
