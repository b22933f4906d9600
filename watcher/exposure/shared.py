"""The chance of loss of a tree whose members share drives: exact, drive by drive.

Copies that go round an array (``far``, ``offset``) and partitions of one drive tie sets together,
and their chances do not multiply then. Here the drives meet their fates one after another, and what
a fate leaves of the tree is a state; all pasts that leave the same are one state. Round a ring of
mirrors that is what became of its first drive and of the last one, and no more.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from watcher.facts.identity import DriveId
from watcher.facts.pool import Member, MemberState, RedundancySet, members_of

MOST_STATES: Final = 200
"""More states than this are not worth their time; our choice. A ring of two copies has 19, of three
99, however many drives it has, and 43 and 183 with one more parity in each of its sets."""

_LOST, _DAMAGED, _CLEAN = FATES = range(3)


@dataclass(frozen=True, slots=True)
class _Set:
    """What is left of a set: parts that are not decided yet."""

    bears: int  # how many of them may be lost
    damaged: bool  # a part that stands has an unreadable sector
    parts: tuple[_Part, ...]
    drives: frozenset[DriveId]


_Part = _Set | DriveId | int
"""A set, a drive whose fate is open, or a fate."""


@dataclass(frozen=True, slots=True)
class Walk:
    """The way through the fates of all drives."""

    drives: tuple[DriveId, ...]
    ways: tuple[tuple[tuple[int, ...], ...], ...]  # by drive, by state: the next state by fate
    fates: tuple[int, ...]  # of the tree, by last state

    def chances(
        self, fails: Mapping[DriveId, float], unread: Mapping[DriveId, float]
    ) -> tuple[float, float]:
        """Give the chance that the tree is lost, and that it stands with damage."""
        weights = {0: 1.0}
        for drive, way in zip(self.drives, self.ways, strict=True):
            lost, dirt = fails.get(drive, 0.0), unread.get(drive, 0.0)
            chances = (lost, (1.0 - lost) * dirt, (1.0 - lost) * (1.0 - dirt))
            after: dict[int, float] = {}
            for state, weight in weights.items():
                for to, chance in zip(way[state], chances, strict=True):
                    if chance > 0.0:
                        after[to] = after.get(to, 0.0) + weight * chance
            weights = after
        found = [0.0] * len(FATES)
        for state, weight in weights.items():
            found[self.fates[state]] += weight
        return found[_LOST], found[_DAMAGED]


@lru_cache(maxsize=64)
def walk_of(tree: RedundancySet) -> Walk | None:
    """Give the way through a tree; None when it has more than ``MOST_STATES`` states somewhere."""
    begin = _left_of(tree)
    order = tuple(dict.fromkeys(d for member in members_of(tree) for d in member.drives))
    states = {begin: 0}
    ways = []
    for drive in order:
        after: dict[_Part, int] = {}
        way = tuple(
            tuple(after.setdefault(_met(part, drive, fate), len(after)) for fate in FATES)
            for part in states
        )
        if len(after) > MOST_STATES:
            return None
        ways.append(way)
        states = after
    fates = tuple(part if isinstance(part, int) else _CLEAN for part in states)
    return Walk(drives=order, ways=tuple(ways), fates=fates)


def _left_of(part: RedundancySet | Member) -> _Part:
    """Give a part before any fate is known; a member that is not good is lost."""
    if isinstance(part, RedundancySet):
        return _simplest(part.bears, [_left_of(below) for below in part.parts])
    if part.state is not MemberState.GOOD:
        return _LOST
    return _simplest(0, list(dict.fromkeys(part.drives)))


def _met(part: _Part, drive: DriveId, fate: int) -> _Part:
    """Give what is left of a part once a drive has met its fate."""
    if part == drive:
        return fate
    if not isinstance(part, _Set) or drive not in part.drives:
        return part
    return _simplest(
        part.bears, [_met(one, drive, fate) for one in part.parts], damaged=part.damaged
    )


def _simplest(bears: int, parts: list[_Part], *, damaged: bool = False) -> _Part:
    """Put a set into the least that says the same, so that equal futures are one state."""
    bears -= sum(part == _LOST for part in parts)
    damaged = damaged or any(part == _DAMAGED for part in parts)
    left = tuple(part for part in parts if not isinstance(part, int))
    if bears < 0:
        return _LOST
    if bears > len(left):
        return _CLEAN  # never so few that a sector cannot be corrected
    if not left:
        return _DAMAGED if damaged else _CLEAN
    if len(left) == 1 and bears == 0 and not damaged:
        return left[0]
    return _Set(bears, damaged, left, frozenset(_drives_in(left)))


def _drives_in(parts: tuple[_Part, ...]) -> Iterator[DriveId]:
    for part in parts:
        if isinstance(part, _Set):
            yield from part.drives
        elif not isinstance(part, int):
            yield part
