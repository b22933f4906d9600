"""The shape of a table of kernel messages, and the search in it.

A message is understood by the first row whose cue occurs in it and whose pattern matches. The cue
is a plain piece of text: looking for it is cheap, so that a pattern runs on few messages. The
wording comes from the kernel's own sources; where it changed between versions, the pattern takes
both.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from watcher.facts.kernel_event import Category

SHAPES = 4096
"""Shapes of messages remembered: about 1 MB. Our choice."""

NODE = (
    r"(?:<missing disk>|(?:/dev/)?"
    r"(?P<dev>(?:(?:mapper|disk/by-[a-z]+)/)?[\w.()@+-]+(?::[\w.()@+-]+)*))"
)
"""Where btrfs names a member: by the path it was mounted or added by, which may be a link, or not
at all once it is missing (``btrfs_dev_name`` in fs/btrfs/volumes.h; from memory)."""


class Meaning(NamedTuple):
    """What one message says on its own. A tuple, as a line is."""

    what: str  # kebab-case name of the kind of event
    category: Category
    device: str = ""  # as the kernel named it; "" when it named none
    weak: bool = False  # a mere sign: decides an excerpt only when nothing stronger is there
    effect: bool = False  # follows from a cause told nearby on the same device

    def of(self, device: str) -> Meaning:
        """Give the same meaning of another device."""
        return Meaning(self.what, self.category, device, self.weak, self.effect)


@dataclass(frozen=True)
class Row:
    """One kind of message. ``pattern`` may name the device in a group ``dev``."""

    what: str
    category: Category
    cue: str
    pattern: str = ""
    weak: bool = False
    effect: bool = False

    @cached_property
    def compiled(self) -> re.Pattern[str]:
        """Give the compiled pattern; the cue itself where no pattern is needed."""
        return re.compile(self.pattern or re.escape(self.cue))

    @cached_property
    def names_device(self) -> bool:
        """Tell whether the pattern can name the device."""
        return "dev" in self.compiled.groupindex

    def read(self, message: str) -> Meaning | None:
        """Give what the message means, or None when it is not of this kind."""
        if self.cue not in message:
            return None
        found = self.compiled.search(message)
        if found is None:
            return None
        device = found["dev"] or "" if self.names_device else ""
        return Meaning(
            what=self.what,
            category=self.category,
            device=device.removeprefix("/dev/"),
            weak=self.weak,
            effect=self.effect,
        )


def _shape_of(text: str) -> bytes:
    """Give a text without its digits. Bytes, which drop them twenty times as fast as text."""
    return text.encode("utf-8", "surrogatepass").translate(None, b"0123456789")


class Index:
    """A table with a memory of which rows can fit a message of a given shape.

    The shape of a message is the message with its digits taken out. A row whose cue, made alike,
    does not occur in the shape cannot fit any message of it, so the candidates of a shape are
    looked up once; a log repeats few shapes.
    """

    def __init__(self, rows: tuple[Row, ...], *, limit: int = SHAPES) -> None:
        """Take the rows, in order of precedence, and how many shapes to remember."""
        self._rows = tuple((_shape_of(row.cue), row) for row in rows)
        self._limit = limit
        self._candidates: dict[bytes, tuple[Row, ...]] = {}

    def read(self, message: str) -> Meaning | None:
        """Give the meaning of the first row that fits, or None; as :func:`first_match` does."""
        shape = _shape_of(message)
        candidates = self._candidates.get(shape)
        if candidates is None:
            if len(self._candidates) >= self._limit:
                self._candidates.clear()
            candidates = tuple(row for cue, row in self._rows if cue in shape)
            self._candidates[shape] = candidates
        return first_match(candidates, message) if candidates else None


def first_match(rows: Iterable[Row], message: str) -> Meaning | None:
    """Give the meaning of the first row that fits, or None."""
    for row in rows:
        meaning = row.read(message)
        if meaning is not None:
            return meaning
    return None
