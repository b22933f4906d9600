"""What btrfs counts and works on, parsed strictly: counters, scrub, replacement, balance, mounts.

Every function takes the text of one answer and gives a value, or raises ``CannotParse`` and
nothing else. The layouts are those of btrfs-progs 5.10 to 6.12 (run: 6.2); the manual pages are
btrfs-device(8), btrfs-scrub(8), btrfs-replace(8) and btrfs-balance(8).

Traps: the counters are named after the path a device had when it was last there, or after its
number; times are told without a zone, and are in UTC as the program is run (runner.py).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from watcher.readers.errors import CannotParse


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceErrors:
    """The five counters of one device; they stay until somebody resets them."""

    device: str  # a path, or "devid N"
    write: int
    read: int
    flush: int
    corruption: int
    generation: int

    @property
    def total(self) -> int:
        """All of them together."""
        return self.write + self.read + self.flush + self.corruption + self.generation


class Going(StrEnum):
    """How a scrub, a replacement or a balance goes."""

    NEVER = "never"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    STOPPED = "stopped"  # canceled, aborted or interrupted: it did not reach the end


@dataclass(frozen=True, slots=True, kw_only=True)
class Scrub:
    """The last or running scrub."""

    uuid: str
    going: Going
    started: datetime | None = None
    fraction: float | None = None
    corrected: int = 0
    uncorrectable: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacing:
    """The last or running replacement of a device."""

    going: Going
    fraction: float | None = None
    write_errors: int = 0
    lost_reads: int = 0  # reads that no copy could serve


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """A running or halted balance."""

    going: Going
    fraction: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """A btrfs mount."""

    source: str
    target: str
    read_only: bool


_COUNTER = re.compile(
    r"\[(?:devid:(?P<devid>\d+)|(?P<path>/.+))\]\."
    r"(?P<what>write_io|read_io|flush_io|corruption|generation)_errs\s+(?P<count>\d{1,20})"
)
_COUNTERS = ("write_io", "read_io", "flush_io", "corruption", "generation")


def parse_device_stats(text: str) -> tuple[DeviceErrors, ...]:
    """Give the counters that ``btrfs device stats`` prints: five for each device."""
    source = "btrfs device stats"
    counts: dict[str, dict[str, int]] = {}
    for line in text.splitlines():
        if not line.strip():
            continue
        row = _COUNTER.fullmatch(line)
        if row is None:
            raise CannotParse(source, "this is no counter", line=line)
        device = row["path"] or f"devid {int(row['devid'])}"
        mine = counts.setdefault(device, {})
        if row["what"] in mine:
            raise CannotParse(source, "a counter is there twice", line=line)
        mine[row["what"]] = int(row["count"])
    if not counts:
        raise CannotParse(source, "it says nothing")
    for device, mine in counts.items():
        if len(mine) != len(_COUNTERS):
            raise CannotParse(source, f"{device} lacks a counter")
    return tuple(
        DeviceErrors(
            device=device,
            write=mine["write_io"],
            read=mine["read_io"],
            flush=mine["flush_io"],
            corruption=mine["corruption"],
            generation=mine["generation"],
        )
        for device, mine in counts.items()
    )


_FIELD = re.compile(r"(?P<what>[A-Za-z][A-Za-z ]*):\s+(?P<value>\S.*?)\s*")
_INNER = re.compile(r"  (?P<what>Corrected|Uncorrectable|Unverified):\s+(?P<count>\d{1,20})")
_PERCENT = re.compile(r".*\((\d{1,6}\.\d\d)%\)")
_SCRUB_WORDS = {
    "running": Going.RUNNING,
    "finished": Going.FINISHED,
    "aborted": Going.STOPPED,
    "interrupted": Going.STOPPED,
}


def _scrub_lines(text: str, source: str) -> tuple[dict[str, str], dict[str, int], bool]:
    """Give the fields, the inner counts, and whether no scrub is known."""
    fields: dict[str, str] = {}
    inner: dict[str, int] = {}
    unseen = False
    for line in text.splitlines():
        if line.strip() == "no stats available":
            unseen = True
        elif row := _INNER.fullmatch(line):
            if row["what"] in inner:
                raise CannotParse(source, "a count is there twice", line=line)
            inner[row["what"]] = int(row["count"])
        elif (found := _FIELD.fullmatch(line)) and found["what"] not in fields:
            fields[found["what"]] = found["value"]
        elif line.strip():
            raise CannotParse(source, "a line is not understood", line=line)
    return fields, inner, unseen


def parse_scrub(text: str) -> Scrub:
    """Give what ``btrfs scrub status`` tells of the last scrub."""
    source = "btrfs scrub status"
    fields, inner, unseen = _scrub_lines(text, source)
    if "UUID" not in fields or "Error summary" not in fields:
        raise CannotParse(source, "it does not tell of which filesystem, or of errors")
    if (fields["Error summary"] == "no errors found") == bool(inner) or len(inner) not in {0, 3}:
        raise CannotParse(source, "it contradicts itself about errors")
    if unseen:
        return Scrub(uuid=fields["UUID"], going=Going.NEVER)
    word = fields.get("Status", "")
    if word not in _SCRUB_WORDS:
        raise CannotParse(source, f"the status {word!r} is not known")
    percent = _PERCENT.fullmatch(fields.get("Bytes scrubbed", ""))
    return Scrub(
        uuid=fields["UUID"],
        going=_SCRUB_WORDS[word],
        started=_local(fields.get("Scrub started") or fields.get("Scrub resumed") or ""),
        fraction=min(float(percent[1]) / 100, 1.0) if percent else None,
        corrected=inner.get("Corrected", 0),
        uncorrectable=inner.get("Uncorrectable", 0),
    )


def _local(text: str) -> datetime | None:
    try:
        return datetime.strptime(text, "%a %b %d %H:%M:%S %Y").replace(tzinfo=UTC)
    except ValueError:
        return None


_REPLACE_TAIL = r", (?P<write>\d{1,20}) write errs, (?P<read>\d{1,20}) uncorr\. read errs"
_REPLACE = (
    (Going.RUNNING, re.compile(r"(?P<percent>\d{1,3}\.\d)% done" + _REPLACE_TAIL)),
    (Going.FINISHED, re.compile(r"Started on [^,]+, finished on [^,]+" + _REPLACE_TAIL)),
    (
        Going.STOPPED,
        re.compile(
            r"Started on [^,]+, canceled on [^,]+ at (?P<percent>\d{1,3}\.\d)%" + _REPLACE_TAIL
        ),
    ),
    (
        Going.PAUSED,
        re.compile(
            r"Started on [^,]+, suspended on [^,]+ at (?P<percent>\d{1,3}\.\d)%" + _REPLACE_TAIL
        ),
    ),
    (Going.NEVER, re.compile(r"Never started")),
)


def parse_replace(text: str) -> Replacing:
    """Give what ``btrfs replace status -1`` tells."""
    said = text.strip()
    for going, pattern in _REPLACE:
        if found := pattern.fullmatch(said):
            told = found.groupdict()
            percent = told.get("percent")
            return Replacing(
                going=going,
                fraction=min(float(percent) / 100, 1.0) if percent else None,
                write_errors=int(told.get("write") or 0),
                lost_reads=int(told.get("read") or 0),
            )
    raise CannotParse("btrfs replace status", "it is not understood", line=said)


_BALANCE = re.compile(r"Balance on '.*' is (?P<word>running|paused)(?:, .*)?")
_BALANCE_LEFT = re.compile(
    r"\d+ out of about \d+ chunks balanced \(.*\),\s+(?P<left>\d{1,3})% left"
)


def parse_balance(text: str) -> Balance:
    """Give what ``btrfs balance status`` tells."""
    source = "btrfs balance status"
    lines = [line for line in text.splitlines() if line.strip()]
    if len(lines) == 1 and re.fullmatch(r"No balance found on '.*'", lines[0]):
        return Balance(going=Going.NEVER)
    head = _BALANCE.fullmatch(lines[0]) if lines else None
    if head is None:
        raise CannotParse(source, "it is not understood", line=lines[0] if lines else "")
    left = next((m for line in lines[1:] if (m := _BALANCE_LEFT.fullmatch(line))), None)
    return Balance(
        going=Going.RUNNING if head["word"] == "running" else Going.PAUSED,
        fraction=1.0 - min(int(left["left"]), 100) / 100 if left else None,
    )


_OCTAL = re.compile(r"\\([0-7]{3})")


def unescaped(word: str) -> str:
    """Give a word of a mount table with its blanks back: they stand there as octal codes."""
    return _OCTAL.sub(lambda found: chr(int(found[1], 8)), word)


def parse_mounts(text: str) -> tuple[Mount, ...]:
    """Give the btrfs mounts of /proc/self/mounts, in order (see fstab(5) for its layout)."""
    mounts = []
    for line in text.splitlines():
        words = line.split(" ")
        if len(words) != 6:
            raise CannotParse("/proc/self/mounts", "this is no mount", line=line)
        source, target = unescaped(words[0]), unescaped(words[1])
        if words[2] == "btrfs":
            options = words[3].split(",")
            mounts.append(Mount(source=source, target=target, read_only="ro" in options))
    return tuple(mounts)


def parse_writable(text: str) -> frozenset[str]:
    """Name the mount points whose filesystem itself can be written to, by /proc/self/mountinfo.

    The last field has the options of the filesystem (proc(5)); those of the mount may say "ro" all
    the same, as everywhere inside a service that systemd gives a read-only view of the machine.
    """
    writable = set()
    for line in text.splitlines():
        front, _, back = line.partition(" - ")
        words, more = front.split(" "), back.split(" ")
        if len(words) < 6 or len(more) != 3:
            raise CannotParse("/proc/self/mountinfo", "this is no mount", line=line)
        if "rw" in more[2].split(","):
            writable.add(unescaped(words[4]))
    return frozenset(writable)
