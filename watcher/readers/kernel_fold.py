"""From what was told to kernel events: subjects looked up, storms folded, the number bounded.

A dying drive fills a log with thousands of lines that say one thing. Within one survey all that
is told alike (same kind, same drive or pool) becomes one event with a count, its first line and
the times of the first and the last.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from watcher.facts.identity import Subject, SubjectKind
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.readers.host import Host
from watcher.readers.kernel_lines.setting import disk_of
from watcher.readers.kernel_lines.story import Told

MOST_EVENTS = 200
"""Events of one survey. Our choice: 24 drives with every kind of trouble give fewer; beyond it
the least grave are left out, and that is told."""

FRESH = timedelta(hours=24)
"""What is older is folded apart: rules count the lines of a day, and the first look at a box reads
the log of weeks. Without it a storm that began last week and goes on would count as old."""

AHEAD = timedelta(minutes=5)
"""A line from later than that was written by a clock that was set back since. Our choice: what is
said while a look goes on comes within it. By its own date it would count as recent for years."""

LINE_CHARACTERS = 300
"""Of the line kept as evidence. Our choice: the longest ATA command line has about 160."""

_ATA = re.compile(r"/(ata\d+)/")
_PCI = re.compile(r"/([\da-f]{4}:[\da-f]{2}:[\da-f]{2}\.\d)(?=/)")
_ADDRESS = re.compile(r"/(\d+:\d+:\d+:\d+)(?:/|$)")
_NVME = re.compile(r"(nvme\d+)(?:c\d+)?(n\d+)")
_CONTROLLER = re.compile(r"/nvme/(nvme\d+)/")
_CONTROLLER_NAME = re.compile(r"nvme\d+")
_CALLED = re.compile(r"BTRFS[^(]*\(device ([\w-]+)")
_PART = re.compile(r"-part\d+$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """Which drive or pool each kernel name stood for at one moment."""

    subjects: Mapping[str, Subject] = field(default_factory=dict)  # "sdb", "ata3", "md0", "2:0:0:0"
    fixed: frozenset[str] = frozenset()  # disks that are known not to come and go
    ports: Mapping[str, str] = field(default_factory=dict)  # disk to SATA port, "" for none

    def lookup(self, name: str) -> Subject | None:
        """Give who a name stood for; a partition stands for its disk, a unit for its port."""
        if not name:
            return None
        base = _PART.sub("", name.rsplit("/", 1)[-1])
        tries = [name, base, disk_of(base), base.split(".")[0] if base.startswith("ata") else base]
        found = _NVME.fullmatch(disk_of(base))
        if found:  # nvme1c0n1 is a path to nvme1n1, and nvme1 may be another drive's controller
            tries += [f"{found.group(1)}{found.group(2)}", found.group(1)]
        return next((self.subjects[one] for one in tries if one in self.subjects), None)

    def called_too(self, links: Iterable[tuple[str, str]]) -> Names:
        """Add the other paths of the same devices, each with the kernel's name it leads to.

        Pools are put together by such paths, and the kernel then speaks of their members by them.
        """
        found: dict[str, Subject] = {}
        for path, leads_to in links:
            subject = self.lookup(leads_to)
            if subject is not None:
                found[_PART.sub("", path.rsplit("/", 1)[-1])] = subject
        return replace(self, subjects={**found, **self.subjects})


def names_from_sysfs(
    host: Host, subjects: Mapping[str, Subject], *, members: frozenset[Subject] = frozenset()
) -> Names:
    """Add to known names those by which the kernel also speaks of the same devices.

    ``subjects`` has the block devices ("sdb", "nvme0n1", "md0", "dm-2"); SATA ports, SCSI
    addresses, NVMe controllers and PCI addresses come from where /sys/block/NAME leads. A disk on
    USB or one that says it is removable counts as portable, unless its drive is in ``members``
    (part of a pool).
    """
    known = dict(subjects)
    fixed: set[str] = set()
    ports: dict[str, str] = {}
    for name, subject in subjects.items():
        if subject.kind is not SubjectKind.DRIVE:
            continue
        path = host.real_path(f"/sys/block/{name}")
        found = _ATA.search(path)
        if found:
            known.setdefault(found.group(1), subject)
        if path != f"/sys/block/{name}":
            ports[name] = found.group(1) if found else ""
        found = _ADDRESS.search(path)
        if found:
            known.setdefault(found.group(1), subject)
        for controller, place in _nvme_controllers(host, name, path):
            known.setdefault(controller, subject)
            slots = _PCI.findall(place)
            if slots:
                known.setdefault(slots[-1], subject)
        if subject in members or not _is_portable(host, name, path):
            fixed.add(name)
            address = _ADDRESS.search(path)
            if address:
                fixed.add(address.group(1))
    return Names(subjects=known, fixed=frozenset(fixed), ports=ports)


def _nvme_controllers(host: Host, name: str, path: str) -> tuple[tuple[str, str], ...]:
    """Give the controllers of an NVMe disk, each with where it sits; none of any other disk.

    A disk with several paths is named after its subsystem, whose number need not be that of its
    controllers: nvme1n1 may be reached through nvme0, and nvme1 be another drive's.
    """
    named = _NVME.fullmatch(name)
    if named is None:
        return ()
    alone = _CONTROLLER.search(path)
    if alone is not None:
        return ((alone.group(1), path),)
    if "/nvme-subsystem/" not in path:
        return ((named.group(1), path),)
    try:
        beside = host.list_dir(path.rpartition("/")[0])
    except OSError:
        return ()  # which they are is not known, and a guess may name another drive
    found = tuple(one for one in beside if _CONTROLLER_NAME.fullmatch(one))
    return tuple((one, f"{host.real_path(f'/sys/class/nvme/{one}')}/") for one in found)


def _is_portable(host: Host, name: str, path: str) -> bool:
    if "/usb" in path or name.startswith(("mmcblk", "sr", "fd")):
        return True
    try:
        return host.read_text(f"/sys/block/{name}/removable").strip() == "1"
    except OSError:
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Folded:
    """The events of one survey."""

    events: tuple[KernelEvent, ...]  # by time
    left_out: int = 0  # events beyond the limit, the least grave
    note: str = ""  # one sentence when something was left out, else ""


_Key = tuple[Category, str, str, bool]
"""Kind of event, who it is about, and whether it is of the last day."""


@dataclass(slots=True)
class _Heap:
    """What is folded into one event so far."""

    first: Told
    subject: Subject | None
    at: datetime
    last: datetime
    count: int = 1

    def event(self) -> KernelEvent:
        """Give the event."""
        meaning = self.first.meaning
        return KernelEvent(
            at=self.at,
            category=meaning.category,
            what=meaning.what,
            device=meaning.device,
            subject=self.subject,
            line=self.first.line.text[:LINE_CHARACTERS],
            count=self.count,
            last_at=self.last if self.count > 1 else None,
        )


def fold(told: Iterable[Told], names: Names, now: datetime, *, limit: int = MOST_EVENTS) -> Folded:
    """Fold what was told into at most ``limit`` events.

    A line without a time counts as ``now``, and so does one of a clock that was set back since.
    """
    heaps: dict[_Key, _Heap] = {}
    fresh_from = now - FRESH
    subjects: dict[str, tuple[Subject | None, str]] = {}
    left_out = 0
    for one in told:
        meaning = one.meaning
        known = subjects.get(meaning.device)
        if known is None:
            subject = names.lookup(meaning.device)
            known = (subject, str(subject) if subject else disk_of(meaning.device))
            subjects[meaning.device] = known
        if known[0] is None and meaning.category is Category.FILESYSTEM:
            known = _of_filesystem(one.line.text, names) or known
        at = one.line.at or now
        if at > now + AHEAD:
            at = now
        key = (meaning.category, meaning.what, known[1], at >= fresh_from)
        heap = heaps.get(key)
        if heap is not None:
            heap.count += one.adds
            heap.at, heap.last = min(heap.at, at), max(heap.last, at)
            continue
        heaps[key] = _Heap(first=one, subject=known[0], at=at, last=at)
        if len(heaps) > 2 * limit:
            left_out += _thin(heaps, limit)
            subjects.clear()
    left_out += _thin(heaps, limit)
    note = (
        f"The kernel log told more than {limit} different things at once; "
        f"{left_out} of the least grave were left out."
        if left_out
        else ""
    )
    return Folded(
        events=tuple(sorted((heap.event() for heap in heaps.values()), key=_moment_of)),
        left_out=left_out,
        note=note,
    )


def _of_filesystem(text: str, names: Names) -> tuple[Subject, str] | None:
    """Give who a filesystem belongs to by the device it is called after.

    Where the member that a line names is gone, the filesystem is still there.
    """
    called = _CALLED.search(text)
    subject = names.lookup(called[1]) if called else None
    return None if subject is None else (subject, str(subject))


def _moment_of(event: KernelEvent) -> datetime:
    return event.at


_GRAVITY = {category: rank for rank, category in enumerate(Category)}


def _thin(heaps: dict[_Key, _Heap], limit: int) -> int:
    """Drop the least grave, and of those the rarest, down to the limit; tell how many."""
    surplus = len(heaps) - limit
    if surplus <= 0:
        return 0
    ranked = sorted(heaps, key=lambda key: (-_GRAVITY[key[0]], heaps[key].count))
    for key in ranked[:surplus]:
        del heaps[key]
    return surplus
