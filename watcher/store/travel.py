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
    has_none = None in column
    head = _HEAD.pack(1, int(has_none), number, len(column), 1)
    if has_none:
        return Packed(head + b"".join(_item(value, form, size) for value in column))
    if kind == "text":
        texts = list(map(str.encode, map(str, column)))
        if b"\0" in b"".join(texts):
            texts = [written(value) or b"" for value in column]
        lengths = map(_LENGTH.pack, map(len, texts))
        return Packed(head + b"".join(chain.from_iterable(zip(lengths, texts, strict=True))))
    pairs = chain.from_iterable(zip(repeat(size), column))
    return Packed(head + _of_pairs(form, len(column)).pack(*pairs))


def _item(value: Value, form: str, size: int) -> bytes:
    """Write one value of an array after its length."""
    if value is None:
        return _NONE
    if form:
        return _of_pairs(form, 1).pack(size, value)
    text = written(value) or b""
    return _LENGTH.pack(len(text)) + text


@lru_cache(maxsize=64)
def _of_pairs(form: str, count: int) -> Struct:
    """Give how so many numbers are written, each with its length before it."""
    return Struct("!" + f"i{form}" * count)
