"""Facts as JSON text and back, checked in both directions.

The shape of a fact is its dataclass; pydantic reads and writes it, and the checks that a fact
makes on itself run again when it is read.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from typing import Annotated, Any, Final, Generic, TypeVar

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError, to_json

from watcher.cases.observations import Observation
from watcher.cases.state import Book, Case
from watcher.facts.drive import DriveIdentity
from watcher.facts.pool import Pool
from watcher.facts.survey import Survey
from watcher.store.errors import StoreDamaged
from watcher.store.times import to_micros

T = TypeVar("T")

FASTEST = 1
"""zlib level: reports are very repetitive text, level 1 already takes 9 parts in 10 away."""


class Form(Generic[T]):
    """A kind of fact, and how it is written and read.

    pydantic's reader and writer is built at first use, for that takes up to 80 ms.
    """

    def __init__(self, shape: Any, *, strict: bool = False) -> None:  # noqa: ANN401 - a union is no type
        """Remember the dataclass, or the union of dataclasses; ``strict``: no text for a number."""
        self._shape, self._strict = shape, strict

    @cached_property
    def _adapter(self) -> TypeAdapter[T]:
        if self._strict:
            return TypeAdapter(self._shape, config=ConfigDict(strict=True))
        return TypeAdapter(self._shape)

    def write(self, value: T) -> str:
        """Write a fact as JSON. Text that is no Unicode (lone surrogates) gets question marks."""
        try:
            return self._adapter.dump_json(value).decode()
        except (PydanticSerializationError, UnicodeEncodeError):
            plain = self._adapter.dump_python(value, mode="json")
            return json.dumps(plain, ensure_ascii=False).encode("utf-8", "replace").decode()

    def read(self, text: str | bytes, what: str) -> T:
        """Read a fact. Raises StoreDamaged, naming ``what``, when it does not make sense."""
        try:
            return self._adapter.validate_json(text)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            raise StoreDamaged(
                f"{what} in the store does not make sense ({where}: {first['msg']}): restart the "
                "watch, which sets the file aside and keeps what can be read"
            ) from error


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What a box sent, so far as the store reads it."""

    survey: Survey


BOOK: Final = Form[Book](Book)
CASE: Final = Form[Case](Case)
OBSERVATION: Final = Form[Observation](Observation)
SURVEY: Final = Form[Survey](Survey)
SENT: Final = Form[Sent](Sent)
IDENTITY: Final = Form[DriveIdentity](DriveIdentity)
POOL: Final = Form[Pool](Pool)


class making_sense:  # noqa: N801 - reads as a phrase: ``with making_sense("a message"):``
    """Turn what a damaged row does to the code that reads it into StoreDamaged."""

    def __init__(self, what: str) -> None:
        """Name what is read."""
        self._what = what

    def __enter__(self) -> None:
        """Begin to read."""

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        """Translate an error of a wrong word, a wrong type or a wrong number."""
        if isinstance(error, ValueError | TypeError | OverflowError):
            raise StoreDamaged(
                f"{self._what} in the store does not make sense ({error}): restart the watch, "
                "which sets the file aside and keeps what can be read"
            ) from error


def squeeze(text: str) -> bytes:
    """Compress text."""
    return zlib.compress(text.encode("utf-8", "replace"), FASTEST)


def unsqueeze(body: bytes, what: str) -> str:
    """Give compressed text back. Raises StoreDamaged when it does not make sense."""
    try:
        return zlib.decompress(body).decode("utf-8")
    except (zlib.error, UnicodeDecodeError) as error:
        raise StoreDamaged(f"{what} in the store cannot be unpacked ({error})") from error


EARLIEST: Final = to_micros(datetime.min.replace(tzinfo=UTC))
LATEST: Final = to_micros(datetime.max.replace(tzinfo=UTC))
"""The moments that a ``datetime`` can hold; a stored one beyond them is damage."""

_Moment = Annotated[int, Field(ge=EARLIEST, le=LATEST)]
_VALUES: Final = Form[dict[str, list[int]]](dict[str, list[int]], strict=True)
_DAY: Final = Form[list[tuple[int, int, int, int]]](
    list[tuple[_Moment, int, _Moment, int]], strict=True
)


def read_values(text: str) -> Mapping[str, list[int]]:
    """Read each metric's value and since when, and where there is one the value before likewise.

    Raises StoreDamaged when it does not make sense.
    """
    found = _VALUES.read(text, "a drive's values")
    for told in found.values():
        if not (
            (len(told) == 2 or (len(told) == 4 and EARLIEST <= told[3] <= LATEST))
            and EARLIEST <= told[1] <= LATEST
        ):
            raise StoreDamaged("a drive's values in the store do not make sense")
    return found


def read_day(text: str) -> list[tuple[int, int, int, int]]:
    """Read the temperatures of a day. Raises StoreDamaged when they do not make sense."""
    return _DAY.read(text, "a drive's temperatures")


read_values_once = lru_cache(maxsize=256)(read_values)
read_day_once = lru_cache(maxsize=256)(read_day)
"""The same for text that is read twice in one round; what they give is never changed."""


def write_numbers(numbers: Mapping[str, Sequence[int]] | Sequence[Sequence[int]]) -> str:
    """Write what ``read_values`` and ``read_day`` read, as JSON with no blanks."""
    return to_json(numbers).decode()


def clean(text: str) -> str:
    """Give text that any database takes: no lone surrogates, no NUL."""
    return text.encode("utf-8", "replace").decode().replace("\0", "\ufffd")
