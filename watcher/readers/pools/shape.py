"""What every pool reader gives, and the small helpers that they share.

Each module of this package has ``read(host, blocks, *, observed_at, …) -> PoolsRead``. A reader
names its source in ``answered`` only when that source was seen in full (an absent stack is a full
answer: no pools); whatever it could not see is a ``Blindness``. It raises nothing but
``ReadError``, which the registry turns into a blind spot of that one source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Protocol

from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId, PoolId, about_pool
from watcher.facts.pool import Member, MemberState, Noted, Pool, Protection, RedundancySet, Remark
from watcher.facts.survey import Blindness
from watcher.readers.errors import CannotParse, CannotRead, ReadError


class Blocks(Protocol):
    """The block devices of a box, as far as pool readers need them."""

    def drives_below(self, name: str) -> tuple[DriveId, ...]:
        """Give the physical drives below a block device ("sdb1", "md0", "dm-3"), sorted.

        Empty when the device is not there or nothing lasting is known about its drives.
        """

    def arrays_below(self, name: str) -> tuple[str, ...]:
        """Give the md arrays that a device rests on, if on nothing else, through what lies between.

        So it is with an encrypted device, a partition or a volume on an array. The array itself
        counts.
        """

    def exists(self, name: str) -> bool:
        """Tell whether there is a block device of that kernel name now."""

    def is_given_up(self, name: str) -> bool:
        """Tell whether the kernel lets nothing through any more to a device that is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolsRead:
    """What one reader, or all of them together, saw."""

    pools: tuple[Pool, ...] = ()
    blind: tuple[Blindness, ...] = ()
    answered: tuple[str, ...] = ()  # sources seen in full


def together(reads: Iterable[PoolsRead]) -> PoolsRead:
    """Join what several readers saw, in order."""
    seen = tuple(reads)
    return PoolsRead(
        pools=tuple(pool for read in seen for pool in read.pools),
        blind=tuple(spot for read in seen for spot in read.blind),
        answered=tuple(source for read in seen for source in read.answered),
    )


def blindness_of(source: str, error: ReadError, *, pool: PoolId | None = None) -> Blindness:
    """Turn a failed reading into a blind spot with a sentence and a remedy for the owner."""
    subject = about_pool(pool) if pool is not None else None
    if isinstance(error, CannotRead):
        return Blindness(
            source=source,
            why=error.why,
            detail=error.detail,
            remedy=error.remedy or _REMEDY.get(error.why, "look at the box by hand"),
            subject=subject,
        )
    detail = str(error)
    if isinstance(error, CannotParse):
        detail = f"{error.source} gave an answer that is not understood: {error.reason}"
        if error.line:
            detail += f" ({error.line!r})"
    return Blindness(
        source=source,
        why=Unread.GARBLED,
        detail=detail,
        remedy=_REMEDY[Unread.GARBLED],
        subject=subject,
    )


_REMEDY = {
    Unread.FORBIDDEN: "run midwatch as root",
    Unread.TOOL_MISSING: "install the program",
    Unread.HUNG: "look at the box by hand: something does not answer",
    Unread.GARBLED: "look at the pool by hand, and send us the answer so that it can be read",
}


def cannot_open(source: str, path: str, error: OSError) -> CannotRead:
    """Turn an error of the operating system at a file into the reader's own."""
    if isinstance(error, PermissionError):
        return CannotRead(
            source, Unread.FORBIDDEN, f"{path} may not be read", remedy="run midwatch as root"
        )
    if isinstance(error, FileNotFoundError):
        return CannotRead(source, Unread.VANISHED, f"{path} is not there")
    return CannotRead(source, Unread.GARBLED, f"{path} cannot be read: {error}")


def bare_name(node: str) -> str:
    """Give the kernel name of a device node: ``sdb1`` for ``/dev/sdb1``."""
    return node.removeprefix("/dev/")


def on_device(member: Member, name: str, blocks: Blocks) -> Member:
    """Put a member onto its block device: its node and its physical drives.

    A member whose device is not there, or was given up by the kernel, keeps its name and becomes
    ``MISSING`` unless it was put out already, whatever its stack says of it.
    """
    is_there = blocks.exists(name)
    if is_there:
        member = replace(
            member,
            node=f"/dev/{name}",
            drives=blocks.drives_below(name),
            stands_on=blocks.arrays_below(name),
        )
        if not blocks.is_given_up(name):
            return member
    out = {MemberState.FAILED, MemberState.MISSING, MemberState.OFFLINE}
    state = member.state if member.state in out else MemberState.MISSING
    return (
        replace(member, state=state)
        if is_there
        else replace(member, node=None, drives=(), state=state)
    )


def mirror(name: str, parts: tuple[RedundancySet | Member, ...]) -> RedundancySet:
    """Make a set whose parts all hold the same data."""
    return RedundancySet(name=name, bears=len(parts) - 1, parts=parts)


def stripe(name: str, parts: tuple[RedundancySet | Member, ...]) -> RedundancySet:
    """Make a set of which no part may be lost."""
    return RedundancySet(name=name, bears=0, parts=parts)


def parity(name: str, bears: int, parts: tuple[RedundancySet | Member, ...]) -> RedundancySet:
    """Make a set that bears the loss of ``bears`` parts (never of all: see ``RedundancySet``)."""
    return RedundancySet(name=name, bears=min(bears, len(parts) - 1), parts=parts)


def unknown_word(where: str, word: str, *, member: str | None = None) -> Noted:
    """Make the remark for a word that we do not know: the pool is then not known to be well."""
    return Noted(
        remark=Remark.UNKNOWN_WORD,
        text=f"{where} says {word[:60]!r}, which is a word we do not know",
        member=member,
        at_most=Protection.UNKNOWN,
    )


class UnseenBlocks:
    """Stands in where the block devices could not be listed: nothing is called missing.

    Whoever uses it reports the block devices as a blind spot.
    """

    def drives_below(self, name: str) -> tuple[DriveId, ...]:
        """Give no drives: none could be seen."""
        del name
        return ()

    def arrays_below(self, name: str) -> tuple[str, ...]:
        """Give no arrays: none could be seen."""
        del name
        return ()

    def exists(self, name: str) -> bool:
        """Say yes: that a device is gone cannot be told."""
        del name
        return True

    def is_given_up(self, name: str) -> bool:
        """Say no: that cannot be told either."""
        del name
        return False
