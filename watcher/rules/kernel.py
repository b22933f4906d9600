"""Rules about what the kernel log says of a drive, and about drives that left.

The cheap things come first where they are likelier: interface errors point at cable, backplane or
power, media errors do not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from statistics import median
from typing import Final

from watcher.facts.drive import Metric, Protocol, Unread
from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import DriveId
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.pool import WorkKind
from watcher.facts.units import say_span
from watcher.rules.look import Found, Look, Needs, fact, finding_about, per_drive, steps
from watcher.rules.pool import step_when_gone
from watcher.rules.risk import WEEK
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Threshold, Tuning
from watcher.rules.view import View

FROM_THE_LOG: Final = (
    "log-says-media",
    "log-says-controller",
    "log-says-filesystem",
    "log-says-volume",
    "wire-or-backplane",
    "drive-comes-and-goes",
)
"""Rules that speak from the kernel log alone where a drive gives no reading."""

DAY: Final = timedelta(days=1)  # within which a rise is called fast
DISCOVERY: Final = "drive-discovery"
PRACTICE: Final = "common practice, no source"

CABLE_FIRST: Final = (
    "Check the cable first: power down unless the bay is made for hot swap, reseat or change the "
    "data cable of {label}, look at its plugs and power, and see whether the count stands still. "
    "Replace the drive only when another cable and another port do not help."
)


SEAT_FIRST: Final = (
    "Check the seat first: power down unless the bay is made for hot swap, take {label} out of its "
    "slot and put it back, look at its screw and its cooling, and see whether it happens again. "
    "Then its firmware, then another slot. Replace the drive only when these do not help."
)
"""The same for a drive that sits in a slot and has no cable."""


def wire_first(look: Look) -> str:
    """Say what lies between the drive and the box, and comes first."""
    slot = look.reading.identity.protocol is Protocol.NVME
    return (SEAT_FIRST if slot else CABLE_FIRST).format(label=look.label)


def lines_of(events: tuple[KernelEvent, ...]) -> int:
    """Count the lines that events stand for."""
    return sum(event.count for event in events)


def quoted(events: tuple[KernelEvent, ...]) -> tuple[Evidence, ...]:
    """Quote the first line of the latest three events."""
    return tuple(
        Evidence(what=f"kernel log {event.at:%Y-%m-%d %H:%M} UTC", value=event.line or event.what)
        for event in events[-3:]
    )


MEDIA_LINES: Final = Threshold(
    name="lines-per-day",
    value=1,
    unit="lines within 24 hours",
    source="as for scan errors in Pinheiro et al., FAST 2007 section 3.5.1: the first one counts "
    "(39-fold risk within 60 days)",
)


def log_says_media(look: Look) -> Found | None:
    """Find a drive of which the kernel says that it cannot read or write its medium."""
    events = look.events(Category.MEDIUM)
    lines = lines_of(events)
    if not lines or lines < max(look.limit("log-says-media", MEDIA_LINES), 1):
        return None
    return Found(
        urgency=Urgency.THIS_WEEK,
        sentence="The system could not read or write some places on the drive.",
        next_step=(
            "Check the backups, look at the drive's own counters, and start a scrub of its pool or "
            "an extended self-test when the load allows. Have a spare ready."
        ),
        evidence=(*quoted(events), fact("lines in 24 hours", lines)),
        level=steps(lines),
    )


CRC_WEEK: Final = Threshold(
    name="crc-per-week",
    value=1,
    unit="interface CRC errors within 7 days",
    source="common practice, no source: a sound link has none for months",
)
CRC_FAST: Final = Threshold(
    name="crc-per-day-fast",
    value=100,
    unit="interface CRC errors within 24 hours",
    source="our choice: a link that bad slows or drops the drive soon",
)
LINK_LINES: Final = Threshold(
    name="link-lines-per-day",
    value=3,
    unit="lines within 24 hours",
    source="our choice: one or two resets come with suspend and start-up",
)


def wire_or_backplane(look: Look) -> Found | None:
    """Find a link that loses data between drive and box."""
    rule = "wire-or-backplane"
    week = look.rise(Metric.INTERFACE_CRC_ERRORS, WEEK) or 0
    events = look.events(Category.LINK)
    lines = lines_of(events)
    counted = week >= max(look.limit(rule, CRC_WEEK), 1)
    logged = lines >= max(look.limit(rule, LINK_LINES), 1)
    if not (counted or logged):
        return None
    day = look.rise(Metric.INTERFACE_CRC_ERRORS, DAY) or 0
    fast = day >= max(look.limit(rule, CRC_FAST), 1)
    evidence = list(quoted(events))
    count = look.metrics.get(Metric.INTERFACE_CRC_ERRORS)
    if counted:
        trace = look.trace(Metric.INTERFACE_CRC_ERRORS)
        evidence.append(fact("interface CRC errors", count, trace))
    return Found(
        urgency=Urgency.TODAY if fast else Urgency.THIS_WEEK,
        sentence="Data is damaged on its way between the drive and the box; it is sent again.",
        next_step=wire_first(look),
        evidence=tuple(evidence),
        level=steps(max(week, lines)),
    )


LEAVES: Final = Threshold(
    name="leaves-per-day",
    value=1,
    unit="times within 24 hours",
    source="our choice: a fixed drive that left and is back has no innocent reason but hands",
)


def comes_and_goes(look: Look) -> Found | None:
    """Find a drive that left and is there again."""
    events = look.events(Category.GONE)
    drive = look.reading.identity.drive
    if not events or look.view is None or drive not in look.view.present:
        return None  # what vanished while it was asked has not come back
    if len(events) < max(look.limit("drive-comes-and-goes", LEAVES), 1):
        return None
    return Found(
        urgency=Urgency.THIS_WEEK,
        sentence="The drive left the box and came back.",
        next_step=wire_first(look),
        evidence=(*quoted(events), fact("times in 24 hours", len(events))),
        level=steps(len(events)),
    )


def drive_gone(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find drives that were there before and are not now, provided that we could look."""
    del tuning
    if DISCOVERY not in view.survey.answered:
        return  # we did not see the drives at all: blindness says so
    present = view.present
    for drive in sorted(view.past):
        past = view.past[drive]
        if not past.in_use or past.last_present is None or drive in present:
            continue
        vanished = [u for u in view.survey.unread if u.drive == drive and u.why is Unread.VANISHED]
        label = view.label_of(drive)
        away = max(view.now - past.last_present, timedelta(0))
        found = Found(
            urgency=Urgency.TODAY,
            sentence=f"The drive {label} is no longer there.",
            next_step=(
                f"Check cable, power and seat of {label} first. Touch no other drive: name, size "
                "and serial number must match. If it stays away, replace it; if you took it out "
                "for good, retire it."
            ),
            evidence=(
                fact("last there", f"{past.last_present:%Y-%m-%d %H:%M} UTC, {say_span(away)} ago"),
                *(fact(f"at {u.node}", u.detail) for u in vanished),
            ),
            level=1,
            is_there=False,
        )
        yield _with_its_pool(view, finding_about(view, "drive-gone", drive, found))


def _with_its_pool(view: View, finding: Finding) -> Finding:
    """Lay a drive that left together with its pool to that pool: it is one trouble."""
    here = {pool.pool for pool in view.survey.pools}
    drive = DriveId(finding.subject.key)
    homes = [
        past
        for key, past in sorted(view.pool_past.items())
        if key not in here and past.in_use and drive in {*past.drives, *past.lost}
    ]
    if finding.pool is not None or not homes:
        return finding
    home = homes[0]
    gone = home.kind.value in view.survey.answered
    how = "is no longer there" if gone else "cannot be seen"
    return replace(
        finding,
        pool=home.pool,
        sentence=f"{finding.sentence} It belongs to the pool {home.name}, which {how}.",
        next_step=step_when_gone(home.name) if gone else finding.next_step,
    )


SLOW_TIMES: Final = Threshold(
    name="times-the-median",
    value=3,
    unit="times the median wait of its siblings",
    source="our choice: members of one pool share its load evenly",
)
SLOW_LEAST: Final = Threshold(
    name="milliseconds",
    value=20,
    unit="milliseconds for each request",
    source="our choice: about two turns of a 7200 rpm drive and a seek; less is no trouble",
)
SIBLINGS_LEAST: Final = 3
"""Drives that must have told their wait, for a median to mean anything; our choice."""


UNEVEN: Final = frozenset(
    {WorkKind.FIRST_BUILD, WorkKind.REBUILD, WorkKind.RESHAPE, WorkKind.CONVERT, WorkKind.SYNC}
)
"""Work in which members of one pool have different things to do."""


def slower_than_siblings(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find members that take far longer for a request than their like in the same pool.

    Told only when the reading before was slow too: one slow moment has many reasons. Compared are
    members of one role and one medium, and not while the pool's work falls on them unevenly.
    """
    rule = "slower-than-its-siblings"
    metric = Metric.WAIT_MICROSECONDS
    for pool in view.survey.pools:
        if pool.work is not None and pool.work.kind in UNEVEN:
            continue
        roles = {drive: member.role for member in pool.members for drive in member.drives}
        readings = [r for d in sorted(pool.drives) if (r := view.reading(d)) is not None]
        waits = [(r, w) for r in readings if (w := r.metric(metric)) is not None]
        for reading, wait in waits:
            drive = reading.identity.drive
            target = view.target_of(drive)
            least = SLOW_LEAST.of(tuning, rule, target) * 1000
            if wait < least:
                continue
            siblings = [
                w
                for r, w in waits
                if r is not reading
                and r.identity.medium is reading.identity.medium
                and roles.get(r.identity.drive) is roles.get(drive)
            ]
            if len(siblings) < SIBLINGS_LEAST - 1:
                continue
            usual = median(siblings)
            limit = max(SLOW_TIMES.of(tuning, rule, target) * usual, least)
            past = view.past.get(drive)
            trace = past.trace(metric) if past is not None else None
            before = trace.points[-1][1] if trace is not None and trace.points else None
            if wait < limit or before is None or before < limit:
                continue
            found = Found(
                urgency=Urgency.NOTE,
                sentence="The drive takes much longer to answer than its siblings.",
                next_step=(
                    "Look at its counters and the kernel log, and check cable and cooling. A drive "
                    "that repeats its reads is often one that will fail; it also slows the pool."
                ),
                evidence=(
                    fact("wait for each request", f"{wait / 1000:.1f} ms"),
                    fact(f"median of {len(siblings)} siblings", f"{usual / 1000:.1f} ms"),
                ),
                level=steps(wait / max(usual, 1)),
            )
            yield finding_about(view, rule, drive, found)


RULES: Final = (
    Rule(
        name="log-says-media",
        kind=Kind.DRIVE,
        sentence="The system could not read or write some places on the drive.",
        reads=("kernel log, category medium",),
        thresholds=(MEDIA_LINES,),
        urgency="this week, more in a pool short of margin. Grows with every doubling of lines.",
        what_to_do="Check the backups and the drive's counters; scrub or self-test; have a spare.",
        usual_cause="One unreadable sector may be a lone weak spot; more mean a failing surface.",
        quiet_when="Lines of optical drives, cards and sticks, which belong to no watched drive.",
        sources=("Pinheiro, Weber, Barroso, FAST 2007 section 3.5.1",),
        check=per_drive("log-says-media", log_says_media, silent_too=True),
        sign=log_says_media,
        needs=Needs(logged=True),
    ),
    Rule(
        name="wire-or-backplane",
        kind=Kind.DRIVE,
        sentence="Data is damaged on its way between the drive and the box.",
        reads=(Metric.INTERFACE_CRC_ERRORS.value, "kernel log, category link"),
        thresholds=(CRC_WEEK, CRC_FAST, LINK_LINES),
        urgency="this week; today when it grows fast. Grows with every doubling.",
        what_to_do="The cable first, then the port, then the power, the drive last.",
        usual_cause="A cable, a plug or a backplane; hardly ever the drive.",
        quiet_when="At an old count that stands still, and for one or two resets at start-up.",
        sources=("smartctl_reports: about 1,900 of 65,336 drives carry a CRC count", PRACTICE),
        check=per_drive("wire-or-backplane", wire_or_backplane, silent_too=True),
        sign=wire_or_backplane,
        needs=Needs(counted=(Metric.INTERFACE_CRC_ERRORS,), logged=True),
    ),
    Rule(
        name="drive-comes-and-goes",
        kind=Kind.DRIVE,
        sentence="The drive left the box and came back.",
        reads=("kernel log, category gone",),
        thresholds=(LEAVES,),
        urgency="this week, more in a pool short of margin. Grows with every doubling.",
        what_to_do="The cable first, then power and backplane.",
        usual_cause="A loose plug or a weak power supply; a drive whose firmware restarts.",
        quiet_when="During announced maintenance, which silences what was announced.",
        sources=(PRACTICE,),
        check=per_drive("drive-comes-and-goes", comes_and_goes, silent_too=True),
        sign=comes_and_goes,
        needs=Needs(logged=True),
    ),
    Rule(
        name="drive-gone",
        kind=Kind.DRIVE,
        sentence="A drive is no longer there.",
        reads=("drives present", "drives seen before"),
        thresholds=(),
        urgency="today; now where its pool has lost its margin.",
        what_to_do="Check cable, power and seat, then replace it, or retire it if you took it out.",
        usual_cause="A cable or a plug, a dead drive, or a person who took it out.",
        quiet_when="Discovery did not answer, the owner retired the drive, its pool is whole with "
        "another in its place, or it is a spare that did not pass.",
        sources=(PRACTICE,),
        check=drive_gone,
    ),
    Rule(
        name="slower-than-its-siblings",
        kind=Kind.DRIVE,
        sentence="The drive takes much longer to answer than its siblings.",
        reads=("/sys/block/NAME/stat of the kernel: mean wait for a request since the last look",),
        thresholds=(SLOW_TIMES, SLOW_LEAST),
        urgency="to know, more in a pool short of margin. Grows with every doubling.",
        what_to_do="Look at its counters and the log; check cable and cooling.",
        usual_cause="A drive that repeats its reads, or one with another kind of recording.",
        quiet_when=(
            "At one slow reading, with fewer than three members alike to compare, with few "
            "requests, and during a rebuild and other work that falls on members unevenly."
        ),
        sources=(
            "the kernel's document block/stat.rst for the counters",
            "Gunawi and others, FAST 2018, on hardware that fails slowly (from memory)",
            "our choice, for the limits",
        ),
        check=slower_than_siblings,
    ),
)
