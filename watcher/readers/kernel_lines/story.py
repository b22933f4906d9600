"""What lines mean together: causes and effects, reports over several lines, harmless settings.

One line is often not enough. "I/O error, dev sdb" is printed for a bad sector, a loose cable and a
drive that is gone alike; a port that is reset means trouble in the middle of work and nothing at
all after a suspend; an error on a stick that is pulled out is not one. A ``Story`` reads lines in
their order and tells, for each thing that happened, what it means with its neighbours in view.

It remembers a bounded number of devices and causes, so that it can live as long as the daemon.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeVar

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines import arrays, devices, filesystems
from watcher.readers.kernel_lines.ata import AtaLine, Report, is_result_line, read_ata
from watcher.readers.kernel_lines.scsi import ScsiLine, read_scsi
from watcher.readers.kernel_lines.table import Meaning, first_match

ROWS = (*arrays.ROWS, *filesystems.ROWS, *devices.ROWS)

CAUSE_LINES = 60  # an effect is looked for within this many lines of its cause …
CAUSE_SECONDS = 30.0  # … and this much time: command timers run 30 s; our choice
RESUME_LINES = 80  # after a resume or suspend, ports are reset as a matter of course …
RESUME_SECONDS = 30.0  # … for about this long; drives spin up in 10 to 20 s (common practice)
BOOT_SECONDS = 90.0  # empty ports are probed in the first minute after the start; our choice
REMEMBERED = 512  # devices and ports kept in mind

_RESUME = re.compile(
    r"PM: (?:suspend|hibernation|resume|Syncing|Preparing|Waking|Finishing|restore)|ACPI: (?:PM: )?Waking"
    r"|Restarting tasks|\] Starting disk|Suspending console|Freezing user space"
)
_USB_HOST = re.compile(r"scsi ?(?:host)?(?P<host>\d+) ?: (?:usb-storage|uas|SCSI emulation for USB)")
_REMOVABLE = re.compile(
    r"sd (?P<host>\d+):\d+:\d+:\d+: \[(?P<name>\w+)\] (?:Attached SCSI removable disk|.*uas_)"
)
_UAS = re.compile(r"(?:sd|scsi) (?P<host>\d+):\d+:\d+:\d+: .*\buas_")
_DISK = re.compile(r"sd (?P<host>\d+):\d+:\d+:\d+: \[(?P<name>\w+)\]")
_ATAPI = re.compile(r"(?P<dev>ata\d+(?:\.\d\d)?): ATAPI")
_PORTABLE_NAME = re.compile(r"(?:sr|fd|mmcblk|zram|ram)\d+")
_PARTITION = re.compile(r"(?P<disk>sd[a-z]+)\d+|(?P<numbered>(?:nvme\d+n\d+|mmcblk\d+|md\d+))p\d+")


Kept = TypeVar("Kept")


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One message of the kernel, with its time as far as that is known."""

    text: str
    at: datetime | None = None  # aware, UTC
    seconds: float | None = None  # on any one clock; for spans only
    since_boot: float | None = None  # seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One thing that happened, or one more line about the one before."""

    line: Line
    meaning: Meaning
    adds: bool = True  # False: the same happening as an earlier one of the same kind


def disk_of(name: str) -> str:
    """Give the whole device a partition lies on: ``sdb`` for ``sdb1``."""
    found = _PARTITION.fullmatch(name)
    if found is None:
        return name
    return found.group("disk") or found.group("numbered")


class Story:
    """Reads the lines of one kernel in order; see the module."""

    def __init__(self) -> None:
        """Begin with nothing in mind."""
        self._count = 0
        self._reports: OrderedDict[str, tuple[Report, Line]] = OrderedDict()
        self._causes: OrderedDict[str, tuple[Meaning, int, float | None]] = OrderedDict()
        self._ata_cause: tuple[Meaning, int, float | None] | None = None
        self._failures: OrderedDict[str, int] = OrderedDict()
        self._portable: OrderedDict[str, None] = OrderedDict()
        self._resume: tuple[int, float | None] | None = None
        self._last_port = ""

    def read(self, lines: Sequence[Line]) -> list[Told]:
        """Tell what a run of lines means. Reports left open at its end are told as far as known."""
        for line in lines:
            self._learn_portable(line.text)
        told: list[Told] = []
        for line in lines:
            told.extend(self._take(line))
        told.extend(self._close_all())
        return told

    # -- what is harmless here ------------------------------------------------------------------

    def _learn_portable(self, text: str) -> None:
        if "scsi" in text or "sd " in text:
            found = _USB_HOST.search(text) or _UAS.search(text)
            if found:
                _remember(self._portable, f"host{found.group('host')}", None)
            found = _REMOVABLE.search(text)
            if found:
                _remember(self._portable, f"host{found.group('host')}", None)
                _remember(self._portable, found.group("name"), None)
            found = _DISK.search(text)
            if found and f"host{found.group('host')}" in self._portable:
                _remember(self._portable, found.group("name"), None)
        elif "ATAPI" in text:
            found = _ATAPI.search(text)
            if found:
                _remember(self._portable, found.group("dev"), None)

    def _is_portable(self, device: str) -> bool:
        disk = disk_of(device)
        if disk in self._portable or _PORTABLE_NAME.match(disk):
            return True
        address = disk.split(":")
        return len(address) == 4 and f"host{address[0]}" in self._portable

    def _near(self, then: tuple[int, float | None], line: Line, lines: int, seconds: float) -> bool:
        number, moment = then
        if self._count - number > lines:
            return False
        if moment is None or line.seconds is None:
            return True
        return abs(line.seconds - moment) <= seconds

    def _settle(self, line: Line, meaning: Meaning, *, port_only: bool = False) -> Meaning:
        """Turn what is harmless in its setting into noise."""
        if meaning.category is Category.NOISE:
            return meaning
        if self._is_portable(meaning.device):
            return replace(
                meaning, what="portable-trouble", category=Category.NOISE, weak=False, effect=False
            )
        if meaning.category not in {Category.LINK, Category.CONTROLLER}:
            return meaning
        is_port = meaning.device.startswith("ata")
        resuming = self._resume is not None and self._near(
            self._resume, line, RESUME_LINES, RESUME_SECONDS
        )
        if resuming and (is_port or meaning.weak):
            return replace(meaning, what="after-resume", category=Category.NOISE, weak=False)
        starting = line.since_boot is not None and line.since_boot < BOOT_SECONDS
        if starting and (port_only or meaning.what == "device-was-reset"):
            return replace(meaning, what="at-start", category=Category.NOISE, weak=False)
        return meaning

    # -- lines ------------------------------------------------------------------------------------

    def _take(self, line: Line) -> Iterable[Told]:
        self._count += 1
        text = line.text
        if _RESUME.search(text):
            self._resume = (self._count, line.seconds)
        port_line = read_ata(text)
        if port_line is not None:
            return self._take_port(line, port_line)
        if is_result_line(text) and self._last_port in self._reports:
            self._reports[self._last_port][0].add(text)
            return ()
        scsi_line = read_scsi(text)
        meaning = scsi_line.meaning if scsi_line else first_match(ROWS, text)
        if meaning is None:
            return ()
        told = list(self._close_all())
        told.append(self._tell(line, meaning, scsi_line))
        return told

    def _take_port(self, line: Line, parsed: AtaLine) -> Iterable[Told]:
        told: list[Told] = []
        if parsed.opens or parsed.step:
            told.extend(self._close(parsed.port))
        if parsed.step:
            self._last_port = parsed.port
            meaning = self._settle(line, parsed.step, port_only="." not in parsed.device)
            told.append(Told(line=line, meaning=meaning))
            self._note_cause(line, meaning, ata=True)
            return told
        if parsed.port not in self._reports:
            self._reports[parsed.port] = (Report(device=parsed.device), line)
            if len(self._reports) > REMEMBERED:
                told.extend(self._close(next(iter(self._reports))))
        report = self._reports[parsed.port][0]
        if "." in parsed.device:
            report.device = parsed.device
        report.add(parsed.body)
        self._last_port = parsed.port
        return told

    def _close(self, port: str) -> Iterable[Told]:
        entry = self._reports.pop(port, None)
        if entry is None:
            return ()
        report, line = entry
        meaning = self._settle(line, report.meaning(), port_only=not report.command)
        self._note_cause(line, meaning, ata=True)
        return (Told(line=line, meaning=meaning),)

    def _close_all(self) -> Iterable[Told]:
        told: list[Told] = []
        for port in list(self._reports):
            told.extend(self._close(port))
        return told

    def _note_cause(self, line: Line, meaning: Meaning, *, ata: bool = False) -> None:
        cause = (meaning, self._count, line.seconds)
        if meaning.device:
            _remember(self._causes, disk_of(meaning.device), cause)
        if ata and not (meaning.weak or meaning.category is Category.NOISE):
            self._ata_cause = cause

    def _cause_of(self, line: Line, meaning: Meaning) -> Meaning | None:
        own = self._causes.get(disk_of(meaning.device))
        if own and self._near(own[1:], line, CAUSE_LINES, CAUSE_SECONDS):
            return own[0]
        port = self._ata_cause
        if (
            port
            and meaning.device.startswith("sd")
            and self._near(port[1:], line, CAUSE_LINES, CAUSE_SECONDS)
        ):
            return port[0]
        return None

    def _tell(self, line: Line, meaning: Meaning, scsi: ScsiLine | None) -> Told:
        if scsi and scsi.driver in {"sr", "ses", "ch", "st", "osst"}:
            meaning = replace(meaning, what="optical-trouble", category=Category.NOISE, weak=False)
        disk = disk_of(meaning.device)
        adds = True
        inherits = meaning.effect and meaning.category in {Category.CONTROLLER, Category.LINK}
        if inherits:
            cause = self._cause_of(line, meaning)
            if cause is not None:
                meaning = replace(meaning, what=cause.what, category=cause.category, weak=cause.weak)
                adds = False
        started = self._failures.get(disk)
        if scsi and scsi.part_of_failure:
            adds = adds and not (started is not None and self._count - started <= 4)
            _remember(self._failures, disk, self._count)
        elif started is not None and " error, dev " in line.text:
            adds = False
            del self._failures[disk]
        settled = self._settle(line, meaning)
        if not inherits:
            self._note_cause(line, settled)
        return Told(line=line, meaning=settled, adds=adds)


def _remember(store: OrderedDict[str, Kept], key: str, value: Kept) -> None:
    store.pop(key, None)
    store[key] = value
    while len(store) > REMEMBERED:
        store.popitem(last=False)
