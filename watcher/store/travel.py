"""Values on their way to a PostgreSQL server. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import chain, repeat
from struct import Struct
from typing import Final

from watcher.store.connection import Value


class Packed(bytes):
    """A value that is written as its type travels in binary, whatever type that is."""

    __slots__ = ()


_TRAVELS: Final[Mapping[str, tuple[int, str, int]]] = {
    "bigint": (20, "q", 8),
    "text": (25, "", 0),
    "double precision": (701, "d", 8),
}
"""Of each type its object id (pg_type.dat of PostgreSQL 15, the same in every version), how a value
is written, and in how many bytes."""

_HEAD = Struct("!iiIii")
_LENGTH = Struct("!i")
_NONE = _LENGTH.pack(-1)


def written(value: Value) -> bytes | None:
    """Give a value as it travels. NUL, which PostgreSQL's text cannot hold, becomes a mark."""
    if value is None or isinstance(value, bytes):
        return value
    if isinstance(value, str):
        told = value.encode()
        return told if b"\0" not in told else told.replace(b"\0", "\ufffd".encode())
    return repr(value).encode()


def packed(column: Sequence[Value], kind: str) -> Packed:
    """Write the values of a column as an array travels in binary.

    One dimension that begins at 1 (PostgreSQL's source, array_recv of arrayfuncs.c): five numbers,
    then each value with its length before it, -1 for NULL. As text the server would have to read
    it sign by sign.
    """
    number, form, size = _TRAVELS[kind]
    head = _HEAD.pack(1, int(None in column), number, len(column), 1)
    if kind == "text":
        texts = [None if value is None else written(value) for value in column]
        return Packed(head + b"".join(map(_lengthened, texts)))
    if None not in column:
        pairs = chain.from_iterable(zip(repeat(size), column))
        return Packed(head + _of_pairs(form, len(column)).pack(*pairs))
    one = _of_pairs(form, 1)
    return Packed(head + b"".join(_NONE if v is None else one.pack(size, v) for v in column))


def _lengthened(value: bytes | None) -> bytes:
    return _NONE if value is None else _LENGTH.pack(len(value)) + value


@lru_cache(maxsize=64)
def _of_pairs(form: str, count: int) -> Struct:
    """Give how so many numbers are written, each with its length before it."""
    return Struct("!" + f"i{form}" * count)
