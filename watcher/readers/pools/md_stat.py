"""The kernel's one-page summary of its software arrays: ``/proc/mdstat``.

Source: ``/proc/mdstat``, Linux 4 to 6 (drivers/md/md.c, ``md_seq_show``, and the ``status`` of each
level; Documentation/admin-guide/md.rst). Sizes are in blocks of 1 KiB, ``[n/m]`` is wanted and
active, ``U`` a slot in step, ``_`` one that is not; ``(F)`` failed, ``(S)`` spare, ``(J)`` journal,
``(W)`` write-mostly, ``(R)`` replacement.

Ignored: the list of levels the kernel knows, the bitmap's pages, ``finish=`` (computed from speed).

Traps: the number behind a member (``sdd[4]``) is its number in the superblock, not its slot. A
pulled member stays ``U`` until the array next does I/O. A repair shows the word ``resync``. The
last line (``unused devices:``) is demanded, so that a text that was cut is refused.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import NoReturn

from watcher.readers.errors import CannotParse

SOURCE = "mdstat"
PATH = "/proc/mdstat"

LEVELS = frozenset(
    {"linear", "raid0", "raid1", "raid4", "raid5", "raid6", "raid10", "multipath", "faulty"}
)
"""Levels by the kernel's names for them (md.rst, ``level``)."""

ACTIONS = frozenset({"resync", "recovery", "recover", "reshape", "check", "repair"})
"""What a progress line can be about."""

HELD = frozenset({"DELAYED", "PENDING", "REMOTE"})
"""Why there is work and no progress line: queued, not begun, done by another machine."""

FLAGS = frozenset("WJFSR")


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One member as the header line of its array lists it."""

    name: str  # kernel name: "sdb1"
    number: int  # in the superblock; not the slot
    flags: frozenset[str] = frozenset()  # of W J F S R


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Work on an array."""

    action: str  # one of ACTIONS
    held: str = ""  # one of HELD; "" while it runs
    done_kib: int | None = None  # per member
    total_kib: int | None = None
    kib_per_second: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """One array. Words that are not understood are kept, never dropped."""

    name: str  # "md0"
    running: bool
    broken: bool = False
    locked: str = ""  # "", "read-only", "auto-read-only"
    level: str | None = None  # None while inactive
    members: tuple[Listed, ...] = ()
    size_kib: int | None = None
    metadata: str = "0.90"
    near: int = 1  # copies, raid10
    far: int = 1
    offset: bool = False
    wanted: int | None = None
    active: int | None = None
    up: tuple[bool, ...] | None = None  # by slot
    progress: Progress | None = None
    unknown: tuple[str, ...] = field(default=())
    said: str = ""  # header and status, as evidence

    @property
    def is_container(self) -> bool:
        """Whether this only holds the metadata of other arrays (firmware RAID)."""
        return self.is_external and "/" not in self.metadata

    @property
    def is_external(self) -> bool:
        """Whether firmware metadata rule it (the container itself, or an array in one)."""
        return self.metadata.startswith("external:")


_HEADER = re.compile(r"(md[A-Za-z0-9_.-]*) : (\S+)(.*)")
_MEMBER = re.compile(r"([^\s\[\]]+)\[([0-9]{1,9})\]((?:\([A-Za-z]+\))*)")
_SIZE = re.compile(r"([0-9]{1,18}) blocks(.*)")
_BAR = re.compile(
    r"\[[=>.]*\]\s+([a-z]+)\s*=\s*[0-9]{1,3}(?:\.[0-9]+)?%\s+\(([0-9]{1,18})/([0-9]{1,18})\)(.*)"
)
_BAR_REST = re.compile(r"(?: finish=[0-9.]+min)?(?: speed=([0-9]{1,12})K/sec)?")
_HELD = re.compile(r"([a-z]+)=([A-Z]+)")
_SLOTS = re.compile(r"\[([0-9]{1,6})/([0-9]{1,6})\] \[([U_]+)\]")
_COPIES = re.compile(r"([0-9]{1,4}) (near|far|offset)-copies")
_SUPER = re.compile(r"super (\S+)")
_QUIET = (
    re.compile(r"level [0-9]+,?"),
    re.compile(r"[0-9]+[kK] (?:chunks?|rounding),?"),
    re.compile(r"algorithm [0-9]+"),
    re.compile(r"[0-9]+ devices per set"),  # raid10_status: far copies go round groups of devices
)


def parse_mdstat(text: str) -> tuple[Listing, ...]:
    """Read the whole summary, in its order; raises ``CannotParse``."""
    lines = text.splitlines()
    if not lines or not lines[0].startswith("Personalities :"):
        _refuse("does not begin with 'Personalities :'", lines[0] if lines else "")
    while lines and not lines[-1].strip():
        lines.pop()
    if not lines[-1].startswith("unused devices:"):
        _refuse("was cut: it does not end with 'unused devices:'", lines[-1])
    arrays: list[Listing] = []
    for line in lines[1:-1]:
        if not line.strip() or line.startswith("read_ahead"):
            continue
        if line[0].isspace():
            if not arrays:
                _refuse("a line belongs to no array", line)
            arrays[-1] = _continue(arrays[-1], line.strip())
        else:
            array = _header(line)
            if any(array.name == other.name for other in arrays):
                _refuse("an array is listed twice", line)
            arrays.append(array)
    for array in arrays:
        _check(array)
    return tuple(arrays)


def _refuse(reason: str, line: str) -> NoReturn:
    raise CannotParse(SOURCE, reason, line=line)


def _header(line: str) -> Listing:
    found = _HEADER.fullmatch(line.rstrip())
    if found is None:
        _refuse("is neither an array nor part of one", line)
    name, state, rest = found.group(1), found.group(2), found.group(3).strip()
    if state not in {"active", "inactive", "broken"}:
        _refuse("an array has a state that we do not know", line)
    locked = ""
    for word in ("read-only", "auto-read-only"):
        if rest.startswith(f"({word})"):
            locked, rest = word, rest.removeprefix(f"({word})").strip()
    words = rest.split()
    level: str | None = None
    unknown: list[str] = []
    if words and not _MEMBER.fullmatch(words[0]):
        level = words.pop(0)
        if level not in LEVELS:
            unknown.append(level)
    if state != "inactive" and level is None:
        _refuse("a running array has no level", line)
    members, odd = _members(words, line)
    return Listing(
        name=name,
        running=state != "inactive",
        broken=state == "broken",
        locked=locked,
        level=level,
        members=members,
        unknown=(*unknown, *odd),
        said=f"{state}{f' ({locked})' if locked else ''}{f' {level}' if level else ''}",
    )


def _members(words: list[str], line: str) -> tuple[tuple[Listed, ...], tuple[str, ...]]:
    """Read the members of a header line, and the flags among theirs that we do not know."""
    members: list[Listed] = []
    odd: list[str] = []
    for word in words:
        found = _MEMBER.fullmatch(word)
        if found is None:
            _refuse("a member cannot be read", line)
        flags = frozenset(found.group(3).replace("(", " ").replace(")", " ").split())
        odd.extend(f"({flag})" for flag in sorted(flags - FLAGS))
        members.append(Listed(name=found.group(1), number=int(found.group(2)), flags=flags))
    if len({m.name for m in members}) != len(members):
        _refuse("a member is listed twice", line)
    return tuple(members), tuple(odd)


def _continue(array: Listing, line: str) -> Listing:
    if size := _SIZE.fullmatch(line):
        if array.size_kib is not None:
            _refuse("an array has two sizes", line)
        return _status(replace(array, size_kib=int(size.group(1))), size.group(2), line)
    if bar := _BAR.fullmatch(line):
        rest = _BAR_REST.fullmatch(bar.group(4))
        if array.progress is not None or rest is None or bar.group(1) not in ACTIONS:
            _refuse("its progress cannot be read", line)
        done, total = int(bar.group(2)), int(bar.group(3))
        if done > total:
            _refuse("it has done more than there is to do", line)
        return replace(
            array,
            progress=Progress(
                action=bar.group(1),
                done_kib=done,
                total_kib=total,
                kib_per_second=int(rest.group(1)) if rest.group(1) else None,
            ),
        )
    if held := _HELD.fullmatch(line):
        if array.progress is not None or held.group(1) not in ACTIONS:
            _refuse("its progress cannot be read", line)
        unknown = () if held.group(2) in HELD else (line,)
        return replace(
            array,
            progress=Progress(action=held.group(1), held=held.group(2)),
            unknown=(*array.unknown, *unknown),
        )
    if line.startswith("bitmap:"):
        return array
    return replace(array, unknown=(*array.unknown, line))


def _status(array: Listing, rest: str, line: str) -> Listing:
    """Read what follows the size: metadata, geometry, slots."""
    if found := _SUPER.search(rest):
        array = replace(array, metadata=found.group(1))
        rest = _cut(rest, found)
    while found := _COPIES.search(rest):
        count = int(found.group(1))
        if not count:
            _refuse("no copies", line)
        if found.group(2) == "near":
            array = replace(array, near=count)
        else:
            array = replace(array, far=count, offset=found.group(2) == "offset")
        rest = _cut(rest, found)
    if found := _SLOTS.search(rest):
        wanted, active, up = int(found.group(1)), int(found.group(2)), found.group(3)
        if len(up) != wanted or up.count("U") != active:
            _refuse("its counts and its slots contradict each other", line)
        array = replace(
            array,
            wanted=wanted,
            active=active,
            up=tuple(mark == "U" for mark in up),
            said=f"{array.said} {found.group(0)}",
        )
        rest = _cut(rest, found)
    for quiet in _QUIET:
        rest = quiet.sub(" ", rest)
    return replace(array, unknown=(*array.unknown, *rest.replace(",", " ").split()))


def _cut(text: str, found: re.Match[str]) -> str:
    return f"{text[: found.start()]} {text[found.end() :]}"


_WITH_SLOTS = frozenset({"raid1", "raid4", "raid5", "raid6", "raid10", "multipath"})


def _check(array: Listing) -> None:
    """Refuse an array of which a line is missing."""
    if not array.running:
        return
    if array.size_kib is None and array.members:
        _refuse("the size of a running array is missing", array.name)
    if array.level in _WITH_SLOTS and array.members and array.up is None:
        _refuse("the slots of a running array are missing", array.name)
    standing = [m for m in array.members if m.flags.isdisjoint("FSJ")]
    if array.active is not None and array.active > len(standing):
        _refuse("more slots are up than members are listed", array.name)
