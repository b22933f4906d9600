"""What a SATA port says: one error report over several lines, and the port's own steps.

Source: drivers/ata/libata-eh.c (ata_eh_link_report, ata_eh_reset, sata_down_spd_limit),
libata-core.c, include/linux/libata.h (AC_ERR_* bits) and the ATA/ATAPI command set (error
register: bit 7 interface CRC, 6 uncorrectable, 4 ID not found, 2 aborted; status register: bit 5
device fault). A report reads::

    ata3.00: exception Emask 0x10 SAct 0x0 SErr 0x400100 action 0x6 frozen
    ata3.00: irq_stat 0x08000000, interface fatal error
    ata3: SError: { UnrecovData Handshk }
    ata3.00: failed command: READ FPDMA QUEUED
    ata3.00: cmd 60/08:…  res 51/40:… Emask 0x409 (media error) <F>
    ata3.00: status: { DRDY ERR }
    ata3.00: error: { UNC }

Any of these may be missing, cut or out of order; each adds to what is known of the report.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.table import Index, Meaning, Row

_LINE = re.compile(r"\b(?P<port>ata\d+)(?:\.(?P<unit>\d\d))?: (?P<body>.*)", re.DOTALL)
_OPENING = re.compile(r"exception Emask (0x[\da-f]+) SAct \S+ SErr (0x[\da-f]+)(.*)")
_RESULT = re.compile(r"\bres ([\da-f]{2})/([\da-f]{2}):")
_PACKET = re.compile(r"^cmd a0/")
_EMASK = re.compile(r"\bEmask (0x[\da-f]+)")
_WORDS = re.compile(r"(status|error|SError): ?\{([^}]*)\}?")

# AC_ERR_* of include/linux/libata.h
_MEDIA, _BUS, _HOST, _HSM, _TIMEOUT, _DEVICE = 0x8, 0x10, 0x20, 0x2, 0x4, 0x1

_DATA_LINK_TROUBLE = frozenset(
    {
        *("RecovData", "RecovComm", "UnrecovData", "Persist", "Proto", "PHYInt", "10B8B"),
        *("Dispar", "BadCRC", "Handshk", "LinkSeq", "TrStaTrns", "UnrecFIS"),
    }
)
_PLUG_WORDS = frozenset({"PHYRdyChg", "CommWake", "DevExch"})

_DATA_COMMANDS = ("READ", "WRITE", "FLUSH", "VERIFY", "NCQ")
_NOT_DATA = ("LOG", "BUFFER", "MAX", "NATIVE", "STREAM CONFIG")

STEPS = (
    Row("port-gave-up", Category.GONE, "disable", r"^disabled?(?: device)?$"),
    Row("port-gave-up", Category.GONE, "reset failed, giving up"),
    Row("port-gave-up", Category.GONE, "detaching", r"detaching \(SCSI"),
    Row("link-slowed", Category.LINK, "limiting SATA link speed"),
    Row("link-slowed", Category.LINK, "limiting speed to", weak=True),
    Row("queueing-switched-off", Category.CONTROLLER, "NCQ disabled due to", weak=True),
    Row("port-reset", Category.CONTROLLER, "hard resetting link", weak=True),
    Row("port-reset", Category.CONTROLLER, "hard resetting port", weak=True),
    Row("port-reset", Category.CONTROLLER, "soft resetting", weak=True),
    Row("port-slow", Category.CONTROLLER, "link is slow to respond", weak=True),
    Row("port-slow", Category.CONTROLLER, "port is slow to respond", weak=True),
    Row("drive-not-answering", Category.CONTROLLER, "COMRESET failed"),
    Row("drive-not-answering", Category.CONTROLLER, "softreset failed", weak=True),
    Row("drive-not-answering", Category.CONTROLLER, "SRST failed"),
    Row("drive-not-answering", Category.CONTROLLER, "failed to IDENTIFY"),
    Row("drive-not-answering", Category.CONTROLLER, "qc timeout"),
    Row("drive-not-answering", Category.CONTROLLER, "revalidation failed"),
    Row("drive-not-answering", Category.CONTROLLER, "failed to recover", weak=True),
    Row("drive-not-answering", Category.CONTROLLER, "failed to set xfermode"),
    Row("drive-not-answering", Category.CONTROLLER, "model number mismatch"),
    Row("drive-not-answering", Category.CONTROLLER, "class mismatch"),
    Row("drive-not-answering", Category.CONTROLLER, "evice is not ready", weak=True),
    Row("port-routine", Category.NOISE, "EH complete"),
    Row("port-routine", Category.NOISE, "link down"),
    Row("port-routine", Category.NOISE, "link up"),
)
_STEPS = Index(STEPS)


class Report:
    """The lines so far of one error on one port."""

    def __init__(self, *, device: str) -> None:
        """Begin with the port, or its unit, that the report is about."""
        self.device = device
        self._bodies: list[str] = []

    def add(self, body: str) -> None:
        """Take in one line of the report; the same line again says nothing new."""
        if not self._bodies or self._bodies[-1] != body:
            self._bodies.append(body)

    @property
    def has_command(self) -> bool:
        """Tell whether a line names the command that failed."""
        return _weigh(tuple(self._bodies)).has_command

    def meaning(self) -> Meaning:
        """Give what the report says as a whole; a bad sector outweighs everything else in it."""
        return _weigh(tuple(self._bodies)).meaning.of(self.device)


class _Weighed(NamedTuple):
    """What a report says, of no port yet."""

    meaning: Meaning
    has_command: bool


@lru_cache(maxsize=1024)  # a failing drive reports the same again and again
def _weigh(bodies: tuple[str, ...]) -> _Weighed:
    known = _Known()
    for body in bodies:
        known.add(body)
    return _Weighed(known.meaning(), bool(known.command))


@dataclass(slots=True)
class _Known:
    """What is known so far of one error on one port."""

    emask: int = 0
    words: set[str] = field(default_factory=set)  # of SError
    command: str = ""
    uncorrectable: bool = False
    crc: bool = False
    fault: bool = False
    aborted: bool = False
    frozen: bool = False
    connection_changed: bool = False
    waking: bool = False

    def add(self, body: str) -> None:
        """Take in what one line of the report says."""
        opening = _OPENING.search(body)
        if opening:
            self.frozen |= "frozen" in opening.group(3)
        for emask in _EMASK.findall(body):
            self.emask |= int(emask, 16)
        for status, error in _RESULT.findall(body):
            self._add_registers(int(status, 16), int(error, 16))
        for kind, words in _WORDS.findall(body):
            self._add_words(kind, set(words.split()))
        if "interface fatal error" in body:
            self.words.add("Handshk")
        if "connection status changed" in body or "PHY RDY changed" in body:
            self.connection_changed = True
        if "waking up from sleep" in body:
            self.waking = True
        if _PACKET.search(body):
            self.command = "PACKET"
        if body.startswith("failed command:"):
            self.command = body.removeprefix("failed command:").strip()

    def _add_registers(self, status: int, error: int) -> None:
        if status & 0x01:  # the error register counts only when ERR is set
            self.crc |= bool(error & 0x80)
            self.uncorrectable |= bool(error & 0x50)
            self.aborted |= bool(error & 0x04)
        self.fault |= bool(status & 0x20)

    def _add_words(self, kind: str, words: set[str]) -> None:
        if kind == "SError":
            self.words |= words
        elif kind == "error":
            self.crc |= "ICRC" in words
            self.uncorrectable |= bool(words & {"UNC", "IDNF", "AMNF"})
            self.aborted |= "ABRT" in words
        else:
            self.fault |= "DF" in words

    @property
    def is_about_data(self) -> bool:
        """Tell whether the command that failed moves data (or is not known)."""
        if not self.command:
            return True
        return self.command.startswith(_DATA_COMMANDS) and not any(
            word in self.command for word in _NOT_DATA
        )

    def meaning(self) -> Meaning:
        """Give what the report says as a whole; a bad sector outweighs everything else in it."""
        what, category, weak = self._verdict()
        return Meaning(what=what, category=category, weak=weak)

    def _verdict(self) -> tuple[str, Category, bool]:
        if self.command.startswith("PACKET"):
            return "optical-trouble", Category.NOISE, False
        if self.waking and not self.command:
            return "after-resume", Category.NOISE, False
        return next(
            (what, category, weak) for holds, what, category, weak in self._judgements() if holds
        )

    def _judgements(self) -> tuple[tuple[bool, str, Category, bool], ...]:
        """Give the possible judgements, the most telling first; the last one always holds."""
        refused = bool(self.emask & _DEVICE or self.aborted)
        data = self.is_about_data
        bus = bool(self.emask & _BUS)
        plugged = self.connection_changed or bool(self.words & _PLUG_WORDS)
        link = bool(self.words & _DATA_LINK_TROUBLE) or (bus and bool(self.command))
        medium = self.uncorrectable or bool(self.emask & _MEDIA)
        timed_out = bool(self.emask & _TIMEOUT) or self.frozen
        control = Category.CONTROLLER
        return (
            (medium, "unreadable-sector", Category.MEDIUM, False),
            (self.crc, "link-crc", Category.LINK, False),
            (self.fault, "drive-fault", control, False),
            (bool(self.emask & _HOST), "host-bus-error", control, False),
            (link, "link-data-error", Category.LINK, False),
            (plugged, "link-changed", Category.LINK, not self.command),
            (bus, "link-data-error", Category.LINK, False),
            (timed_out, "command-timeout", control, not data),
            (bool(self.emask & _HSM), "protocol-error", control, False),
            (refused and not data, "command-not-supported", Category.NOISE, False),
            (refused, "command-refused", control, False),
            (True, "port-exception", control, True),
        )


_DETAILS = (
    "exception Emask",
    "irq_stat",
    "SError:",
    "failed command:",
    "cmd ",
    "res ",
    "status:",
    "error:",
    "tag ",
    "edma_err",
    "BMDMA",
    "hotplug_status",
    "opcode=",
    "waking up",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AtaLine:
    """One line of a SATA port, taken apart."""

    port: str  # "ata3"
    device: str  # "ata3.00", or the port when the line names no unit
    body: str
    detail: bool  # part of an error report
    opens: bool  # begins a new report
    step: Meaning | None  # a step of its own


def read_ata(message: str) -> AtaLine | None:
    """Take a port's line apart; None when the message is not one, or says nothing of note."""
    found = _LINE.search(message) if "ata" in message else None
    if found is None:
        return None
    port, unit, body = found.group("port", "unit", "body")
    device = f"{port}.{unit}" if unit else port
    detail = body.lstrip().startswith(_DETAILS)
    step = None if detail else _STEPS.read(body)
    if step is not None:
        step = Meaning(what=step.what, category=step.category, device=device, weak=step.weak)
    elif not detail:
        return None
    return AtaLine(
        port=port,
        device=device,
        body=body.lstrip(),
        detail=detail,
        opens="exception Emask" in body,
        step=step,
    )


def is_result_line(message: str) -> bool:
    """Tell whether this is the second half of a command line, printed without its port."""
    return (
        " res " in message
        and message.lstrip().startswith("res ")
        and _RESULT.search(message) is not None
    )
