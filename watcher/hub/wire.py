"""How a box and a hub talk: version 1, JSON, zlib, over HTTPS. Only the box ever begins.

``POST /box/surveys`` hands over one survey::

    Authorization: Bearer TOKEN        Content-Type: application/json        Date: …
                                       Content-Encoding: deflate   (RFC 9110 8.4.1.2: zlib)
    {"wire": 1, "sender": "…", "every_seconds": 600, "survey": {…},
     "besides": […], "works": […], "alone_since": null}

``survey`` is the shape of ``facts.survey.Survey``, ``besides`` are findings of the box about its
own watch (``facts.finding.Finding``), ``works`` the parts of its watch that are known to work.
``Date`` (RFC 9110 section 6.6.1) says what the clock of the box shows, so that the hub can date
what it saw by its own. ``sender`` names one run of the program; ``alone_since`` says since when the
box has been alerting by itself because nothing was taken in. The same survey may be sent any number
of times: it counts once, by its id.

``POST /box/join`` enrols a box: ``{"wire", "code", "box", "token_hash", "every_seconds"}``.
``POST /box/token`` replaces its token: ``{"wire", "token_hash"}``, shown with the old one. The box
makes its token itself and sends only the SHA-256; asking twice with the same one does no harm.
``POST /box/readiness`` tells of the box's shelf, drills and restores; see ``telling.py``.

Every answer is JSON: ``{"wire": 1, "taken": "SURVEY", "look": false, "renew": false}``, where
``look`` asks for a new survey, which is all that a hub can ask of a box; or, with a status from
400, ``{"wire": 1, "why": "…", "sentence": "…"}``; ``errors.Why`` has the reasons, and an older box
takes one that it does not know for "later".

**Versions.** A parcel of a newer ``wire``, or a survey of a newer ``format``, is refused (NEWER)
and the box keeps it. Parts that a newer box adds within a version are left out by an older hub,
which notes among the survey's doubts which they were; parts that an older box does not have yet
take their defaults. So a part whose absence could make a box look healthier needs a new number.

**Limits.** A parcel has at most 2 MiB as sent and 16 MiB unpacked (24 drives with raw answers:
50 kB and 500 kB, measured); more is refused before it is unpacked further.
"""

from __future__ import annotations

import json
import zlib
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from datetime import datetime
from functools import cache
from typing import Any, Final

from pydantic import ConfigDict, TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError

from watcher.facts.checks import require_utc
from watcher.facts.finding import Finding
from watcher.facts.survey import SURVEY_FORMAT, Survey
from watcher.hub.errors import Refused, Unreachable, Why
from watcher.hub.quick_read import read_quickly

WIRE: Final = 1
MOST_SENT: Final = 2 * 1024 * 1024
MOST_UNPACKED: Final = 16 * 1024 * 1024
MOST_SMALL: Final = 64 * 1024
"""Of a request to be enrolled or for a new token: far beyond its few hundred bytes. Our choice."""
LONGEST_WORD: Final = 200
PROXY_TOO_LARGE: Final = 413
"""What a server in between says to a body beyond its own bound (RFC 9110 section 15.5.14)."""
LEVEL: Final = 6
"""zlib's own default: a survey goes over the line once, and boxes may hang on a slow one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """What a box hands over at one time."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True)

    wire: int = WIRE
    sender: str
    every_seconds: int
    survey: Survey
    besides: tuple[Finding, ...] = ()
    works: tuple[str, ...] = ()
    alone_since: datetime | None = None

    def __post_init__(self) -> None:
        """Check words, times and numbers."""
        if not 0 < len(self.sender) <= LONGEST_WORD:
            raise ValueError("sender must be a word")
        if not 1 <= self.every_seconds <= 7 * 24 * 3600:
            raise ValueError("every_seconds must be up to a week")
        if not 0 < len(self.survey.survey) <= 2 * LONGEST_WORD:
            raise ValueError("a survey needs an id of moderate length")
        if self.alone_since is not None:
            require_utc(self.alone_since, "alone_since")


@dataclass(frozen=True, slots=True, kw_only=True)
class Joining:
    """A box asks to be enrolled."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True)

    wire: int = WIRE
    code: str
    box: str
    token_hash: str
    every_seconds: int = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """A box asks to be known by a new token."""

    __pydantic_config__ = ConfigDict(extra="forbid", strict=True)

    wire: int = WIRE
    token_hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a hub says to a parcel that it took."""

    wire: int = WIRE
    taken: str = ""
    look: bool = False
    renew: bool = False
    box: str = ""
    client: str = ""


@cache
def _adapter(shape: Any) -> TypeAdapter[Any]:  # noqa: ANN401 - one of the shapes above
    return TypeAdapter(shape)


@cache
def _loose() -> TypeAdapter[Any]:
    """The same as a parcel, for one of a newer box: what is not known is left out."""

    @dataclass(frozen=True, slots=True, kw_only=True)
    class Loose(Parcel):
        __pydantic_config__ = ConfigDict(extra="ignore", strict=True)

    return TypeAdapter(Loose)


def pack(told: Parcel | Joining | Renewal) -> bytes:
    """Write what a box sends. Text that is no Unicode (lone surrogates) gets question marks."""
    shape: object = type(told)
    try:
        text: bytes = _adapter(shape).dump_json(told)
    except (PydanticSerializationError, UnicodeEncodeError):
        plain = _adapter(shape).dump_python(told, mode="json")
        text = json.dumps(plain, ensure_ascii=False).encode("utf-8", "replace")
    return zlib.compress(text, LEVEL)


def unpack(body: bytes) -> Parcel:
    """Read a parcel. Raises Refused and nothing else, whatever the bytes are."""
    return unpack_to_keep(body)[0]


def unpack_to_keep(body: bytes) -> tuple[Parcel, bytes]:
    """Read a parcel, and give the bytes that say the same: those it came in, or none.

    Raises Refused and nothing else, whatever the bytes are.
    """
    text = inflate(body)
    try:
        parcel = _read(text)
    except ValidationError as error:
        refuse_newer(text)
        known = _without_unknown(text)
        if known is None:
            found = error.errors(include_url=False, include_input=False, include_context=False)
            raise Refused(Why.UNREADABLE, _say(found)) from error
        parcel, body = known, b""
    if parcel.wire != WIRE:
        refuse_newer(text)
        raise Refused(Why.UNREADABLE, f"There is no version {parcel.wire} of this exchange.")
    return parcel, body


def _read(text: bytes) -> Parcel:
    """Read a parcel of this version. Raises ValidationError."""
    quick = read_quickly(text, Parcel)
    if quick is not None:
        with suppress(ValueError):  # what is wrong with it is said by the other
            return Parcel(**quick)
    found: Parcel = _adapter(Parcel).validate_json(text)
    return found


MOST_NAMED: Final = 8
"""Unknown parts that a doubt names; our choice: the first ones tell which version is newer."""


def _without_unknown(text: bytes) -> Parcel | None:
    """Read a parcel of a newer box, and note what was left out; None: that is not what is wrong.

    Wherever the part stands: of a pool's member it is seen too, which may be one of two shapes.
    """
    try:
        loose = _loose().validate_json(text)
    except ValidationError:
        return None
    names = sorted(_left_out(json.loads(text), _loose().dump_python(loose, mode="json")))
    if not names:
        return None
    doubt = (
        f"The box is newer than this hub and tells of something that is not known here "
        f"({', '.join(name[:40] for name in names[:MOST_NAMED])}): update the hub."
    )
    parts = {field.name: getattr(loose, field.name) for field in fields(Parcel)}
    survey = replace(loose.survey, doubts=(*loose.survey.doubts, doubt))
    return Parcel(**(parts | {"survey": survey}))


def _left_out(told: Any, read: Any) -> set[str]:  # noqa: ANN401 - JSON
    """Name the parts of what was told that were not read."""
    if isinstance(told, dict) and isinstance(read, dict):
        deep = (_left_out(part, read[name]) for name, part in told.items() if name in read)
        return set(told.keys() - read.keys()).union(*deep)
    if isinstance(told, list) and isinstance(read, list):
        return set().union(*(_left_out(*pair) for pair in zip(told, read, strict=False)))
    return set()


def unpack_joining(body: bytes) -> Joining:
    """Read a request to be enrolled. Raises Refused."""
    found: Joining = _small(Joining, body)
    return found


def unpack_renewal(body: bytes) -> Renewal:
    """Read a request for a new token. Raises Refused."""
    found: Renewal = _small(Renewal, body)
    return found


def _small(shape: type, body: bytes) -> Any:  # noqa: ANN401 - as the shape
    text = inflate(body, most=MOST_SMALL)
    try:
        found = _adapter(shape).validate_json(text)
    except ValidationError as error:
        refuse_newer(text)
        seen = error.errors(include_url=False, include_input=False, include_context=False)
        raise Refused(Why.UNREADABLE, _say(seen)) from error
    if found.wire != WIRE:
        refuse_newer(text)
        raise Refused(Why.UNREADABLE, f"There is no version {found.wire} of this exchange.")
    return found


def inflate(body: bytes, *, most: int = MOST_UNPACKED) -> bytes:
    """Unpack bytes, and never more than ``most``. Raises Refused."""
    if len(body) > MOST_SENT:
        raise Refused(Why.TOO_LARGE, f"A parcel has at most {MOST_SENT} bytes.")
    tool = zlib.decompressobj()
    try:
        text = tool.decompress(body, most + 1)
    except zlib.error as error:
        raise Refused(Why.UNREADABLE, "What came cannot be unpacked.") from error
    if len(text) > most:
        raise Refused(Why.TOO_LARGE, f"A parcel has at most {most} bytes unpacked.")
    if not tool.eof or tool.unused_data:
        raise Refused(Why.UNREADABLE, "What came was cut, or something hangs on to it.")
    return text


def refuse_newer(text: bytes) -> None:
    """Raise Refused when this was written by a newer version; otherwise say nothing."""
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        return
    if not isinstance(told, dict):
        return
    wire = told.get("wire")
    survey = told.get("survey")
    form = survey.get("format") if isinstance(survey, dict) else None
    if type(wire) is int and wire > WIRE:
        raise Refused(
            Why.NEWER,
            f"The box speaks version {wire} of the exchange, this hub knows up to {WIRE}: update "
            "midwatch on the hub. The box keeps its surveys and alerts by itself until then.",
        )
    if type(form) is int and form > SURVEY_FORMAT:
        raise Refused(
            Why.NEWER,
            f"The survey has format {form}, this hub knows up to {SURVEY_FORMAT}: update midwatch "
            "on the hub. The box keeps its surveys and alerts by itself until then.",
        )


def _say(found: Any) -> str:  # noqa: ANN401 - pydantic's list of errors
    first = found[0]
    where = ".".join(str(part)[:40] for part in first["loc"][:8])
    return f"What came does not make sense ({where or 'all of it'}: {first['msg'][:120]})."


def write_answer(answer: Answer) -> bytes:
    """Write what a hub answers."""
    return _adapter(Answer).dump_json(answer)


def write_refusal(refused: Refused) -> bytes:
    """Write why a hub takes something not."""
    told = {"wire": WIRE, "why": refused.why.value, "sentence": refused.sentence}
    return json.dumps(told).encode()


def read_answer(status: int, body: bytes) -> Answer:
    """Read what a hub answered.

    What a newer hub adds is left out. Raises Refused when it refuses, Unreachable when the
    answer makes no sense: then something else than a hub is there, or on the way.
    """
    try:
        told = json.loads(body)
    except (ValueError, RecursionError) as error:
        if status == PROXY_TOO_LARGE:
            raise Refused(Why.TOO_LARGE, "Something before the hub takes no more bytes.") from error
        raise Unreachable(f"what answers there is no hub (status {status})") from error
    if not isinstance(told, dict) or type(told.get("wire")) is not int:
        raise Unreachable(f"what answers there is no hub (status {status})")
    if status >= 400:
        try:
            why = Why(str(told.get("why")))
        except ValueError:
            why = Why.BUSY
        raise Refused(why, str(told.get("sentence", ""))[:400] or f"status {status}")
    known = {
        name: told[name] for name in ("taken", "look", "renew", "box", "client") if name in told
    }
    try:
        answer: Answer = _adapter(Answer).validate_json(json.dumps(known), strict=True)
    except ValidationError as error:
        raise Unreachable("the hub's answer makes no sense") from error
    return answer


def pack_plain(parcel: Parcel) -> Any:  # noqa: ANN401 - JSON
    """Give a parcel as plain lists, dictionaries, texts and numbers."""
    return json.loads(zlib.decompress(pack(parcel)))


def read_plain(plain: Any) -> Parcel:  # noqa: ANN401 - JSON
    """Give a parcel back from those. Raises Refused."""
    return unpack(zlib.compress(json.dumps(plain).encode(), LEVEL))
