"""What btrfs lists of its filesystems and their block groups, parsed strictly.

Every function takes the text of one answer and gives a value, or raises ``CannotParse`` and
nothing else. The layouts are those of btrfs-progs 5.10 to 6.12 (run: 6.2); the manual pages are
btrfs-filesystem(8) and btrfs-inspect-internal(8). What it counts and works on: btrfs_work.py.

Traps:

- ``filesystem show`` ends a filesystem with ``*** Some devices missing`` when it is not mounted,
  and lists the lost device with ``size 0`` and ``MISSING`` when it is. A list that is shorter
  than "Total devices" with neither sign was cut, and is refused.
- ``filesystem usage`` prints its sums: "Device allocated" is the sum of all rows below, so a
  lost, doubled or garbled row is found by adding up.
- A filesystem that is being filled onto a new device counts that one in "Total devices"; it has
  the number 0.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from watcher.readers.errors import CannotParse

BEARS = {
    "single": 0,
    "dup": 0,
    "raid0": 0,
    "raid1": 1,
    "raid1c3": 2,
    "raid1c4": 3,
    "raid10": 1,
    "raid5": 1,
    "raid6": 2,
}
"""How many devices each profile can lose, whatever their number: mkfs.btrfs(8), "PROFILES"."""

KINDS = ("data", "metadata", "system", "data+metadata")


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device as ``filesystem show`` lists it."""

    devid: int  # 0: the target of a running replacement
    size_bytes: int | None  # None when missing, or when the size was printed rounded
    path: str | None  # the last known node; None when it is not known
    missing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Filesystem:
    """One filesystem as ``filesystem show`` lists it."""

    uuid: str
    label: str | None
    total_devices: int
    devices: tuple[Device, ...]
    unlisted_missing: int  # lost devices that are not in ``devices``

    @property
    def own_devices(self) -> int:
        """Count its devices without the target of a running replacement."""
        return self.total_devices - any(device.devid == 0 for device in self.devices)

    @property
    def gone(self) -> int:
        """Count its devices that are missing."""
        return self.unlisted_missing + sum(device.missing for device in self.devices)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """All block groups of one kind in one profile."""

    kind: str  # one of KINDS
    profile: str  # a key of BEARS, or a word that we do not know
    used_bytes: int | None  # None: not told
    holders: tuple[str, ...]  # device paths, "missing", or "devid N"


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """What ``filesystem usage`` tells of a mounted filesystem."""

    groups: tuple[Group, ...]
    devices: tuple[str, ...]  # paths; "missing" once for each device that is not known
    used_bytes: int  # by files and their metadata, counted once
    free_bytes: int  # estimated, for files


_UNITS = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40, "PiB": 2**50}
_SIZE = re.compile(r"(\d{1,20})|(\d{1,10}\.\d\d)(B|KiB|MiB|GiB|TiB|PiB)")
_COUNT = re.compile(r"\d{1,20}")

_LABEL = re.compile(
    r"Label: (?:none|'(?P<label>.*)')\s+uuid: (?P<uuid>[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})"
)
_TOTAL = re.compile(r"\s+Total devices (?P<total>\d{1,5}) FS bytes used (?P<used>\S+)")
_DEVID = re.compile(
    r"\s+devid +(?P<devid>\d{1,5}) size (?P<size>\S+) used (?P<used>\S+) path ?"
    r"(?P<path>.*?)(?P<missing> ?MISSING)?"
)
_WARNING = re.compile(r"(?:warning, device \d+ is missing|WARNING: .*)")


def _size(text: str, source: str, line: str) -> tuple[int, bool]:
    """Give a size in bytes, and whether it is exact."""
    found = _SIZE.fullmatch(text)
    if found is None:
        raise CannotParse(source, f"{text!r} is no size", line=line)
    if found[1] is not None:
        return int(found[1]), True
    return int(float(found[2]) * _UNITS[found[3]]), found[3] == "B"


def _count(text: str, source: str, line: str) -> int:
    if not _COUNT.fullmatch(text) or not text.isascii():
        raise CannotParse(source, f"{text!r} is no number", line=line)
    return int(text)


def parse_show(text: str) -> tuple[Filesystem, ...]:
    """Give the filesystems that ``btrfs filesystem show --raw`` lists (rounded sizes pass too)."""
    source = "btrfs filesystem show"
    found: list[Filesystem] = []
    block: list[str] = []
    for line in text.splitlines():
        if _LABEL.fullmatch(line):
            if block:
                found.append(_filesystem(block, source))
            block = [line]
        elif not line.strip() or _WARNING.fullmatch(line):
            continue
        elif block:
            block.append(line)
        else:
            raise CannotParse(source, "a line belongs to no filesystem", line=line)
    if block:
        found.append(_filesystem(block, source))
    uuids = [one.uuid for one in found]
    if len(uuids) != len(set(uuids)):
        raise CannotParse(source, "one filesystem is listed twice")
    return tuple(found)


def _filesystem(block: list[str], source: str) -> Filesystem:
    head = _LABEL.fullmatch(block[0])
    total = _TOTAL.fullmatch(block[1]) if len(block) > 1 else None
    if head is None or total is None:
        raise CannotParse(source, "no line tells how many devices there are", line=block[0])
    _size(total["used"], source, block[1])
    devices = []
    marked = False
    for line in block[2:]:
        if line.strip() == "*** Some devices missing":
            marked = True
            continue
        devices.append(_device(line, source))
    numbers = [device.devid for device in devices]
    if len(numbers) != len(set(numbers)):
        raise CannotParse(source, "one device is listed twice", line=block[0])
    paths = [device.path for device in devices if device.path is not None]
    if len(paths) != len(set(paths)):
        raise CannotParse(source, "two devices have one path", line=block[0])
    count = int(total["total"])
    lacking = count - len(devices)
    if lacking < 0 or not count or (lacking > 0) != marked:
        raise CannotParse(
            source, f"{count} devices are announced and {len(devices)} listed", line=block[0]
        )
    return Filesystem(
        uuid=head["uuid"],
        label=head["label"],
        total_devices=count,
        devices=tuple(sorted(devices, key=lambda device: device.devid)),
        unlisted_missing=lacking,
    )


def _device(line: str, source: str) -> Device:
    row = _DEVID.fullmatch(line)
    if row is None:
        raise CannotParse(source, "this is no device", line=line)
    size, exact = _size(row["size"], source, line)
    _size(row["used"], source, line)
    missing = row["missing"] is not None
    path = row["path"].strip()
    if path == "<missing disk>":
        path, missing = "", True
    if missing != (size == 0):
        raise CannotParse(source, "a device is neither there nor missing", line=line)
    if not missing and not path.startswith("/"):
        raise CannotParse(source, "a device has no path", line=line)
    return Device(
        devid=int(row["devid"]),
        size_bytes=size if exact and not missing else None,
        path=path or None,
        missing=missing,
    )


_OVERALL = re.compile(r"    (?P<what>[A-Z][^:]*):\s+(?P<value>\S+)(?:\s+\(.*\))?")
_GROUP = re.compile(
    r"(?P<kind>Data|Metadata|System|Data\+Metadata),\s?(?P<profile>[A-Za-z0-9]+):"
    r" Size:(?P<size>\d+), Used:(?P<used>\d+)(?: \(\d+\.\d\d%\))?"
)
_ROW = re.compile(r"   (?P<device>missing|/\S.*?|<missing disk>)\s+(?P<size>\d+)")
_NO_ROOT = re.compile(r"cannot read detailed chunk info|Operation not permitted")


@dataclass(slots=True)
class _UsageLines:
    """The lines of a usage report, sorted as they come."""

    overall: dict[str, str] = field(default_factory=dict)
    heads: list[re.Match[str]] = field(default_factory=list)
    holders: list[list[str]] = field(default_factory=list)  # one list for each head
    held: list[int] = field(default_factory=list)  # bytes of the rows of each head
    unallocated: list[str] | None = None
    allocated_rows: int = 0

    def take(self, line: str, source: str) -> None:
        """Sort one line in; raises ``CannotParse`` for one that has no place here."""
        if self.unallocated is None and (found := _GROUP.fullmatch(line)):
            self.heads.append(found)
            self.holders.append([])
            self.held.append(0)
        elif self.unallocated is None and line == "Unallocated:":
            self.unallocated = []
        elif (self.heads or self.unallocated is not None) and (row := _ROW.fullmatch(line)):
            self._take_row(row, _count(row["size"], source, line))
        elif not self.heads and (top := _OVERALL.fullmatch(line)):
            if top["what"] in self.overall:
                raise CannotParse(source, "a line is there twice", line=line)
            self.overall[top["what"]] = top["value"]
        else:
            raise CannotParse(source, "a line is not understood", line=line)

    def _take_row(self, row: re.Match[str], size: int) -> None:
        device = "missing" if row["device"] == "<missing disk>" else row["device"]
        if self.unallocated is not None:
            self.unallocated.append(device)
        else:
            self.holders[-1].append(device)
            self.held[-1] += size
            self.allocated_rows += size


def parse_usage(text: str) -> Usage:
    """Give what ``btrfs filesystem usage -b`` tells; every sum in it must come out."""
    source = "btrfs filesystem usage"
    lines = _UsageLines()
    for line in text.splitlines():
        if line.strip() and line != "Overall:" and not line.startswith("WARNING:"):
            lines.take(line, source)
    for head, held in zip(lines.heads, lines.held, strict=True):
        _check_copies(head, held, source)
    groups = [
        Group(
            kind=head["kind"].lower(),
            profile=head["profile"].lower(),
            used_bytes=_count(head["used"], source, head[0]),
            holders=tuple(sorted(holders)),
        )
        for head, holders in zip(lines.heads, lines.holders, strict=True)
    ]
    return _checked_usage(lines.overall, groups, lines.unallocated, lines.allocated_rows)


_COPIES = {"single": 1, "dup": 2, "raid0": 1, "raid1": 2, "raid1c3": 3, "raid1c4": 4, "raid10": 2}
_PARITIES = {"raid5": 1, "raid6": 2}


def _check_copies(head: re.Match[str], held: int, source: str) -> None:
    """Refuse a group whose rows are not as many bytes as its size and its profile want."""
    size, profile = _count(head["size"], source, head[0]), head["profile"].lower()
    right = True
    if profile in _COPIES:
        right = held == size * _COPIES[profile]
    elif profile in _PARITIES:
        right = size < held <= size * (1 + _PARITIES[profile])
    if not right:
        raise CannotParse(
            source, f"its rows hold {held} bytes, which is not {profile}", line=head[0]
        )


def _checked_usage(
    overall: dict[str, str], groups: list[Group], devices: list[str] | None, allocated_rows: int
) -> Usage:
    source = "btrfs filesystem usage"
    wanted = ("Device allocated", "Device missing", "Free (estimated)", "Multiple profiles")
    for what in wanted:
        if what not in overall:
            raise CannotParse(source, f"the line {what!r} is lacking")
    allocated = _count(overall["Device allocated"], source, "Device allocated")
    if allocated != allocated_rows:
        raise CannotParse(
            source, f"the rows add up to {allocated_rows} bytes, not to {allocated} as it says"
        )
    if devices is None or not devices:
        raise CannotParse(source, "no line tells what is unallocated")
    named = [device for device in devices if device != "missing"]
    seen = [(group.kind, group.profile) for group in groups]
    if len(named) != len(set(named)) or len(seen) != len(set(seen)):
        raise CannotParse(source, "a device or a profile is there twice")
    for group in groups:
        known = [holder for holder in group.holders if holder != "missing"]
        strange = any(holder not in devices for holder in group.holders)
        if not group.holders or strange or len(known) != len(set(known)):
            raise CannotParse(
                source, f"{group.kind} does not rest on devices that are listed, each once"
            )
    kinds = [group.kind for group in groups]
    if "system" not in kinds or not {"metadata", "data+metadata"} & set(kinds):
        raise CannotParse(source, "the metadata or the system part is lacking")
    several = len(kinds) != len(set(kinds))
    if overall["Multiple profiles"] not in {"yes", "no"} or several != (
        overall["Multiple profiles"] == "yes"
    ):
        raise CannotParse(source, "it contradicts itself about its profiles")
    return Usage(
        groups=tuple(groups),
        devices=tuple(devices),
        used_bytes=sum(group.used_bytes or 0 for group in groups),
        free_bytes=_count(overall["Free (estimated)"], source, "Free (estimated)"),
    )


def lacks_rights(text: str) -> bool:
    """Tell whether the program said that it may not look."""
    return _NO_ROOT.search(text) is not None or "Permission denied" in text


_ITEM = re.compile(r"\titem (?P<number>\d+) key \((?P<key>[^)]*)\) itemoff \d+ itemsize \d+")
_ITEMS = re.compile(r"leaf \d+ items (?P<items>\d+) .*")
_CHUNK = re.compile(
    r"\t\tlength \d+ owner \d+ stripe_len \d+ type (?P<kinds>[A-Z+|]+?)"
    r"(?:\|(?P<profile>single|DUP|RAID[0-9]+(?:C[0-9])?))?"
)
_STRIPES = re.compile(r"\t\tnum_stripes (?P<count>\d+) sub_stripes \d+")
_STRIPE = re.compile(r"\t\t\tstripe \d+ devid (?P<devid>\d+) offset \d+")


def parse_chunks(text: str) -> tuple[Group, ...]:
    """Give the groups that ``btrfs inspect-internal dump-tree -t chunk`` shows.

    It reads a filesystem that is not mounted, and changes nothing. The number of items, of
    chunks and of stripes that it announces must all come out.
    """
    source = "btrfs inspect-internal dump-tree"
    announced = items = chunks = stripes_due = 0
    chunk_keys = 0
    kind = profile = ""
    held: dict[tuple[str, str], set[str]] = {}
    for line in text.splitlines():
        if leaf := _ITEMS.fullmatch(line):
            announced += int(leaf["items"])
        elif item := _ITEM.fullmatch(line):
            items += 1
            chunk_keys += item["key"].startswith("FIRST_CHUNK_TREE CHUNK_ITEM ")
        elif chunk := _CHUNK.fullmatch(line):
            if stripes_due:
                raise CannotParse(source, "a chunk ends early", line=line)
            chunks += 1
            kind = "+".join(chunk["kinds"].lower().split("|"))
            profile = (chunk["profile"] or "single").lower()
        elif count := _STRIPES.fullmatch(line):
            stripes_due = int(count["count"])
        elif stripe := _STRIPE.fullmatch(line):
            stripes_due -= 1
            held.setdefault((kind, profile), set()).add(f"devid {int(stripe['devid'])}")
    if not announced or announced != items or chunks != chunk_keys or stripes_due:
        raise CannotParse(source, f"{announced} items announced, {items} seen, {chunks} chunks")
    kinds = {one for one, _ in held}
    if not kinds <= set(KINDS) or "system" not in kinds or not kinds & {KINDS[1], KINDS[3]}:
        raise CannotParse(source, f"the kinds {sorted(kinds)} are not what a filesystem has")
    return tuple(
        Group(kind=one, profile=way, used_bytes=None, holders=tuple(sorted(who)))
        for (one, way), who in sorted(held.items())
    )
