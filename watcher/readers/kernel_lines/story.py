"""What lines mean together: causes and effects, reports over several lines, harmless settings.

One line is often not enough. "I/O error, dev sdb" is printed for a bad sector, a loose cable and a
drive that is gone alike; a port that is reset means trouble in the middle of work and nothing at
all after a suspend; an error on a stick that is pulled out is not one. A ``Story`` reads lines in
their order and tells, for each thing that happened, what it means with its neighbours in view.

It remembers a bounded number of devices and causes, so that it can live as long as the daemon. A
line that proves a bad sector by itself is told as such whatever its neighbours are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.ata import AtaLine, Report
from watcher.readers.kernel_lines.message import Memory, Message
from watcher.readers.kernel_lines.scsi import ScsiLine
from watcher.readers.kernel_lines.setting import REMEMBERED, Line, Setting, Spot, disk_of, is_near
from watcher.readers.kernel_lines.table import Meaning

CAUSE_LINES = 60  # an effect is looked for within this many messages of its cause …
CAUSE_SECONDS = 30.0  # … and this much time: command timers run 30 s; our choice
FAILURE_LINES = 4  # result, sense key and additional sense of one failure lie this close

_NOT_DISKS = frozenset({"sr", "ses", "ch", "st", "osst"})
_INHERITS = frozenset({Category.CONTROLLER, Category.LINK})
_STORED = frozenset({Category.FILESYSTEM, Category.POOL})
_ROUTINE = frozenset({Category.CONTROLLER, Category.LINK, Category.GONE})


class Told(NamedTuple):
    """One thing that happened, or one more line about the one before. A tuple, as a line is."""

    line: Line
    meaning: Meaning
    adds: bool = True  # False: the same happening as an earlier one of the same kind


_Cause = tuple[Meaning, Spot]


class Story:
    """Reads the lines of one kernel in order; see the module."""

    def __init__(
        self, fixed: frozenset[str] = frozenset(), *, memory: Memory | None = None
    ) -> None:
        """Begin with nothing in mind. ``fixed`` names disks known not to be portable."""
        self._setting = Setting(fixed)
        self._memory = memory or Memory()
        self._number = 0
        self._here: Spot = (0, None)
        self._reports: dict[str, tuple[Report, Line]] = {}
        self._last_port = ""
        self._causes: dict[str, _Cause] = {}
        self._port_cause: _Cause | None = None
        self._ports: Mapping[str, str] = {}
        self._failures: dict[str, int] = {}

    def read(
        self,
        lines: Sequence[Line],
        fixed: frozenset[str] | None = None,
        ports: Mapping[str, str] | None = None,
    ) -> list[Told]:
        """Tell what a run of lines means. Reports left open at its end are told as far as known.

        ``fixed`` replaces the names of disks known not to be portable, ``ports`` which SATA port
        each disk hangs on ("" for one that hangs on none): names change over time.
        """
        if fixed is not None:
            self._setting.fixed = fixed
        if ports is not None:
            self._ports = ports
        messages = self._memory.read([line.text for line in lines])
        if self._setting.knows_portables or any(message.of_setting for message in messages):
            self._setting.look_ahead(lines, self._number + 1)
        told: list[Told] = []
        for line, message in zip(lines, messages, strict=True):
            self._number += 1
            self._here = (self._number, line.seconds)
            self._take(line, message, told)
        told.extend(self._close_all())
        return told

    def _take(self, line: Line, message: Message, told: list[Told]) -> None:
        if message.of_sleep:
            self._setting.sleep_at(self._here)
        if message.port is not None:
            told.extend(self._take_port(line, message.port))
        elif message.result and self._last_port in self._reports:
            self._reports[self._last_port][0].add(message.result)
        elif message.meaning is not None:
            if self._reports:
                told.extend(self._close_all())
            told.append(self._tell(line, message, message.meaning))

    # -- SATA ports

    def _take_port(self, line: Line, parsed: AtaLine) -> Iterable[Told]:
        told: list[Told] = []
        if parsed.opens or parsed.step:
            told.extend(self._close(parsed.port))
        self._last_port = parsed.port
        if parsed.step:
            told.append(self._tell_port(line, parsed.step, whole_port="." not in parsed.device))
            return told
        if parsed.port not in self._reports:
            if len(self._reports) >= REMEMBERED:
                told.extend(self._close(next(iter(self._reports))))
            self._reports[parsed.port] = (Report(device=parsed.device), line)
        report = self._reports[parsed.port][0]
        if "." in parsed.device:
            report.device = parsed.device
        report.add(parsed.body)
        return told

    def _close(self, port: str) -> Iterable[Told]:
        entry = self._reports.pop(port, None)
        if entry is None:
            return ()
        report, line = entry
        return (self._tell_port(line, report.meaning(), whole_port=not report.has_command),)

    def _close_all(self) -> Iterable[Told]:
        return [told for port in list(self._reports) for told in self._close(port)]

    def _tell_port(self, line: Line, meaning: Meaning, *, whole_port: bool) -> Told:
        spot = (self._number, line.seconds)  # a report is told here, and was begun earlier
        settled = self._settle(line, spot, meaning)
        if settled.category in _ROUTINE and not (settled.weak is False and not whole_port):
            if self._setting.is_resuming(spot):
                settled = _harmless(settled, "after-resume")
            elif Setting.is_starting(line):
                settled = _harmless(settled, "at-start")
        port = settled.device.split(".")[0]
        before = self._causes.get(port)
        if (
            settled.weak
            and before is not None
            and before[0].category is Category.NOISE
            and is_near(spot, before[1], CAUSE_LINES, CAUSE_SECONDS)
        ):
            settled = _harmless(settled, before[0].what)
        cause: _Cause = (settled, spot)
        if settled.what != "port-routine":
            _keep(self._causes, port, cause)
        if not settled.weak and settled.category is not Category.NOISE:
            self._port_cause = cause
        return Told(line, settled)

    # -- everything else

    def _tell(self, line: Line, message: Message, meaning: Meaning) -> Told:
        scsi = message.scsi
        if scsi and scsi.driver in _NOT_DISKS:
            meaning = _harmless(meaning, "optical-trouble")
        adds = self._is_new(message, meaning, scsi)
        inherits = meaning.effect and meaning.category in _INHERITS
        if inherits:
            cause = self._cause_of(meaning, scsi)
            if cause is not None:
                adds = False
                meaning = cause.of(meaning.device)
        settled = self._settle(line, self._here, meaning)
        if meaning.device and not inherits:
            _keep(self._causes, disk_of(meaning.device), (settled, self._here))
        return Told(line, settled, adds)

    def _is_new(self, message: Message, meaning: Meaning, scsi: ScsiLine | None) -> bool:
        """Tell whether a line begins a happening or is one more line about the last one."""
        disk = disk_of(meaning.device)
        started = self._failures.get(disk)
        if scsi and scsi.part_of_failure:
            _keep(self._failures, disk, self._number)
            return started is None or self._number - started > FAILURE_LINES
        if started is not None and message.ends_failure:
            del self._failures[disk]
            return False
        return True

    def _cause_of(self, meaning: Meaning, scsi: ScsiLine | None) -> Meaning | None:
        """Find what an effect comes from: its own disk's cause, else that of its SATA port.

        What another port said is no cause: a failing drive must not lend its bad sectors to a
        neighbour that had an error of its own at that time.
        """
        own = self._causes.get(disk_of(meaning.device))
        if own and is_near(self._here, own[1], CAUSE_LINES, CAUSE_SECONDS):
            return own[0]
        port = self._port_cause
        if (
            port
            and meaning.device.startswith("sd")
            and self._may_hang_on(meaning.device, scsi, port[0].device.split(".")[0])
            and is_near(self._here, port[1], CAUSE_LINES, CAUSE_SECONDS)
        ):
            return port[0]
        return None

    def _may_hang_on(self, device: str, scsi: ScsiLine | None, port: str) -> bool:
        """Tell whether a disk is that of a SATA port, as far as is known."""
        known = self._ports.get(disk_of(device))
        if known is not None:
            return known == port
        return scsi is None or scsi.address.split(":")[2] == "0"  # a port's disk is its target 0

    def _settle(self, line: Line, spot: Spot, meaning: Meaning) -> Meaning:
        """Turn what is harmless in its setting into noise."""
        if meaning.category is Category.NOISE:
            return meaning
        keeps = meaning.category in _STORED and not meaning.weak
        if not keeps and self._setting.is_portable(meaning.device):
            return _harmless(meaning, "portable-trouble")
        if meaning.category not in _ROUTINE:
            return meaning
        if self._setting.may_be_usb(meaning.device, spot):
            return _harmless(meaning, "portable-trouble")
        if meaning.weak and self._setting.is_resuming(spot):
            return _harmless(meaning, "after-resume")
        if meaning.what == "device-was-reset" and Setting.is_starting(line):
            return _harmless(meaning, "at-start")
        return meaning


def _harmless(meaning: Meaning, what: str) -> Meaning:
    return Meaning(what=what, category=Category.NOISE, device=meaning.device)


def _keep(store: dict[str, _Cause] | dict[str, int], key: str, value: object) -> None:
    store.pop(key, None)  # so that it stands last
    store[key] = value  # type: ignore[assignment]
    if len(store) > REMEMBERED:
        del store[next(iter(store))]
