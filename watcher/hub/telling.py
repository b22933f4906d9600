"""What a box tells its hub of how it is prepared: its shelf, its drills, the restores tried.

``POST /box/readiness``, with the token and the encoding of ``wire.py``::

    {"wire": 1, "sender": "…", "told": {"shelf": […], "drills": […], "restores": […],
     "watched_since": "…", "own_way": true}}

``told`` has the shape of ``facts.readiness.ToldReadiness`` and is always the whole: the hub puts it
in the place of what it had. It is sent after a survey was taken in by the same run of the program,
when it is another than what the hub took last, and once a day in any case, so that a hub that came
back from a backup has it again. Drills go without their written page.

**Versions.** A hub that is older has nothing at this address: the box goes on without, and asks
again after ``ASK_AGAIN``. An older box sends nothing, and the hub says "not told by this box". A
newer ``wire`` is refused; parts that are not known here are left out, so a part whose absence could
make a box look better prepared needs a new number.

**Limits.** At most ``MOST_UNPACKED`` bytes unpacked; the counts are those of ``ToldReadiness``.
Where a box has more to tell, long texts are cut first, then the oldest of what there is most of
is left out: that makes it look less prepared than it is, and never more.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cache
from typing import Any, Final

from pydantic import ConfigDict, TypeAdapter, ValidationError

from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import BoxId, DriveId
from watcher.facts.readiness import MOST_DRILLS, MOST_RESTORES, MOST_SPARES, ToldReadiness
from watcher.hub.errors import Refused, Why
from watcher.hub.wire import LEVEL, LONGEST_WORD, WIRE, inflate, refuse_newer
from watcher.store.readiness import TOLD
from watcher.store.transaction import Transaction

PATH: Final = "/box/readiness"
MOST_UNPACKED: Final = 1024 * 1024

TEXTS_CUT_AT: Final = (1000, 300, 100)
"""Letters of a note, a place or a reason that are told, where the whole would be too large; our
choice: long enough to know what is meant. What tells one drive from another is shorter."""

TOLD_AGAIN: Final = timedelta(hours=24)
ASK_AGAIN: Final = timedelta(hours=1)
"""How long a box waits after a hub that took nothing; our choice: the hub may have been updated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """What a box tells at one time."""

    __pydantic_config__ = ConfigDict(extra="ignore", strict=True)

    wire: int = WIRE
    sender: str
    told: ToldReadiness

    def __post_init__(self) -> None:
        """Check the word."""
        if not 0 < len(self.sender) <= LONGEST_WORD:
            raise ValueError("sender must be a word")


@cache
def _shape() -> TypeAdapter[Telling]:
    return TypeAdapter(Telling)


def pack_told(plain: Any) -> bytes:  # noqa: ANN401 - JSON
    """Write what a box tells, from plain lists, dictionaries, texts and numbers.

    Text that is no Unicode (lone surrogates) gets question marks.
    """
    return zlib.compress(json.dumps(plain, ensure_ascii=False).encode("utf-8", "replace"), LEVEL)


def within(plain: Any, most: int = MOST_UNPACKED) -> Any:  # noqa: ANN401 - JSON
    """Give as much of it as a hub takes: at most so many bytes; see the limits above."""
    for longest in TEXTS_CUT_AT:
        if _size(plain) <= most:
            return plain
        plain = _cut(plain, longest)
    while _size(plain) > most:
        told = plain["told"]
        name = max(("shelf", "drills", "restores"), key=lambda part: _size(told[part]))
        plain = plain | {"told": told | {name: told[name][len(told[name]) // 2 + 1 :]}}
    return plain


def _size(plain: Any) -> int:  # noqa: ANN401 - JSON
    return len(json.dumps(plain, ensure_ascii=False).encode("utf-8", "replace"))


def _cut(here: Any, longest: int) -> Any:  # noqa: ANN401 - JSON
    """Cut every text."""
    if isinstance(here, str):
        return here if len(here) <= longest else f"{here[: longest - 1]}…"
    if isinstance(here, list):
        return [_cut(one, longest) for one in here]
    if isinstance(here, dict):
        return {name: _cut(one, longest) for name, one in here.items()}
    return here


def plain_of(telling: Telling) -> Any:  # noqa: ANN401 - JSON
    """Give it as plain lists, dictionaries, texts and numbers."""
    return _shape().dump_python(telling, mode="json")


def unpack_telling(body: bytes) -> Telling:
    """Read what a box tells. Raises Refused and nothing else, whatever the bytes are."""
    text = inflate(body, most=MOST_UNPACKED)
    try:
        telling = _shape().validate_json(text)
    except ValidationError as error:
        refuse_newer(text)
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(part)[:40] for part in first["loc"][:8])
        raise Refused(
            Why.UNREADABLE,
            f"What came does not make sense ({where or 'all of it'}: {first['msg'][:120]}).",
        ) from error
    if telling.wire != WIRE:
        refuse_newer(text)
        raise Refused(Why.UNREADABLE, f"There is no version {telling.wire} of this exchange.")
    return telling


def told_here(tx: Transaction, box: BoxId, *, own_way: bool | None) -> ToldReadiness:
    """Gather what this box has to tell: the newest of each kind, as many as a hub takes."""
    return ToldReadiness(
        shelf=tx.shelf(box)[-MOST_SPARES:],
        drills=tuple(replace(drill, page="") for drill in tx.drills(box)[-MOST_DRILLS:]),
        restores=tx.restores(box)[-MOST_RESTORES:],
        watched_since=tx.watched_since(box),
        own_way=own_way,
    )


def drives_told(told: ToldReadiness) -> tuple[DriveIdentity, ...]:
    """Give the drives on the shelf."""
    return tuple(spare.identity for spare in told.shelf if spare.identity is not None)


def mark_of(told: ToldReadiness) -> str:
    """Give a short text that changes when what is told does."""
    return hashlib.sha256(TOLD.write(told).encode()).hexdigest()[:24]


def rename_spares(told: ToldReadiness, box: BoxId, strange: frozenset[DriveId]) -> ToldReadiness:
    """Give it with spares that are known to sit at other clients under names of their own."""
    shelf = tuple(
        replace(
            spare,
            identity=replace(spare.identity, drive=DriveId(f"{spare.identity.drive}@{box}")),
        )
        if spare.identity is not None and spare.identity.drive in strange
        else spare
        for spare in told.shelf
    )
    return replace(told, shelf=shelf)
