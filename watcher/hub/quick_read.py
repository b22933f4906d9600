"""Reading what a box sends in half the time, where that is sure to be the same.

Most parcels are just what ``wire.pack`` of this version writes. Of such a one msgspec makes the
same facts as pydantic does, in half the time; it is no judge of any other, for it leaves out what
it does not know. So what was read is written again, and counts only if that gives the very bytes
that came: then nothing was left out, nothing was filled in, and no value was read as another. A
pool's tree is a union that msgspec does not know; pools are read by pydantic, as ever.

Whatever else comes is read by ``wire`` with all its care, which alone says what is wrong with it.
Where msgspec is not installed (extra ``hub``) all is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import cache
from typing import Any, get_type_hints

from pydantic import ConfigDict, TypeAdapter, ValidationError

from watcher.facts.pool import Pool
from watcher.facts.survey import Survey

try:
    import msgspec
except ImportError:  # an extra; there are machines for which nobody builds it
    msgspec = None  # type: ignore[assignment]

APART = "pools"
"""The part of a survey that is read apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pools:
    """The pools of a survey, read as strictly as in their parcel."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True)

    pools: tuple[Pool, ...]


def read_quickly(text: bytes, shape: type) -> dict[str, Any] | None:
    """Give the parts of a parcel of the shape of ``shape``; None: read it with care.

    A part is left out by nobody, or this is None. The checks of the facts have been made, those of
    the parcel itself have not.
    """
    if msgspec is None:
        return None
    decode, encode = _tools(shape)
    try:
        told = decode(text)
        if encode(told) != text:
            return None
        pools = _pools().validate_json(b'{"pools":' + bytes(told.survey.pools) + b"}").pools
        parts = {field.name: getattr(told.survey, field.name) for field in fields(Survey)}
        survey = Survey(**(parts | {APART: pools}))
    except (msgspec.MsgspecError, ValidationError, ValueError, RecursionError):
        return None
    return {field.name: getattr(told, field.name) for field in fields(shape)} | {"survey": survey}


@cache
def _pools() -> TypeAdapter[_Pools]:
    return TypeAdapter(_Pools)


@cache
def _tools(shape: type) -> tuple[Callable[[bytes], Any], Callable[[Any], bytes]]:
    """Make what reads and writes a parcel, with no part that may be missing."""
    survey = _all_of(Survey, {APART: msgspec.Raw})
    parcel = _all_of(shape, {"survey": survey})
    return msgspec.json.Decoder(parcel).decode, msgspec.json.Encoder().encode


def _all_of(shape: type, instead: dict[str, Any]) -> type:
    """Make the like of a dataclass, all of whose parts must be there, some of another kind."""
    kinds = get_type_hints(shape) | instead
    return msgspec.defstruct(
        shape.__name__, [(field.name, kinds[field.name]) for field in fields(shape)], kw_only=True
    )
