"""The hub's door: takes parcels over HTTP, one at a time, and answers what came of each.

Who sends is known by the token alone, and asked before a place is given: whoever shows none of ours
is heard to the end of what it sends, within bounds, and told so. Bodies are bounded before and
after unpacking; reading and deciding are done by one thread beside the event loop, so that a slow
line holds nobody up. At most ``MOST_WAITING`` parcels wait for it, ``MOST_OF_ONE`` of one token:
more are told to come later, which boxes do. Nothing is written for a code that is not good.
"""

from __future__ import annotations

import asyncio
import re
from collections import Counter
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from ipaddress import IPv6Address, ip_address
from typing import Any, Protocol, TypeVar

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from watcher.hub import enrolment
from watcher.hub.dating import clock_behind
from watcher.hub.enrolment import NOT_KNOWN, hash_of
from watcher.hub.errors import Refused, Why
from watcher.hub.shop import Shop
from watcher.hub.telling import PATH, unpack_telling
from watcher.hub.wire import (
    MOST_SENT,
    MOST_SMALL,
    Answer,
    Joining,
    unpack_joining,
    unpack_renewal,
    unpack_to_keep,
    write_answer,
    write_refusal,
)
from watcher.service.clock import Clock
from watcher.service.our_fault import name_fault
from watcher.store.errors import StoreError

MOST_WAITING = 256
"""Our choice: a second's work; more waiting would only make each wait longer."""

MOST_OF_ONE = 4
"""Parcels of one token at hand; our choice: a box sends one at a time, and may send it again while
the first is still on its way."""

BUSY_FROM, SPREAD_EVERY = 4, 8
"""While so many wait here, of so many answers one ends its call. Our choice: one handshake for
eight surveys at most, and some dozens of surveys until several processes share the work."""

MOST_REMEMBERED = 20_000
"""Tokens that are known without being looked up; our choice: twice the boxes of a hub."""

BODY_SECONDS = 30.0
"""How long a parcel may take to arrive; our choice: 2 MiB over a slow line."""

SMALL_SECONDS = 10.0
"""The same where it is a few hundred bytes, or nobody's."""

_STATUS = {
    Why.NOT_KNOWN: 401,
    Why.TWO_SENDERS: 409,
    Why.NEWER: 422,
    Why.UNREADABLE: 400,
    Why.TOO_LARGE: 413,
    Why.CODE: 403,
    Why.RETURNED: 410,
    Why.BUSY: 503,
    Why.FAULT: 500,
}

_BLIND = frozenset({Why.NEWER, Why.UNREADABLE, Why.TOO_LARGE, Why.FAULT})
"""With these the box is there and is not seen all the same, of which a person must hear."""

T = TypeVar("T")

_TOKEN = re.compile(r"Bearer ([A-Za-z0-9_-]{20,100})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What came through the door, and what is known of who sent it."""

    token: str
    body: bytes
    address: str
    behind: timedelta | None  # its clock behind ours; None: it does not say


class Wakes(Protocol):
    """Whoever delivers messages."""

    def wake(self) -> None:
        """Say that there may be something to send."""


class Door:
    """Takes what boxes send."""

    def __init__(
        self,
        shop: Shop,
        clock: Clock,
        delivery: Wakes,
        trouble: Callable[[str], None],
        *,
        spreads: bool = False,
    ) -> None:
        """Get ready. With ``spreads`` other processes take calls at the same socket."""
        self._spreads, self._busy_answers = spreads, 0
        self._shop, self._clock, self._delivery, self._trouble = shop, clock, delivery, trouble
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="intake")
        self._looker = ThreadPoolExecutor(1, thread_name_prefix="who")
        self._waiting = 0
        self._of_one: Counter[str] = Counter()
        self._known: dict[str, None] = {}  # hashes of tokens, the one shown last at the end
        self._said = ""  # why the last survey could not be taken in; "": it could

    @property
    def waiting(self) -> int:
        """How many have a place to wait in."""
        return self._waiting

    def close(self) -> None:
        """Finish what is at hand."""
        self._looker.shutdown(wait=True)
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
        return await self._answer(self._of_a_box(request, self._take))

    async def _readiness(self, request: Request) -> Response:
        return await self._answer(self._of_a_box(request, self._hear))

    async def _token(self, request: Request) -> Response:
        return await self._answer(self._of_a_box(request, self._renew))

    async def _join(self, request: Request) -> Response:
        return await self._answer(self._of_somebody(request))

    async def _answer(self, coming: Coroutine[Any, Any, Answer]) -> Response:
        """Say what comes of something."""
        try:
            answer = await coming
        except Refused as refused:
            return _refuse(refused)
        except ClientDisconnect:
            return _refuse(Refused(Why.BUSY, "It came too slowly."))
        except StoreError as error:
            self._say(f"A survey could not be written down: {error}")
            return _refuse(Refused(Why.BUSY, "The hub cannot write it down now: come again later."))
        self._said = ""
        return _response(200, write_answer(answer), hangs_up=self._is_to_spread())

    def _is_to_spread(self) -> bool:
        """Tell whether this call is ended, so that the box calls again and another may take it.

        Calls that are kept stay with the process that took them, which may have most of them.
        """
        if not self._spreads or self._waiting < BUSY_FROM:
            return False
        self._busy_answers += 1
        return self._busy_answers % SPREAD_EVERY == 0

    async def _of_a_box(self, request: Request, work: Callable[[Sent], Answer]) -> Answer:
        """Take what a box of ours sends, and have it worked on in its turn."""
        behind = clock_behind(request.headers.get("date", ""), self._clock.now())
        try:
            token = await self._token_of(request)
            place = self._place(hash_of(token))
        except Refused:
            await _hear_out(request)
            raise
        with place:
            body = await _body(request, MOST_SENT, BODY_SECONDS)
            sent = Sent(
                token=token,
                body=body,
                address=_address(request),
                behind=behind,
            )
            return await _beside(self._worker, lambda: self._done(work, sent))

    async def _of_somebody(self, request: Request) -> Answer:
        """Let in who shows a one-time code; it is looked up before anything is written."""
        body = await _body(request, MOST_SMALL, SMALL_SECONDS)
        asked = unpack_joining(body)
        await _beside(self._looker, lambda: self._check_code(asked))
        sent = Sent(
            token="",
            body=body,
            address=_address(request),
            behind=None,
        )
        with self._place(asked.token_hash):
            return await _beside(self._worker, lambda: self._done(self._enrol, sent))

    async def _token_of(self, request: Request) -> str:
        """Give the token that was shown, when it is one of ours. Raises Refused, StoreError."""
        found = _TOKEN.fullmatch(request.headers.get("authorization", ""))
        token = found[1] if found is not None else ""
        hashed = hash_of(token)
        if hashed not in self._known:
            if not token or not await _beside(self._looker, lambda: self._is_known(hashed)):
                raise Refused(Why.NOT_KNOWN, NOT_KNOWN)
            self._known[hashed] = None
            if len(self._known) > MOST_REMEMBERED:
                self._known.pop(next(iter(self._known)))
        return token

    def _place(self, who: str) -> AbstractContextManager[None]:
        """Take a place to wait in, until the end of the block. Raises Refused."""
        if self._waiting >= MOST_WAITING:
            raise Refused(Why.BUSY, "Too many boxes report at once: come again later.")
        if self._of_one[who] >= MOST_OF_ONE:
            raise Refused(Why.BUSY, "Too much comes from one box at once: come again later.")
        return self._counted(who)

    @contextmanager
    def _counted(self, who: str) -> Iterator[None]:
        self._waiting += 1
        self._of_one[who] += 1
        try:
            yield
        finally:
            self._waiting -= 1
            self._of_one[who] -= 1
            if not self._of_one[who]:
                del self._of_one[who]

    def _is_known(self, hashed: str) -> bool:
        """Tell whether a token is one of ours; of one that was replaced a person hears."""
        with self._shop.store.snapshot() as tx:
            known, was = tx.knows_token(hashed), tx.box_of_replaced(hashed)
        if was is None or known:
            return known
        if self._shop.replaced_token_shown(hashed, self._clock.now()):
            self._delivery.wake()
        return False

    def _check_code(self, asked: Joining) -> None:
        with self._shop.store.snapshot() as tx:
            enrolment.check_code(tx, asked, self._clock.now())

    def _done(self, work: Callable[[Sent], Answer], sent: Sent) -> Answer:
        """Do the work; a fault of ours is told and answered, and never ends the door.

        When a box is there and its surveys cannot be taken in, a person hears of it. Raises
        Refused, StoreError.
        """
        try:
            return work(sent)
        except Refused as refused:
            if refused.why is Why.NOT_KNOWN:
                self._known.pop(hash_of(sent.token), None)  # it was taken away meanwhile
                self._is_known(hash_of(sent.token))
            if work == self._take and refused.why in _BLIND:
                self._tell_of(sent, refused.sentence)
            raise
        except StoreError:
            raise
        except Exception as fault:
            words = name_fault(fault)
            self._say(f"What a box sent could not be taken in, by a fault of this hub. {words}")
            if work == self._take:
                self._tell_of(sent, f"a fault of this hub, {words}")
            raise Refused(Why.FAULT, f"The hub has a fault of its own: {words}") from fault

    def _tell_of(self, sent: Sent, why: str) -> None:
        """Have a person hear that a box is there and cannot be seen."""
        try:
            if self._shop.could_not_take(sent.token, why, self._clock.now()):
                self._delivery.wake()
        except Exception as error:  # noqa: BLE001 - said; the box hears what it was to hear
            self._say(f"That a survey was not taken in could not be written down: {error}")

    def _say(self, words: str) -> None:
        """Say it once for each reason: a storm of them says no more."""
        if words != self._said:
            self._trouble(words)
            self._said = words

    def _take(self, sent: Sent) -> Answer:
        parcel, as_sent = unpack_to_keep(sent.body)
        now = self._clock.now()
        came = self._shop.take(sent.token, parcel, sent.address, now, as_sent, sent.behind)
        if came.told:
            self._delivery.wake()
        return came.answer

    def _hear(self, sent: Sent) -> Answer:
        return self._shop.hear_told(sent.token, unpack_telling(sent.body), self._clock.now())

    def _enrol(self, sent: Sent) -> Answer:
        asked = unpack_joining(sent.body)
        with self._shop.store.transaction() as tx:
            own = self._shop.clients.own.box
            box = enrolment.join(tx, asked, self._clock.now(), own=own)
        return Answer(box=box.box, client=box.client)

    def _renew(self, sent: Sent) -> Answer:
        asked = unpack_renewal(sent.body)
        with self._shop.store.transaction() as tx:
            box = enrolment.renew(tx, sent.token, asked.token_hash, self._clock.now())
        return Answer(box=box.box, client=box.client)


async def _beside(worker: ThreadPoolExecutor, work: Callable[[], T]) -> T:
    """Have something done by another thread."""
    return await asyncio.get_running_loop().run_in_executor(worker, work)


def plain_address(host: str) -> str:
    """Give where a request came from; IPv4 as such where one socket listens for both."""
    try:
        found = ip_address(host)
    except ValueError:
        return host
    mapped = found.ipv4_mapped if isinstance(found, IPv6Address) else None
    return str(mapped or found)


def _address(request: Request) -> str:
    return plain_address(request.client.host) if request.client is not None else ""


async def _body(request: Request, most: int, seconds: float) -> bytes:
    """Read a body, and never more than its bound. Raises Refused."""
    too_large = Refused(Why.TOO_LARGE, f"A parcel has at most {most} bytes.")
    said = request.headers.get("content-length", "")
    if said.isdigit() and int(said) > most:
        raise too_large
    parts: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(seconds):
            async for part in request.stream():
                size += len(part)
                if size > most:
                    raise too_large
                parts.append(part)
    except TimeoutError as late:
        raise Refused(Why.BUSY, "It came too slowly.") from late
    return b"".join(parts)


async def _hear_out(request: Request) -> None:
    """Let somebody finish who is refused anyway, within bounds: an answer in mid-word is lost."""
    with suppress(Refused, ClientDisconnect):
        await _body(request, MOST_SENT, SMALL_SECONDS)


def _refuse(refused: Refused) -> Response:
    return _response(_STATUS[refused.why], write_refusal(refused))


def _response(status: int, body: bytes, *, hangs_up: bool = False) -> Response:
    headers = {"cache-control": "no-store", "x-content-type-options": "nosniff"}
    if status == 503:
        headers["retry-after"] = "10"
    if hangs_up:
        headers["connection"] = "close"
    return Response(body, status_code=status, media_type="application/json", headers=headers)
