"""What a SCSI disk says: a failed command over several lines with its sense data.

Source: drivers/scsi (scsi_logging.c, scsi_lib.c, scsi_error.c, sd.c, constants.c, sense_codes.h)
of Linux 3.x to 6.x; sense keys as in SPC. A failure reads::

    sd 0:0:1:0: [sdb] tag#47 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_SENSE
    sd 0:0:1:0: [sdb] tag#47 Sense Key : Medium Error [current]
    sd 0:0:1:0: [sdb] tag#47 Add. Sense: Unrecovered read error
    sd 0:0:1:0: [sdb] tag#47 CDB: Read(10) 28 00 …
    critical medium error, dev sdb, sector 18432 …
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.table import Index, Meaning, Row

_LINE = re.compile(
    r"(?P<driver>sd|sr|scsi|st|ses|ch|osst|sg) (?P<address>\d+:\d+:\d+:\d+): "
    r"(?:\[(?P<name>\w+)\]\s*)?(?:tag#\d+\s*)?(?P<body>.*)",
    re.DOTALL,
)
_STARTS = ("sd ", "scsi ", "sr ", "st ", "ses ", "ch ", "sg ")
_M, _C, _L, _G, _N = (
    Category.MEDIUM,
    Category.CONTROLLER,
    Category.LINK,
    Category.GONE,
    Category.NOISE,
)

SENSE = (
    Row("drive-predicts-failure", _M, "ailure prediction threshold exceeded"),
    Row("drive-predicts-failure", _M, "mpending failure"),
    Row("unreadable-sector", _M, "nrecovered read error"),
    Row("unreadable-sector", _M, "ead retries exhausted"),
    Row("unreadable-sector", _M, "ddress mark not found"),
    Row("unreadable-sector", _M, "o sync byte"),
    Row("unreadable-sector", _M, "ecord not found"),
    Row("unreadable-sector", _M, "ID CRC or ECC error"),
    Row("unwritable-sector", _M, "rite error"),
    Row("unwritable-sector", _M, "uto reallocation failed"),
    Row("unwritable-sector", _M, "o defect spare location"),
    Row("unwritable-sector", _M, "efect list"),
    Row("unreadable-sector", _M, "edium format corrupted"),
    Row("sector-repaired", _M, "ecovered data"),
    Row("link-crc", _L, "iuCRC error"),
    Row("link-crc", _L, "CRC error detected"),
    Row("link-crc", _L, "arity error"),
    Row("link-data-error", _L, "ak received"),
    Row("link-data-error", _L, "onnection lost"),
    Row("link-data-error", _L, "ata phase error"),
    Row("link-data-error", _L, "ompletion code error"),
    Row("optical-trouble", _N, "edium not present"),
    Row("command-not-supported", _N, "TA pass through information available"),
    Row("command-not-supported", _N, "nvalid command operation code"),
    Row("command-not-supported", _N, "nvalid field in"),
    Row("drive-fault", _C, "nternal target failure"),
    Row("drive-fault", _C, "ogical unit failure"),
    Row("drive-fault", _C, "echanical positioning error"),
    Row("drive-fault", _C, "pindles not synchronized"),
    Row("device-not-ready", _C, "ot ready"),
    Row("device-not-ready", _C, "does not respond to selection"),
    Row("device-not-ready", _C, "communication failure"),
    Row("device-not-ready", _C, "communication time-out"),
)

# A kernel built without SCSI constants writes numbers (constants.c): ASC codes as in SPC annex F.
NUMBERS = (
    Row("drive-predicts-failure", _M, "ASC=", r"ASC=0x5d\b"),
    Row("unreadable-sector", _M, "ASC=", r"ASC=0x1[0-46]\b"),
    Row("unwritable-sector", _M, "ASC=", r"ASC=0x(?:0?c|19|32)\b"),
    Row("sector-repaired", _M, "ASC=", r"ASC=0x1[78]\b"),
    Row("link-crc", _L, "ASC=", r"ASC=0x47\b"),
    Row("link-data-error", _L, "ASC=", r"ASC=0x4b\b"),
    Row("drive-fault", _C, "ASC=", r"ASC=0x(?:15|3e|44)\b"),
    Row("optical-trouble", _N, "ASC=", r"ASC=0x3a\b"),
    Row("device-not-ready", _C, "ASC=", r"ASC=0x(?:0?4|0?5|0?8)\b"),
)

KEYS = (
    Row("unreadable-sector", _M, "0x3", r"Sense Key ?: 0x3\b"),
    Row("drive-fault", _C, "0x4", r"Sense Key ?: 0x4\b"),
    Row("device-not-ready", _C, "0x2", r"Sense Key ?: 0x2\b", weak=True),
    Row("device-aborted", _C, "0xb", r"Sense Key ?: 0xb\b", effect=True),
    Row("command-not-supported", _N, "0x5", r"Sense Key ?: 0x5\b"),
    Row("unreadable-sector", _M, "Medium Error", r"Sense Key ?: Medium Error"),
    Row("drive-fault", _C, "Hardware Error", r"Sense Key ?: Hardware Error"),
    Row("device-not-ready", _C, "Not Ready", r"Sense Key ?: Not Ready", weak=True),
    Row(
        "device-aborted",
        _C,
        "Aborted Command",
        r"Sense Key ?: Aborted Command",
        effect=True,
    ),
    Row("command-not-supported", _N, "Illegal Request", r"Sense Key ?: "),
    Row("device-note", _N, "Sense Key", r"Sense Key ?: "),
)

RESULTS = (
    Row(
        "device-gone",
        _G,
        "Result",
        r"(?:hostbyte=|Result: hostbyte=)(?:DID_NO_CONNECT|DID_BAD_TARGET|0x01|0x04)\b",
    ),
    Row("link-crc", _L, "Result", r"hostbyte=(?:DID_PARITY|0x06)\b"),
    Row("unreadable-sector", _M, "Result", r"hostbyte=(?:DID_MEDIUM_ERROR|0x13)\b"),
    Row(
        "command-timeout",
        _C,
        "Result",
        r"hostbyte=(?:DID_TIME_OUT|0x03)\b|driverbyte=DRIVER_TIMEOUT",
    ),
    Row("device-reset", _C, "Result", r"hostbyte=(?:DID_RESET|DID_ABORT|0x08|0x05)\b"),
    Row(
        "transport-trouble",
        _C,
        "Result",
        r"hostbyte=(?:DID_TRANSPORT_\w+|DID_BUS_BUSY|0x0e|0x0f|0x02)\b",
    ),
    Row(
        "device-aborted",
        _C,
        "Result",
        r"hostbyte=(?:DID_ERROR|DID_SOFT_ERROR|DID_IMM_RETRY|0x07|0x0b)\b",
        effect=True,
        weak=True,
    ),
)

STEPS = (
    Row("offlined", _G, "evice offlined"),
    Row("device-gone", _G, "rejecting I/O to"),
    Row("device-gone", _G, "device_block", weak=True),
    Row("command-timeout", _C, "timing out command"),
    Row("command-timeout", _C, "ommand timed out"),
    Row("command-timeout", _C, "Done: TIMEOUT"),
    Row("command-timeout", _C, "TIMEOUT", r"\bTIMEOUT\b"),
    Row("command-timeout", _C, "task abort"),
    Row("command-timeout", _C, "attempting task"),
    Row(
        "command-timeout",
        _C,
        "bort",
        r"[Cc]ommand (?:.*)abort|[Aa]borting|abort(?:ed)? command|ABORT SUCCESS",
    ),
    Row(
        "device-reset",
        _C,
        "reset",
        r"(?:device|target|host|bus|resetting|logical).*reset(?! occurred)|resetting",
    ),
    Row("device-was-reset", _C, "ower-on or device reset occurred", weak=True),
    Row("device-not-ready", _C, "nit not ready"),
    Row("device-not-ready", _C, "nit Not Ready"),
    Row("device-not-ready", _C, "Read Capacity", r"Read Capacity\(\d+\) failed"),
    Row("device-not-ready", _C, "tart/Stop Unit failed", weak=True),
    Row("device-aborted", _C, "naligned partial completion", weak=True),
    Row(
        "device-aborted", _C, "nhandled", r"Unhandled (?:sense|error) code", effect=True, weak=True
    ),
    Row("device-note", _N, "topping disk"),
    Row("device-note", _N, "ynchronizing SCSI cache"),
)

_SENSE, _KEYS, _RESULTS, _STEPS = (
    Index((*SENSE, *NUMBERS)),
    Index(KEYS),
    Index(RESULTS),
    Index(STEPS),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScsiLine:
    """One line of a SCSI device, taken apart."""

    driver: str  # "sd", "sr", …
    address: str  # "0:0:1:0"
    name: str  # "sdb", or "" when the line names none
    part_of_failure: bool  # result, sense key, additional sense
    meaning: Meaning


def read_scsi(message: str) -> ScsiLine | None:
    """Take a device's line apart; None when the message is not one, or says nothing of note."""
    if not message.startswith(_STARTS) and ": [sd" not in message:
        return None
    found = _LINE.search(message)
    if found is None:
        return None
    body = found.group("body")
    if body.startswith("CDB:"):
        return None
    meaning, part = _mean(body)
    if meaning is None:
        return None
    name = found.group("name") or ""
    device = name or found.group("address")
    return ScsiLine(
        driver=found.group("driver"),
        address=found.group("address"),
        name=name,
        part_of_failure=part,
        meaning=meaning.of(device),
    )


def _mean(body: str) -> tuple[Meaning | None, bool]:
    if "Sense Key" in body:
        return _KEYS.read(body), True
    if "Add. Sense" in body or "ASC=" in body or "<<vendor>>" in body:
        return _SENSE.read(body), True
    if "Result:" in body:
        meaning = _RESULTS.read(body)
        if meaning is not None:
            return meaning, True
    return _STEPS.read(body), "Result:" in body
