"""One smartctl run per drive and poll: what the drive is, what it counts, what it thinks of itself.

Program: ``smartctl`` of smartmontools 7.0 to 7.5. :func:`command` gives the exact arguments::

    smartctl --json=co -a -n standby,3 [slow pages] -d TYPE NODE

``--json=co``: compact JSON with the plain text embedded, so one run feeds two readers that watch
each other (second_reader.py). ``-n standby,3``: a sleeping disk stays asleep and the exit status is
3, which cannot occur otherwise (bits 0 and 1 together). ``-d TYPE`` always, because detection may
wake a disk. Slow pages (device statistics, extended error log, temperature limits, how long a bad
sector is tried, pending defects, a SAS drive's own scans; what a kind of drive does not have is
passed over) only with ``deep``.

Not asked for: the counters of the SATA link (log 11h, ``-l sataphy``). Of 31,139 drives in open
reports (smartctl_reports) that show them, 45 count CRC errors there and none in attribute 199 or
the device statistics, and 817 the other way round.

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
from dataclasses import replace
from datetime import datetime
from typing import Any

from watcher.facts.drive import SAME_NAME, DriveReading, DriveUnread, Unread, Verdict
from watcher.readers.drive_report import verdict_of
from watcher.readers.drive_target import AUTO, DriveTarget, unread_of
from watcher.readers.errors import CannotParse
from watcher.readers.host import Ended, Host
from watcher.readers.second_reader import compare
from watcher.readers.smartctl_json import report_of, rows, section, whole, word
from watcher.readers.smartctl_refusals import TOO_OLD, no_smart, not_ended, refusal

SOURCE = "smartctl"

LIMIT_SECONDS = 60.0
"""How long one run may take. Our choice: a disk that spins up takes up to 30 s, and a read that a
disk retries about as long; beyond that something hangs."""

SLOW_PAGES = (
    "-l", "devstat", "-l", "xerror,1", "-l", "scttempsts", "-l", "scterc", "-l", "defects",
    "-l", "background",
)  # fmt: skip


def command(target: DriveTarget, *, deep: bool = False, wake: bool = False) -> tuple[str, ...]:
    """Give the argument list for one poll of a drive; ``wake`` asks a sleeping one too."""
    asleep = () if wake else ("-n", "standby,3")
    pages = SLOW_PAGES if deep else ()
    kind = target.device_type or AUTO
    return ("smartctl", "--json=co", "-a", *asleep, *pages, "-d", kind, target.node)


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
    refused = told & ~0xFF or refusal(target, told, "\n".join([*lines, *messages]), observed_at)
    if isinstance(refused, DriveUnread):
        return refused
    if refused:
        raise CannotParse(SOURCE, "the exit status is no byte", line=str(told))
    report = report_of(document, told)
    if unread := no_smart(target, document, report, observed_at):
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
        return not_ended(target, ran, observed_at)
    if not ran.stdout.lstrip().startswith("{") and any(
        words in ran.stdout + ran.stderr for words in TOO_OLD
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
