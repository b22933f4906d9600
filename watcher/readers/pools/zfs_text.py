"""``zpool status -P -p -v -s`` as text (OpenZFS 2.0 to 2.2, and 2.3 without JSON).

Layout: zpool-status(8); one block for each pool, of labelled lines with right-aligned labels, a
table whose depth is told by two blanks a level, and an ``errors:`` line at the very end. A block
without that line was cut and is refused, because damaged data is told nowhere else.

Traps:

- Names of pools and files may have blanks in them (zpool-create(8)); between a name and its state
  there are always two or more, and a name with two in a row is refused.
- The labels "status" and "action" run over several lines that begin with a tab.
- Headings in the table (``logs``, ``cache``, ``spares``, ``special``, ``dedup``) stand at the
  pool's own depth and carry no state; ``logs`` has a tab after it in 2.3.
- A device that cannot be opened is shown as a number, with "was /dev/…" behind.
- Times are told without a zone; they are in UTC as the program is run (runner.py).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from watcher.readers.errors import CannotParse
from watcher.readers.pools.zfs_status import GROUPS, Scan, ScanState, Status, Vdev, kind_of

SOURCE = "zpool status"
NO_POOLS = "no pools available"
HEADINGS = frozenset({"logs", "cache", "spare", "spares", "special", "dedup"})
"""Headings in the tables of zpool status and zpool list."""

_LABEL = re.compile(r"(?P<label> {0,6}[a-z]{2,10}): ?(?P<rest>.*)")
_LABELS = frozenset(
    {
        *("pool", "id", "state", "status", "action", "see", "scan", "remove", "checkpoint"),
        *("expand", "dedup", "comment", "scrub", "config", "errors", "upgrade"),
    }
)
_HEADER = re.compile(r"\tNAME +STATE +READ +WRITE +CKSUM.*")
_SECTION = re.compile(r"\t(?P<name>logs|cache|spares|special|dedup)\s*")
_ROW = re.compile(
    r"\t(?P<depth> *)(?P<name>\S+(?: \S+)*) {2,}(?P<state>[A-Z]+)"
    r"(?: +(?P<read>\d{1,19}) +(?P<write>\d{1,19}) +(?P<checksum>\d{1,19})"
    r"(?: +(?:(?P<slow>\d{1,19})|-)(?= |$))?)?"
    r"(?: +(?P<remark>\S.*?))?\s*"
)
_SECTIONS = ("data", "logs", "cache", "spares", "special", "dedup")


def parse(text: str) -> tuple[Status, ...]:
    """Give the pools that the text tells of; none when it says that there are none."""
    if text.strip() == NO_POOLS:
        return ()
    blocks: list[list[str]] = []
    for line in text.splitlines():
        found = _LABEL.fullmatch(line)
        if found is not None and found["label"].strip() == "pool":
            blocks.append([])
        if blocks:
            blocks[-1].append(line)
        elif line.strip():
            raise CannotParse(SOURCE, "a line stands before any pool", line=line)
    if not blocks:
        raise CannotParse(SOURCE, "it says nothing")
    pools = tuple(_pool(block) for block in blocks)
    if len({pool.name for pool in pools}) != len(pools):
        raise CannotParse(SOURCE, "one pool is there twice")
    return pools


def _fields(block: list[str]) -> dict[str, list[str]]:
    """Give each label with its lines: the rest of its own, then those that follow."""
    fields: dict[str, list[str]] = {}
    label = ""
    for line in block:
        found = _LABEL.fullmatch(line)
        word = found["label"].strip() if found is not None else ""
        if found is not None and word in _LABELS and (label != "errors" or word == "errors"):
            label = word
            if label == "errors" and _UNAVAILABLE in " ".join(fields.get(label, [])):
                continue  # a second line counts what the first could not list: nothing is known
            if label in fields and label != "scan":
                raise CannotParse(SOURCE, f"the line {label!r} is there twice", line=line)
            fields.setdefault(label, []).append(found["rest"])
        elif line.startswith(("\t", "        ")) or not line.strip():
            fields[label].append(line)
        else:
            raise CannotParse(SOURCE, "a line is not understood", line=line)
    return fields


def _pool(block: list[str]) -> Status:
    fields = _fields(block)
    for label in ("pool", "state", "config", "errors"):
        if label not in fields:
            raise CannotParse(SOURCE, f"the line {label!r} is lacking: it was cut")
    name = fields["pool"][0].strip()
    state = fields["state"][0].strip()
    if not name or not re.fullmatch(r"[A-Z]+", state):
        raise CannotParse(SOURCE, "a pool has no name or no state", line=name + state)
    sections = _sections(name, fields["config"])
    errors, files = _errors(fields["errors"])
    scans, unknown = _scans(fields.get("scan", []))
    message = re.search(r"ZFS-\d{4}-[0-9A-Z]{2}", " ".join(fields.get("see", [])))
    return Status(
        name=name,
        guid=None,
        said=state,
        why=" ".join(" ".join(fields.get("status", [])).split()),
        message=message[0] if message else "",
        scans=scans,
        unknown_scan=unknown,
        data_errors=errors,
        damaged_files=files,
        **sections,
    )


@dataclass(slots=True)
class _Open:
    """A vdev whose parts are still coming."""

    vdev: Vdev
    depth: int
    parts: list[_Open] = field(default_factory=list)

    def closed(self) -> Vdev:
        """Give it with its parts; a group needs some, a drive has none."""
        if self.parts and self.vdev.kind not in GROUPS:
            raise CannotParse(SOURCE, "something lies below a drive", line=self.vdev.name)
        if not self.parts and self.vdev.kind in GROUPS - {"indirect"}:
            raise CannotParse(SOURCE, "a group is empty", line=self.vdev.name)
        if self.vdev.kind in {"mirror", "replacing", "spare"} and len(self.parts) < 2:
            raise CannotParse(SOURCE, "a group has one part only", line=self.vdev.name)
        return replace(self.vdev, parts=tuple(part.closed() for part in self.parts))


def _sections(pool: str, lines: list[str]) -> dict[str, tuple[Vdev, ...]]:
    """Read the table into its sections."""
    rows = [line for line in lines if line.strip()]
    if not rows or not _HEADER.fullmatch(rows[0]):
        raise CannotParse(SOURCE, "the table has no heading", line=rows[0] if rows else "")
    root = _row(rows[1] if len(rows) > 1 else "")
    if root.depth != 0 or root.vdev.name != pool:
        raise CannotParse(SOURCE, "the table does not begin with its pool", line=root.vdev.name)
    tops: dict[str, list[_Open]] = {name: [] for name in _SECTIONS}
    section, trail = "data", [root]
    for line in rows[2:]:
        if heading := _SECTION.fullmatch(line):
            section, trail = heading["name"], [root]
            if tops[section]:
                raise CannotParse(SOURCE, f"the part {section!r} is there twice", line=line)
            continue
        one = _row(line)
        while trail and trail[-1].depth >= one.depth:
            trail.pop()
        if not trail or one.depth != trail[-1].depth + 2:
            raise CannotParse(SOURCE, "a row stands at a depth that fits nowhere", line=line)
        (trail[-1].parts if trail[-1] is not root else tops[section]).append(one)
        trail.append(one)
    closed = {name: tuple(top.closed() for top in found) for name, found in tops.items()}
    if not closed["data"]:
        raise CannotParse(SOURCE, "the pool has no vdevs", line=pool)
    names = [v.name for found in closed.values() for top in found for v in walk(top)]
    spares = {vdev.name for vdev in closed["spares"]}
    once = [name for name in names if name not in spares]
    if len(once) != len(set(once)) or len(spares) != len(closed["spares"]):
        raise CannotParse(SOURCE, "a vdev is there twice", line=pool)
    return closed


def walk(vdev: Vdev) -> list[Vdev]:
    """Give a vdev and all below it."""
    return [vdev, *(below for part in vdev.parts for below in walk(part))]


def _row(line: str) -> _Open:
    found = _ROW.fullmatch(line)
    if found is None:
        raise CannotParse(SOURCE, "this is no row of the table", line=line)
    counts = [found[what] for what in ("read", "write", "checksum")]
    kind = kind_of(found["name"])
    if counts[0] is None and found["state"] not in {"AVAIL", "INUSE", "UNAVAIL", "FAULTED"}:
        raise CannotParse(SOURCE, "a row has no counts", line=line)
    numbers = [None if count is None else int(count) for count in counts]
    remark = found["remark"] or ""
    path = found["name"] if found["name"].startswith("/") else None
    if was := re.search(r"was (/\S+(?: \S+)*)", remark):
        path = was[1]
    vdev = Vdev(
        name=found["name"],
        kind=kind,
        said=found["state"],
        read=numbers[0],
        write=numbers[1],
        checksum=numbers[2],
        slow=int(found["slow"]) if found["slow"] else None,
        remark=remark.strip("()"),
        path=path,
    )
    return _Open(vdev, len(found["depth"]))


_UNAVAILABLE = "List of errors unavailable"
_MANY = re.compile(r"(\d{1,19}) data errors, use '-v' for a list")


def _errors(lines: list[str]) -> tuple[int | None, tuple[str, ...]]:
    """Give how many damaged places are known (None: not told) and the files named."""
    head = lines[0].strip()
    files = tuple(line.strip() for line in lines[1:] if line.strip())
    if head == "No known data errors":
        if files:
            raise CannotParse(SOURCE, "files are named, and no errors known", line=files[0])
        return 0, ()
    if many := _MANY.fullmatch(head):
        return int(many[1]), ()
    if head.startswith("Permanent errors have been detected"):
        return max(len(files), 1), files
    if head.startswith(_UNAVAILABLE):
        return None, ()
    raise CannotParse(SOURCE, "what it says about errors is not understood", line=head)


_ASIDE = ("scrub started on ", "error scrub ", "scrubbed ")
"""A line that tells when a paused scrub began, and those of a scrub of known errors alone (2.2;
from memory of the program's sources), after which the errors: line says what is left."""
_WHEN = r"[A-Z][a-z]{2} [A-Z][a-z]{2} +\d{1,2} \d\d:\d\d:\d\d \d{4}"
_SPAN = r"(?:\d+ days )?\d+:\d\d:\d\d"
_ENDED = re.compile(
    rf"(?:scrub repaired|(?P<resilver>resilvered)(?: \([^)]+\))?) \S+ in {_SPAN}"
    rf" with (?P<errors>\d{{1,19}}) errors on (?P<when>{_WHEN})"
)
_RUNNING = re.compile(rf"(?:scrub|(?P<resilver>resilver)(?: \([^)]+\))?) in progress since {_WHEN}")
_PAUSED = re.compile(rf"scrub paused since {_WHEN}")
_CANCELED = re.compile(
    rf"(?:scrub|(?P<resilver>resilver)(?: \([^)]+\))?) canceled on (?P<when>{_WHEN})"
)
_PERCENT = re.compile(r"(\d{1,6}(?:\.\d+)?)% done")
_RATE = re.compile(r"issued at (\d{1,15}(?:\.\d+)?)([BKMGTPE]?)/s")
_SIZE = {"": 0, "B": 0, "K": 1, "M": 2, "G": 3, "T": 4, "P": 5, "E": 6}


def _scans(lines: list[str]) -> tuple[tuple[Scan, ...], str]:
    """Read the lines after "scan:"; gives also what is not understood."""
    scans: list[Scan] = []
    unknown = ""
    said = [line.strip() for line in lines if line.strip()]
    for line in said:
        if line == "none requested" or line.startswith(_ASIDE) or line.endswith("error blocks"):
            continue
        if found := _ENDED.fullmatch(line):
            scans.append(_scan(found, ScanState.FINISHED, int(found["errors"])))
        elif found := _CANCELED.fullmatch(line):
            scans.append(_scan(found, ScanState.CANCELED))
        elif found := _RUNNING.fullmatch(line):
            scans.append(Scan(resilver=bool(found["resilver"]), state=ScanState.RUNNING))
        elif _PAUSED.fullmatch(line):
            scans.append(Scan(resilver=False, state=ScanState.PAUSED))
        elif scans and scans[-1].state in {ScanState.RUNNING, ScanState.PAUSED}:
            scans[-1] = _progressed(scans[-1], line)
        else:
            unknown = line
    return tuple(scans), unknown


def _scan(found: re.Match[str], state: ScanState, errors: int = 0) -> Scan:
    return Scan(
        resilver=bool(found["resilver"]),
        state=state,
        errors=errors,
        ended_at=_local(found["when"]),
    )


def _local(text: str) -> datetime | None:
    try:
        return datetime.strptime(text, "%a %b %d %H:%M:%S %Y").replace(tzinfo=UTC)
    except ValueError:
        return None


def _progressed(scan: Scan, line: str) -> Scan:
    """Take what a line of progress tells; percentages above 100 are seen, and mean all of it."""
    if found := _PERCENT.search(line):
        scan = replace(scan, fraction=min(float(found[1]) / 100, 1.0))
    if found := _RATE.search(line):
        rate = int(float(found[1]) * 1024 ** _SIZE[found[2]])
        scan = replace(scan, rate_bytes_per_second=rate)
    return scan
