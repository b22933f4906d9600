"""Serial numbers and host names hidden at the source: they never leave the box.

Each hidden word becomes another that is always the same for the same box (HMAC-SHA256, RFC 2104,
with a key that stays on the box), so that a drive keeps its history at the hub, and only the box
knows which drive it is. Every text of a survey is gone through, log lines and findings too; the
drives' raw answers, in which anything may stand, are left out.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import DriveId
from watcher.hub.thinning import without_raw
from watcher.hub.wire import Parcel, pack_plain, read_plain

SHORTEST = 4
"""Words shorter than that are hidden only where they stand alone, behind the word "serial", and in
the id of the drive; our choice: a serial of three letters would be found everywhere."""

_OUR_WORDS = frozenset(
    {
        "kind", "why", "what", "category", "source", "protocol", "medium", "verdict",
        "protection", "at_stake", "state", "role", "rule", "urgency", "how", "layout", "answered",
        "works",
    }
)  # fmt: skip
"""Fields that hold words of ours or of the stack, never a name of the owner's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mask:
    """What is hidden, and with which key."""

    key: bytes = field(repr=False)
    serials: bool = True
    names: tuple[str, ...] = ()  # host and box names to hide

    def word(self, secret: str) -> str:
        """Give what stands for a hidden word: letters and digits, always the same."""
        return hmac.new(self.key, secret.encode("utf-8", "replace"), hashlib.sha256).hexdigest()[
            :16
        ]

    def hide(self, parcel: Parcel) -> Parcel:
        """Give the parcel without what is to be hidden."""
        bare = Parcel(
            sender=parcel.sender,
            every_seconds=parcel.every_seconds,
            survey=without_raw(parcel.survey),
            besides=parcel.besides,
            works=parcel.works,
            alone_since=parcel.alone_since,
        )
        return read_plain(self._hidden(pack_plain(bare), *_secrets_of(bare)))

    def hide_plain(self, plain: Any, drives: Iterable[DriveIdentity]) -> Any:  # noqa: ANN401 - JSON
        """Give something plain without what is to be hidden: the serials of these drives."""
        known = tuple(drives)
        forms = {form for who in known for form in _forms(who.serial) | _forms(who.wwn)}
        return self._hidden(plain, forms, {who.drive for who in known})

    def _hidden(self, plain: Any, forms: set[str], ids: set[DriveId]) -> Any:  # noqa: ANN401 - JSON
        """Hide names, serials in the forms in which they are written, and ids of drives."""
        words = {name: f"box-{self.word(name)[:8]}" for name in self.names if name}
        alone: dict[str, str] = {}
        if self.serials:
            found = forms | {_tail(drive) for drive in ids}
            words |= {word: self.word(word) for word in found if len(word) >= SHORTEST}
            short = {word for word in forms if 0 < len(word) < SHORTEST}
            alone |= {word: self.word(word) for word in short}
            words |= {f"serial {word}": f"serial {self.word(word)}" for word in short}
            odd = {drive for drive in ids if len(_tail(drive)) < SHORTEST}
            alone |= {drive: self.word(drive) for drive in odd if len(drive) < SHORTEST}
            words |= {d: f"drive_{self.word(d)}" for d in odd if len(d) >= SHORTEST}
        return _hide(plain, words, alone)


def _secrets_of(parcel: Parcel) -> tuple[set[str], set[DriveId]]:
    """Name all that tells one drive from another of its model, and the ids of all drives."""
    survey = parcel.survey
    told = [word for r in survey.drives for word in (r.identity.serial, r.identity.wwn)]
    told += [u.serial for u in survey.unread]
    ids = {r.identity.drive for r in survey.drives}
    ids |= {u.drive for u in survey.unread if u.drive is not None}
    ids |= {d for pool in survey.pools for d in pool.drives}
    return {form for word in told for form in _forms(word)}, ids


def _forms(word: str | None) -> set[str]:
    """Give the forms in which a serial or a World Wide Name is written."""
    if not word:
        return set()
    return {
        word,
        word.strip(),
        re.sub(r"[^0-9A-Za-z.+-]+", "_", word.strip()),
        word.lower().removeprefix("0x").removeprefix("naa.").replace(" ", ""),
    }


def _tail(drive: DriveId) -> str:
    """Give the part of an id that no other drive has."""
    return drive.removeprefix("wwn-").rpartition("_")[2]


def _hide(plain: Any, words: dict[str, str], alone: dict[str, str]) -> Any:  # noqa: ANN401 - JSON
    """Put other words in the place of hidden ones, the longest first."""
    if not words:
        return plain
    longest_first = sorted(words, key=len, reverse=True)
    found = re.compile(
        "|".join(rf"(?<![0-9A-Za-z]){re.escape(word)}(?![0-9A-Za-z])" for word in longest_first)
    )

    def hidden(text: str) -> str:
        return alone.get(text) or found.sub(lambda hit: words[hit.group()], text)

    return _walk(plain, hidden)


def _walk(here: Any, hidden: Callable[[str], str]) -> Any:  # noqa: ANN401 - JSON
    """Go through every text."""
    if isinstance(here, str):
        return hidden(here)
    if isinstance(here, list):
        return [_walk(one, hidden) for one in here]
    if isinstance(here, dict):
        return {
            name: one
            if name in _OUR_WORDS
            and isinstance(one, str | list)
            and not any(isinstance(deep, dict) for deep in one)
            else _walk(one, hidden)
            for name, one in here.items()
        }
    return here
