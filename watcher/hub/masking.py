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
from dataclasses import dataclass, field
from typing import Any

from watcher.hub.thinning import without_raw
from watcher.hub.wire import Parcel, pack_plain, read_plain

SHORTEST = 4
"""Words shorter than that are hidden only where they stand alone as a serial; our choice: a serial
of three letters would be found everywhere."""

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
        words = {name: f"box-{self.word(name)[:8]}" for name in self.names if name}
        if self.serials:
            for secret in serials_of(bare):
                words[secret] = self.word(secret)
        if not words:
            return bare
        longest_first = sorted(words, key=len, reverse=True)
        found = re.compile(
            "|".join(rf"(?<![0-9A-Za-z]){re.escape(word)}(?![0-9A-Za-z])" for word in longest_first)
        )
        return read_plain(_walk(pack_plain(bare), found, words))


def serials_of(parcel: Parcel) -> frozenset[str]:
    """Name all that tells one drive from another of its model."""
    found: set[str] = set()
    for who in (
        *((r.identity.serial, r.identity.wwn) for r in parcel.survey.drives),
        *((u.serial, None) for u in parcel.survey.unread),
    ):
        for word in who:
            if word:
                found |= {word, word.strip(), re.sub(r"[^0-9A-Za-z.+-]+", "_", word.strip())}
                found |= {word.lower().removeprefix("0x").removeprefix("naa.").replace(" ", "")}
    ids = [r.identity.drive for r in parcel.survey.drives]
    ids += [u.drive for u in parcel.survey.unread if u.drive is not None]
    ids += [d for pool in parcel.survey.pools for d in pool.drives]
    for drive in ids:
        found.add(drive.removeprefix("wwn-").rpartition("_")[2])
    return frozenset(word for word in found if len(word) >= SHORTEST)


def _walk(here: Any, found: re.Pattern[str], words: dict[str, str]) -> Any:  # noqa: ANN401 - JSON
    """Go through every text."""
    if isinstance(here, str):
        return found.sub(lambda hit: words[hit.group()], here)
    if isinstance(here, list):
        return [_walk(one, found, words) for one in here]
    if isinstance(here, dict):
        return {
            name: one
            if name in _OUR_WORDS
            and isinstance(one, str | list)
            and not any(isinstance(deep, dict) for deep in one)
            else _walk(one, found, words)
            for name, one in here.items()
        }
    return here
