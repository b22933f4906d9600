"""What the two halves of the service say to each other over their socket.

A message is four bytes of length (network order) and so many bytes of JSON, of one of the shapes
below. Both sides check: the length before a byte is read, the version before the rest, and every
value by the facts' own checks. Whatever does not fit is ``OddWords``; nothing is guessed.

The desk asks (``Look``, ``Listen``, ``Reload``), the reader answers: ``Busy`` every few seconds
while it looks, then ``Seen`` or ``Failed``; ``Ring`` at any time to one who listens.
"""

from __future__ import annotations

import os
import pwd
import socket
import struct
import time
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Annotated, Literal, TypeVar

from pydantic import Field, TypeAdapter, ValidationError

from watcher.facts.pool import Pool
from watcher.readers.kernel_log import Position
from watcher.readers.taken import Taken

T = TypeVar("T")

Version = Literal[1]
"""Of these messages. Another one is refused: both halves come from one installation, and after an
upgrade both are started again."""

LONGEST_REQUEST_BYTES = 4 << 20
"""Our choice: a request holds at most the pools of the last look, about 1 KiB a member."""
LONGEST_ANSWER_BYTES = 64 << 20
"""Our choice: a survey is about 5 KiB a drive and 1 KiB a kernel event, of which one look takes
some ten thousand at most."""

_LENGTH = struct.Struct("!I")
_PIECE = 1 << 16


class OddWords(Exception):
    """The other side said something that is none of the words below, or too much."""


class Closed(Exception):
    """The other side is gone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Ask for a look; ``pools`` are those of the last one, when the reader may not know them."""

    survey: Annotated[str, Field(min_length=1, max_length=300)]
    now: datetime
    position: Position | None = None
    deep: bool = False
    pools: tuple[Pool, ...] | None = None
    version: Version = 1
    kind: Literal["look"] = "look"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listen:
    """Ask to be told when the kernel says something grave."""

    version: Version = 1
    kind: Literal["listen"] = "listen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reload:
    """Ask to read the settings again."""

    version: Version = 1
    kind: Literal["reload"] = "reload"


@dataclass(frozen=True, slots=True, kw_only=True)
class Busy:
    """Still looking."""

    version: Version = 1
    kind: Literal["busy"] = "busy"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was seen."""

    taken: Taken
    version: Version = 1
    kind: Literal["seen"] = "seen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """What was asked could not be done, and why, in a sentence."""

    sentence: Annotated[str, Field(max_length=2000)]
    version: Version = 1
    kind: Literal["failed"] = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """It was done."""

    version: Version = 1
    kind: Literal["done"] = "done"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """The kernel said something grave."""

    version: Version = 1
    kind: Literal["ring"] = "ring"


Request = Look | Listen | Reload
Answer = Busy | Seen | Failed | Done | Ring


@cache
def _requests() -> TypeAdapter[Request]:
    return TypeAdapter(Annotated[Request, Field(discriminator="kind")])


@cache
def _answers() -> TypeAdapter[Answer]:
    return TypeAdapter(Annotated[Answer, Field(discriminator="kind")])


def write_request(request: Request) -> bytes:
    """Give a request as it goes over the socket."""
    return frame(_requests().dump_json(request), LONGEST_REQUEST_BYTES)


def write_answer(answer: Answer) -> bytes:
    """Give an answer as it goes over the socket; raises OddWords when it is too long."""
    return frame(_answers().dump_json(answer), LONGEST_ANSWER_BYTES)


def read_request(body: bytes) -> Request:
    """Read a request; raises OddWords for anything else."""
    return _read(_requests(), body)


def read_answer(body: bytes) -> Answer:
    """Read an answer; raises OddWords for anything else."""
    return _read(_answers(), body)


def _read(adapter: TypeAdapter[T], body: bytes) -> T:
    try:
        return adapter.validate_json(body)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])[:200]
        raise OddWords(f"{where or 'the message'}: {first['msg'][:300]}") from None


def frame(body: bytes, most: int) -> bytes:
    """Put the length before a message; raises OddWords when it is longer than ``most`` bytes."""
    if len(body) > most:
        raise OddWords(f"a message of {len(body)} bytes is longer than {most}")
    return _LENGTH.pack(len(body)) + body


def receive(sock: socket.socket, most: int, until: float) -> bytes:
    """Receive one message, until a moment of the monotonic clock.

    Raises TimeoutError, Closed (also in the middle of a message), OddWords (too long), OSError.
    """
    (length,) = _LENGTH.unpack(_exactly(sock, _LENGTH.size, until))
    if not 0 < length <= most:
        raise OddWords(f"a message of {length} bytes is announced; at most {most} are taken")
    return _exactly(sock, length, until)


def _exactly(sock: socket.socket, count: int, until: float) -> bytes:
    """Receive so many bytes. Memory grows with what came, not with what was announced."""
    got = bytearray()
    while len(got) < count:
        left = until - time.monotonic()
        if left <= 0:
            raise TimeoutError("no answer in time")
        sock.settimeout(left)
        piece = sock.recv(min(_PIECE, count - len(got)))
        if not piece:
            raise Closed("the other side closed the connection")
        got += piece
    return bytes(got)


def send(sock: socket.socket, message: bytes, seconds: float) -> None:
    """Send a whole message within a time limit; raises TimeoutError or OSError."""
    sock.settimeout(seconds)
    sock.sendall(message)


_CREDENTIALS = struct.Struct("3i")  # pid, uid, gid: struct ucred, unix(7)


def user_at(sock: socket.socket) -> int:
    """Tell as which user the other end runs, by the kernel's word (SO_PEERCRED, unix(7))."""
    raw = sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _, uid, _ = _CREDENTIALS.unpack(raw)
    return int(uid)


def user_here() -> int:
    """Tell as which user we run."""
    return os.geteuid()


def user_of_name(name: str) -> int:
    """Give the number of a user; raises KeyError, with the name, when there is none."""
    try:
        return pwd.getpwnam(name).pw_uid
    except KeyError:
        raise KeyError(name) from None
