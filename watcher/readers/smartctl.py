"""One smartctl run per drive and poll: what the drive is, what it counts, what it thinks of itself.

Program: ``smartctl`` of smartmontools 7.0 to 7.5. :func:`command` gives the exact arguments::

    smartctl --json=co -a -n standby,3 [slow pages] -d TYPE NODE

``--json=co``: compact JSON with the plain text embedded, so one run feeds two readers that watch
each other (second_reader.py). ``-n standby,3``: a sleeping disk stays asleep and the exit status is
3, which cannot occur otherwise (bits 0 and 1 together). ``-d TYPE`` always, because detection may
wake a disk. Slow pages (device statistics, extended error log, temperature limits, pending defects,
phy counters) only with ``deep``.

The exit status is a bit field (smartctl(8), EXIT STATUS): 0 command line, 1 open or identify failed
or low power, 2 some command failed (healthy drives do this), 3 the drive says that it is failing,
4 a pre-fail attribute at its threshold, 5 an attribute was there in the past, 6 the error log has
entries, 7 the self-test log has failures. Bit 1 is no failure of the drive; 6 and 7 are history.

Traps: a dead drive blocks smartctl inside the kernel (the runner's lanes); a cut answer is not JSON
any more and is refused; a virtual disk answers with an inquiry and nothing else.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from watcher.facts.drive import (
    SAME_NAME,
    SWITCHED_OFF,
    DriveIdentity,
    DriveReading,
    DriveUnread,
    Protocol,
    Unread,
    Verdict,
)
from watcher.facts.identity import DriveId
from watcher.readers.drive_report import Report, verdict_of
from watcher.readers.errors import CannotParse
from watcher.readers.host import Ended, Host, Ran
from watcher.readers.second_reader import compare
from watcher.readers.smartctl_json import flag, report_of, rows, section, whole, word

SOURCE = "smartctl"

LIMIT_SECONDS = 60.0
"""How long one run may take. Our choice: a disk that spins up takes up to 30 s, and a read that a
disk retries about as long; beyond that something hangs."""

SLOW_PAGES = (
    "-l", "devstat", "-l", "xerror,1", "-l", "scttempsts", "-l", "scterc", "-l", "defects",
    "-l", "sataphy",
)  # fmt: skip

AUTO = "auto"

_COMMAND_LINE = 0x01
_NOT_OPENED = 0x02
_ASLEEP = 0x03


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveTarget:
    """Where to find a drive, and how to address it."""

    node: str  # "/dev/sda", "/dev/bus/0"
    device_type: str = AUTO  # smartctl's -d: "sat", "megaraid,4", "auto"
    bay: str | None = None  # in the owner's words
    known: DriveIdentity | None = None  # what the block layer knows of it
    shared: DriveId | None = None  # the id it tells, where another drive tells the same

    @property
    def lane(self) -> str:
        """Name what a hung run would hang on: a drive, also one behind a controller's node."""
        return f"{self.node} {self.device_type}" if "," in self.device_type else self.node


def command(target: DriveTarget, *, deep: bool = False, wake: bool = False) -> tuple[str, ...]:
    """Give the argument list for one poll of a drive; ``wake`` asks a sleeping one too."""
    asleep = () if wake else ("-n", "standby,3")
    pages = SLOW_PAGES if deep else ()
    kind = target.device_type or AUTO
    return ("smartctl", "--json=co", "-a", *asleep, *pages, "-d", kind, target.node)


def unread_of(
    target: DriveTarget,
    why: Unread,
    detail: str,
    observed_at: datetime,
    **seen: Any,  # noqa: ANN401
) -> DriveUnread:
    """Make the answer for a drive that gave no reading; ``seen`` is what it told of itself."""
    known = target.known
    return DriveUnread(
        node=target.node,
        why=why,
        detail=detail,
        observed_at=observed_at,
        drive=known.drive if known else seen.get("drive"),
        device_type=target.device_type,
        model=seen.get("model") or (known.model if known else None) or None,
        serial=seen.get("serial") or (known.serial if known else None) or None,
        capacity_bytes=seen.get("capacity_bytes") or (known.capacity_bytes if known else None),
        bay=target.bay,
    )


_SAID = (
    # in smartctl's words, why, ours
    ("STANDBY mode", Unread.ASLEEP, "{node} sleeps and was left asleep."),
    ("SLEEP mode", Unread.ASLEEP, "{node} sleeps and was left asleep."),
    (
        "Permission denied",
        Unread.FORBIDDEN,
        "We may not ask {node}: run as root, or let the service do it.",
    ),
    (
        "Operation not permitted",
        Unread.FORBIDDEN,
        "We may not ask {node}: run as root, or let the service do it.",
    ),
    (
        "No such device",
        Unread.VANISHED,
        "{node} is not there any more: check its cable, bay and power.",
    ),
    (
        "No such file or directory",
        Unread.VANISHED,
        "{node} is not there any more: check its cable, bay and power.",
    ),
    (
        "Unable to detect device type",
        Unread.NO_SMART,
        (
            "{node} has no SMART that smartctl knows, as is usual for a virtual disk; its health "
            "cannot be seen from here."
        ),
    ),
    (
        "Unknown USB bridge",
        Unread.NO_SMART,
        (
            "smartctl does not know the USB bridge of {node}: name its device type in the "
            "configuration (sat and sntasmedia are often right)."
        ),
    ),
    (
        "please try adding '-d ",  # "… controller, please try adding '-d megaraid,N'"
        Unread.NO_SMART,
        (
            "{node} is a disk that a RAID controller makes: the drives behind it are not seen. "
            "Name each of them in the configuration with the type that smartctl proposes: {last}"
        ),
    ),
    *(
        (
            words,
            Unread.NO_SMART,
            (
                "What {node} hangs on passes no SMART on as {kind} (smartctl says: {last}): try "
                "another device type in the configuration, or connect the drive directly."
            ),
        )
        for words in (
            "unsupported scsi opcode",
            "unsupported field in scsi command",
            "badly formed scsi parameters",
        )
    ),
    (
        "Inappropriate ioctl for device",
        Unread.NO_SMART,
        "{node} is no drive that can be asked for SMART.",
    ),
    (
        "Unknown device type",
        Unread.GARBLED,
        "smartctl does not know the device type {kind} of {node}: correct it in the configuration.",
    ),
)

_TOO_OLD = ("UNRECOGNIZED OPTION", "INVALID ARGUMENT TO -n", "INVALID ARGUMENT TO --json")


def _refusal(
    target: DriveTarget, exit_status: int, said: str, observed_at: datetime
) -> DriveUnread | None:
    """Tell why smartctl got nothing out of a drive; None when it got something."""
    if not exit_status & _ASLEEP:
        return None
    last = said.strip().splitlines()[-1][:200] if said.strip() else "nothing"
    names = {"node": target.node, "kind": target.device_type, "last": last}
    for words, why, ours in _SAID:
        if words in said:
            return unread_of(target, why, ours.format(**names), observed_at)
    if exit_status == _ASLEEP:
        detail = f"{target.node} sleeps and was left asleep."
        return unread_of(target, Unread.ASLEEP, detail, observed_at)
    if exit_status & _NOT_OPENED:
        detail = (
            f"{target.node} does not answer (smartctl says: {last}): "
            "check its cable, bay and power."
        )
        return unread_of(target, Unread.VANISHED, detail, observed_at)
    detail = f"smartctl refuses to ask {target.node} as {target.device_type}: {last}"
    return unread_of(target, Unread.GARBLED, detail, observed_at)


def _document(text: str) -> Mapping[str, Any]:
    """Read the JSON; raises ``CannotParse`` unless it is one whole answer of smartctl."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        reason = "the answer is empty" if not text.strip() else f"not JSON, or cut: {error}"
        raise CannotParse(SOURCE, reason, line=text[-80:]) from error
    if not isinstance(document, dict) or not isinstance(document.get("smartctl"), dict):
        raise CannotParse(SOURCE, "this is no answer of smartctl", line=text[:80])
    return document


def _lines_of(head: Mapping[str, Any]) -> list[str]:
    """Give the embedded text, empty when there is none."""
    lines = head.get("output", [])
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        raise CannotParse(SOURCE, "the embedded text is not a list of lines")
    return lines


def _no_smart(
    target: DriveTarget, document: Mapping[str, Any], report: Report, observed_at: datetime
) -> DriveUnread | None:
    """Tell that a drive has no SMART, or has it switched off; None when there is a verdict."""
    support = section(document, "smart_support")
    if section(document, "smart_status"):
        return None
    if flag(support, "available") is False:
        detail = (
            f"{target.node} tells that it has no SMART, as virtual disks and some bridges do; "
            "its health cannot be seen from here."
        )
    elif flag(support, "enabled") is False and report.protocol is Protocol.ATA:
        detail = (
            f"{SWITCHED_OFF} in {target.node}: "
            f"`smartctl -s on -d {target.device_type} {target.node}` switches it on."
        )
    else:
        return None
    identity = report.identity(target.node, target.device_type)
    return unread_of(
        target,
        Unread.NO_SMART,
        detail,
        observed_at,
        drive=identity.drive,
        model=identity.model,
        serial=identity.serial,
        capacity_bytes=identity.capacity_bytes,
    )


def parse(
    text: str,
    *,
    node: str,
    device_type: str = AUTO,
    observed_at: datetime,
    target: DriveTarget | None = None,
    exit_status: int = 0,
    deep: bool = False,
) -> DriveReading | DriveUnread:
    """Read one answer of smartctl; raises ``CannotParse`` for anything else.

    ``target`` brings the bay and what the block layer knows; without it, node and type are all.
    ``exit_status`` is the one the program ended with: its bit 3 makes a drive failing as well.
    ``deep`` also lets pySMART read the embedded text, for what the JSON lacks.
    """
    target = target or DriveTarget(node=node, device_type=device_type)
    document = _document(text)
    head = section(document, "smartctl")
    told = whole(head, "exit_status")
    if told is None:
        raise CannotParse(SOURCE, "the answer has no exit status")
    lines = _lines_of(head)
    messages = [word(row, "string") or "" for row in rows(head, "messages")]
    refused = told & ~0xFF or _refusal(target, told, "\n".join([*lines, *messages]), observed_at)
    if isinstance(refused, DriveUnread):
        return refused
    if refused:
        raise CannotParse(SOURCE, "the exit status is no byte", line=str(told))
    report = report_of(document, told)
    if unread := _no_smart(target, document, report, observed_at):
        return unread
    if lines:
        compare(report, lines, node=node, deep=deep)
    if exit_status not in {0, told}:
        report.doubts.append(f"smartctl ended with status {exit_status} but tells {told}.")
        report.verdict = verdict_of(
            True if report.verdict is Verdict.PASSED else None, exit_status | told
        )
    version = head.get("version")
    if not isinstance(version, list) or not all(isinstance(part, int) for part in version):
        raise CannotParse(SOURCE, "the answer does not tell the program's version")
    reading = report.reading(
        node=target.node,
        device_type=word(section(document, "device"), "type") or target.device_type,
        observed_at=observed_at,
        exit_status=told,
        source="smartctl " + ".".join(str(part) for part in version),
        raw=text,
    )
    return _placed(reading, target)


def _placed(reading: DriveReading, target: DriveTarget) -> DriveReading:
    """Add what the answer itself cannot tell: the bay, and the type as it was asked.

    A drive that told no serial number through smartctl gets the id that the block layer has.
    """
    identity = reading.identity
    known = target.known
    doubts = reading.doubts
    if known and identity.drive.startswith("unidentified_"):
        identity = replace(identity, drive=known.drive)
    elif known and identity.drive == target.shared:
        identity = replace(identity, drive=known.drive)
        doubts = (*doubts, SAME_NAME)
    asked = target.device_type
    return replace(
        reading,
        identity=identity,
        doubts=doubts,
        bay=target.bay,
        device_type=reading.device_type if asked == AUTO else asked,
    )


_REMEDIES = {
    Ended.TIMED_OUT: (
        Unread.HUNG,
        (
            "{node} gave no answer within {seconds:.0f} s: the drive, its cable or its controller "
            "hangs. Look into the kernel log."
        ),
    ),
    Ended.STUCK: (
        Unread.HUNG,
        (
            "An earlier question to {node} still hangs inside the kernel, so no new one was asked: "
            "check its cable and power; only a restart or a pulled drive frees it."
        ),
    ),
    Ended.KILLED: (
        Unread.GARBLED,
        (
            "smartctl was killed by signal {signal} while it asked {node}: look into the kernel "
            "log (memory, a crash)."
        ),
    ),
    Ended.TOO_LONG: (
        Unread.GARBLED,
        "smartctl wrote without end about {node}; its answer was not used.",
    ),
    Ended.MISSING: (
        Unread.TOOL_MISSING,
        "smartctl is not installed, so {node} cannot be asked: install the package smartmontools.",
    ),
    Ended.FORBIDDEN: (
        Unread.FORBIDDEN,
        (
            "smartctl may not be started, so {node} cannot be asked: run as root, or let the "
            "service do it."
        ),
    ),
}


def _not_ended(target: DriveTarget, ran: Ran, observed_at: datetime) -> DriveUnread:
    """Give the answer for a run that did not end by itself."""
    why, sentence = _REMEDIES[ran.ended]
    detail = sentence.format(node=target.node, seconds=ran.seconds, signal=-ran.status)
    if ran.stderr.startswith("not in this recording"):
        detail = f"The recording holds no answer of {target.node}."
    return unread_of(target, why, detail, observed_at)


def read_drive(
    host: Host,
    target: DriveTarget,
    *,
    observed_at: datetime,
    deep: bool = False,
    wake: bool = False,
    limit_seconds: float = LIMIT_SECONDS,
) -> DriveReading | DriveUnread:
    """Ask one drive; never raises: what went wrong is an answer of its own."""
    arguments = command(target, deep=deep, wake=wake)
    ran = host.run(arguments, limit_seconds=limit_seconds, lane=target.lane)
    if ran.ended is not Ended.EXITED:
        return _not_ended(target, ran, observed_at)
    if not ran.stdout.lstrip().startswith("{") and any(
        words in ran.stdout + ran.stderr for words in _TOO_OLD
    ):
        detail = "This smartctl is too old: version 7.0 or newer is needed (package smartmontools)."
        return unread_of(target, Unread.TOOL_MISSING, detail, observed_at)
    try:
        return parse(
            ran.stdout,
            node=target.node,
            device_type=target.device_type,
            observed_at=observed_at,
            target=target,
            exit_status=ran.status,
            deep=deep,
        )
    except CannotParse as error:
        detail = (
            f"The answer of smartctl about {target.node} cannot be used ({error.reason}); "
            "nothing is concluded from it. Run smartctl by hand and see what it says."
        )
        return unread_of(target, Unread.GARBLED, detail, observed_at)
