"""What snapraid's configuration and its commands say, parsed strictly.

Described in snapraid(1), sections "Configuration", "status" and "diff" (versions 11 and 12; run:
the one of Debian 12). Lines of the configuration that say nothing about disks are passed over:
new options come with new versions, and none of them changes what protects what.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from watcher.readers.errors import CannotParse

_LEVELS = {
    "parity": 1,
    "1-parity": 1,
    "q-parity": 2,  # the old name
    "2-parity": 2,
    "3-parity": 3,
    "z-parity": 3,  # another way to compute the third
    "4-parity": 4,
    "5-parity": 5,
    "6-parity": 6,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The disks that a configuration names."""

    data: tuple[tuple[str, str], ...]  # name, folder
    parity: tuple[tuple[int, tuple[str, ...]], ...]  # level, its files (one, or split over disks)
    content: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What ``snapraid status`` says."""

    names: tuple[str, ...]  # of the data disks
    files: int
    empty: bool  # nothing was ever synced
    sync_percent: int | None  # of a sync that was begun and not ended
    unscrubbed_percent: int
    bad_blocks: int
    oldest_days: int | None  # since the block that was looked at longest ago
    newest_days: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What ``snapraid diff`` found since the last sync, in files."""

    added: int
    removed: int
    updated: int
    moved: int
    copied: int
    restored: int
    emptied: tuple[str, ...]  # disks of which every file is gone
    replaced: tuple[str, ...]  # disks that are another one than at the last sync

    @property
    def total(self) -> int:
        """All changes that parity does not cover."""
        return self.added + self.removed + self.updated + self.moved + self.copied + self.restored


def parse_layout(text: str) -> Layout:
    """Give the disks of a configuration; it needs at least one of each kind."""
    source = "snapraid.conf"
    data: dict[str, str] = {}
    parity: dict[int, tuple[str, ...]] = {}
    content: list[str] = []
    for line in text.splitlines():
        words = line.split("#")[0].split() if line.lstrip().startswith("#") else line.split()
        if not words:
            continue
        rest = line.split(words[0], 1)[1].strip()
        if words[0] in {"data", "disk"}:
            name, _, folder = rest.partition(" ")
            folder = folder.strip()
            if not folder.startswith("/") or name in data:
                raise CannotParse(source, "a data disk has no folder, or is there twice", line=line)
            data[name] = folder.rstrip("/") or "/"
        elif words[0] in _LEVELS:
            files = tuple(file.strip() for file in rest.split(","))
            if _LEVELS[words[0]] in parity or not all(file.startswith("/") for file in files):
                raise CannotParse(
                    source, "a parity level has no file, or is there twice", line=line
                )
            parity[_LEVELS[words[0]]] = files
        elif words[0] == "content":
            content.append(rest)
    if not data or not parity or not content:
        raise CannotParse(source, "it names no data, no parity or no content file")
    if sorted(parity) != list(range(1, len(parity) + 1)):
        raise CannotParse(source, "a parity level is left out")
    return Layout(
        data=tuple(data.items()), parity=tuple(sorted(parity.items())), content=tuple(content)
    )


_DISK = re.compile(
    r" *(?P<files>\d{1,12}) +\d+ +\d+ +-?[\d.]+ +(?:\d+|-) +(?:\d+|-) +(?:\d+%|-) +(?P<name>\S+)"
)
_SUM = re.compile(r" *(?P<files>\d{1,12}) +\d+ +\d+ +-?[\d.]+ +\d+ +\d+ +\d+%")
_AGES = re.compile(
    r"The oldest block was scrubbed (\d{1,6}) days ago, the median \d+, the newest (\d{1,6})\."
)
_SYNCING = re.compile(r"You have a sync in progress at (\d{1,3})%\.")
_UNSCRUBBED = re.compile(r"The (\d{1,3})% of the array is not scrubbed\.")
_BAD = re.compile(r"DANGER! In the array there are (\d{1,12}) errors!")
_SYNCED = "No sync is in progress."
_SCRUBBED = "The full array was scrubbed at least one time."
_CLEAN = "No error detected."
_EMPTY = "The array is empty."
IN_USE = re.compile(r"already in use", re.IGNORECASE)


def _only(source: str, what: str, *lists: list[str]) -> str:
    """Give the one line that says a thing; none or two were cut or doubled."""
    found = [line for lines in lists for line in lines]
    if len(found) != 1:
        raise CannotParse(source, f"{len(found)} lines instead of one tell of {what}")
    return found[0]


def parse_report(text: str) -> Report:
    """Give what ``snapraid status`` prints."""
    source = "snapraid status"
    lines = [line.rstrip() for line in text.splitlines()]
    if lines.count("SnapRAID status report:") != 1:
        raise CannotParse(source, "there is no report in it", line=next(iter(lines), ""))
    disks = [found for line in lines if (found := _DISK.fullmatch(line))]
    sums = [found for line in lines if (found := _SUM.fullmatch(line))]
    names = tuple(found["name"] for found in disks)
    if not names or len(names) != len(set(names)) or len(sums) != 1:
        raise CannotParse(source, "the table of disks is not complete")
    if sum(int(found["files"]) for found in disks) != int(sums[0]["files"]):
        raise CannotParse(source, "the files of the disks do not add up to their sum")
    files = int(sums[0]["files"])
    if _EMPTY in lines:
        return Report(
            names=names,
            files=files,
            empty=True,
            sync_percent=None,
            unscrubbed_percent=100,
            bad_blocks=0,
            oldest_days=None,
            newest_days=None,
        )
    sync = _only(source, "the sync", [x for x in lines if x == _SYNCED or _SYNCING.fullmatch(x)])
    scrub = _only(
        source, "the scrub", [x for x in lines if x == _SCRUBBED or _UNSCRUBBED.fullmatch(x)]
    )
    errors = _only(source, "errors", [x for x in lines if x == _CLEAN or _BAD.fullmatch(x)])
    ages = [found for line in lines if (found := _AGES.fullmatch(line))]
    if len(ages) > 1:
        raise CannotParse(source, "two lines tell of ages")
    going, unscrubbed, bad = (
        _SYNCING.fullmatch(sync),
        _UNSCRUBBED.fullmatch(scrub),
        _BAD.fullmatch(errors),
    )
    return Report(
        names=names,
        files=files,
        empty=False,
        sync_percent=min(int(going[1]), 100) if going else None,
        unscrubbed_percent=min(int(unscrubbed[1]), 100) if unscrubbed else 0,
        bad_blocks=int(bad[1]) if bad else 0,
        oldest_days=int(ages[0][1]) if ages else None,
        newest_days=int(ages[0][2]) if ages else None,
    )


_COUNT = re.compile(
    r" *(?P<count>\d{1,12}) (?P<what>equal|added|removed|updated|moved|copied|restored)"
)
_EMPTIED = re.compile(r"WARNING! All the files previously present in disk '(?P<name>[^']+)' .*")
_REPLACED = re.compile(r"UUID change for disk '(?P<name>[^']+)' .*")
_DIFFERENCES = "There are differences!"
_NO_DIFFERENCES = "No differences"
_COUNTS = frozenset({"equal", "added", "removed", "updated", "moved", "copied", "restored"})


def parse_changes(text: str) -> Changes:
    """Give what ``snapraid diff`` prints."""
    source = "snapraid diff"
    counts: dict[str, int] = {}
    verdict: list[bool] = []
    emptied: list[str] = []
    replaced: list[str] = []
    for line in text.splitlines():
        if found := _COUNT.fullmatch(line):
            if found["what"] in counts:
                raise CannotParse(source, "a count is there twice", line=line)
            counts[found["what"]] = int(found["count"])
        elif line in {_DIFFERENCES, _NO_DIFFERENCES}:
            verdict.append(line == _DIFFERENCES)
        elif gone := _EMPTIED.fullmatch(line):
            emptied.append(gone["name"])
        elif other := _REPLACED.fullmatch(line):
            replaced.append(other["name"])
    if set(counts) != _COUNTS or len(verdict) != 1:
        raise CannotParse(source, "its sum is lacking: it was cut")
    counts.pop("equal")
    changes = Changes(**counts, emptied=tuple(emptied), replaced=tuple(dict.fromkeys(replaced)))
    if bool(changes.total) != verdict[0]:
        raise CannotParse(source, "it contradicts itself about differences")
    return changes
