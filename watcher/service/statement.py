"""A statement about one drive on the bench: its past and its present, for the client to take along.

Facts, what they come to by the rules, what was not tested, and cautions; never a promise. Whose
boxes a drive sat in before is nobody's business but theirs: the statement names only boxes of the
client it is made for. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from watcher.facts.drive import (
    DrivePast,
    DriveReading,
    DriveUnread,
    Metric,
    Protocol,
    Trace,
    Verdict,
)
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId, about_drive
from watcher.facts.survey import Survey
from watcher.facts.units import say_bytes, say_count, say_percent, say_span
from watcher.rules.catalogue import judge
from watcher.rules.look import Look, looks
from watcher.rules.risk import HOURS_PER_YEAR
from watcher.rules.tuning import Tuning
from watcher.rules.view import View
from watcher.service.bench import WORTH_TELLING, PastHere

STALE: Final = timedelta(hours=1)
"""A reading that is older than that is dated; our choice: on a bench, now is within the hour."""

NOT_TESTED: Final = (
    (
        "The surface: nothing was written or read from end to end. Only a burn-in does that, "
        "and it erases the drive."
    ),
    "The drive under load, at other temperatures, on other cables or in another box.",
    "What is on it: no file was opened, and nothing was erased.",
    "Whether its firmware is known to need an update: ask the maker with model and version.",
)

CAUTIONS: Final = (
    (
        "Three or four in ten drives fail with no sign before. Nothing here is a promise that this "
        "one will last, or that it will fail."
    ),
    "Copy what cannot be got again elsewhere before anything else is done with it.",
    (
        "A drive with signs of damage is not for the only copy of anything, however long it still "
        "runs."
    ),
    (
        "For data that matters and cannot be read any more, switch the drive off and ask a "
        "professional recovery service: each try can make it worse."
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the statement."""

    title: str
    rows: tuple[tuple[str, str], ...] = ()  # what, and its value
    lines: tuple[str, ...] = ()  # sentences


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """One page about one drive."""

    title: str
    made_at: datetime
    client: str
    origin: str  # how the drive was looked at, a sentence
    comes_to: str  # the whole in a sentence
    sections: tuple[Section, ...]


def state(
    reading: DriveReading | DriveUnread | None,
    past: PastHere | None,
    *,
    origin: str,
    client: str,
    tuning: Tuning,
    now: datetime,
) -> Statement:
    """Make the statement. Raises ValueError when there is nothing at all to make it from.

    ``reading`` is what the drive said on the bench; without it the last one of the past is taken
    and dated. A drive that gave no reading is said to have given none, whatever its past.
    """
    told = reading if isinstance(reading, DriveReading) else None
    if told is None and reading is None and past is not None:
        told = past.last
    if told is None and past is None and reading is None:
        raise ValueError("nothing is known of this drive")
    identity = told.identity if told is not None else None
    if identity is None and past is not None:
        identity = past.stays[-1].known.identity
    look, findings = _judged(told, past, tuning) if told is not None else (None, ())
    sections = [
        _present(reading, told, now),
        _past(past, client),
        Section(title="What that comes to", lines=_findings(look, findings)),
        Section(title="What was not tested", lines=(*_tests(told), *NOT_TESTED)),
        Section(title="Cautions", lines=CAUTIONS),
    ]
    name = "A drive"
    facts: tuple[tuple[str, str], ...] = ()
    if identity is not None:
        name = (
            f"{identity.model or 'Drive of unknown model'}, serial {identity.serial or 'unknown'}"
        )
        facts = (
            ("size", say_bytes(identity.capacity_bytes)),
            ("firmware", identity.firmware or "not known"),
            ("kind", _kind(identity.protocol, identity.rotation_rpm)),
        )
    told_sections = (Section(title="The drive", rows=facts), *sections)
    return Statement(
        title=name,
        made_at=now,
        client=client,
        origin=origin,
        comes_to=_comes_to(reading, told, look, findings),
        sections=tuple(one for one in told_sections if one.rows or one.lines),
    )


def _kind(protocol: Protocol, rpm: int | None) -> str:
    turns = f", {rpm} turns a minute" if rpm else ""
    return ("kind not known" if protocol is Protocol.UNKNOWN else protocol.value.upper()) + turns


_HABITS: Final = frozenset({"self-test-overdue"})
"""What is about how a drive was looked after, and told under what was not tested."""


def _judged(
    told: DriveReading, past: PastHere | None, tuning: Tuning
) -> tuple[Look | None, tuple[Finding, ...]]:
    """Let the rules speak about the drive alone, as of when it was read."""
    who, now = told.identity, told.observed_at
    before = {}
    if past is not None:
        before[who.drive] = DrivePast(
            identity=who,
            first_seen=past.first_seen,
            last_read=past.last_read,
            last_present=past.last_read,
            traces=tuple(upto for t in past.traces if (upto := _upto(t, now)) is not None),
        )
    survey = Survey(survey="bench", box=BoxId("the bench"), taken_at=now, drives=(told,))
    view = View(survey=survey, now=now, past=before)
    about = about_drive(who.drive)
    found = tuple(f for f in judge(view, tuning) if f.subject == about and f.rule not in _HABITS)
    return next(iter(looks(view, tuning)), None), found


def _upto(trace: Trace, moment: datetime) -> Trace | None:
    """Give what a trace was up to a moment; None when there was nothing yet."""
    points = tuple(point for point in trace.points if point[0] <= moment)
    return Trace(metric=trace.metric, points=points) if points else None


def _present(
    reading: DriveReading | DriveUnread | None, told: DriveReading | None, now: datetime
) -> Section:
    title = "What it says now"
    if isinstance(reading, DriveUnread):
        told_why = f"It could not be read: {reading.detail} Nothing is concluded from that."
        return Section(title=title, lines=(told_why,))
    if told is None:
        return Section(title=title, lines=("It was not read, and no reading of it is kept.",))
    rows: list[tuple[str, str]] = []
    if reading is None or now - told.observed_at > STALE:
        title = "What it said last"
        ago = say_span(now - told.observed_at)
        rows.append(("as of", f"{told.observed_at:%d %b %Y %H:%M} UTC, {ago} ago"))
    rows.append(("its own verdict", _VERDICT[told.verdict]))
    hours = told.metric(Metric.POWER_ON_HOURS)
    if hours is not None:
        years = hours / HOURS_PER_YEAR
        rows.append(("hours run", f"{hours:,}" + (f" ({years:.1f} years)" if years >= 0.1 else "")))
    rows += [
        (metric.value.replace("-", " "), f"{value:,}")
        for metric in WORTH_TELLING
        if (value := told.metric(metric)) is not None
    ]
    for metric, words in (
        (Metric.TEMPERATURE_CELSIUS, "temperature"),
        (Metric.TEMPERATURE_HIGHEST_CELSIUS, "highest ever"),
    ):
        value = told.metric(metric)
        if value is not None:
            rows.append((words, f"{value} °C"))
    lines = tuple(f"Odd in its answer: {doubt}" for doubt in told.doubts[:3])
    return Section(title=title, rows=tuple(rows), lines=lines)


_VERDICT: Final = {
    Verdict.PASSED: "passed (it says so itself; many drives that fail say so to the end)",
    Verdict.FAILING: "failing",
    Verdict.UNKNOWN: "not told",
}


def _past(past: PastHere | None, client: str) -> Section:
    title = "What its past here tells"
    if past is None:
        never = "It was never seen here before: nothing is known of its past."
        return Section(title=title, lines=(never,))
    rows = [
        ("seen here first", f"{past.first_seen:%d %b %Y}"),
        ("days on which it was read", f"{past.days_read:,}"),
    ]
    where = [
        f"{stay.box}" if client and stay.client == client else "a box that is not named here"
        for stay in past.stays
    ]
    rows.append(("where", ", ".join(dict.fromkeys(where))))
    for trace in past.traces:
        if trace.metric is Metric.POWER_ON_HOURS:
            continue
        first, last = trace.points[0], trace.points[-1]
        if last[1] != first[1]:
            rows.append(
                (
                    trace.metric.value.replace("-", " "),
                    f"from {first[1]:,} ({first[0]:%d %b %Y}) to {last[1]:,} ({last[0]:%d %b %Y})",
                )
            )
    lines = []
    if past.events:
        kinds = Counter(event.category.value for event in past.events)
        told = ", ".join(f"{kind} {count}" for kind, count in kinds.most_common())
        lines.append(f"What kernels said about it, by kind: {told}.")
    return Section(title=title, rows=tuple(rows), lines=tuple(lines))


def _findings(look: Look | None, findings: Sequence[Finding]) -> tuple[str, ...]:
    if look is None:
        return ("Nothing can be said: it was not read.",)
    told = [finding.sentence for finding in _in_order(findings)]
    chance = look.chance
    told.append(
        f"Of drives like it, {_about(chance.p)} fail within 30 days "
        f"({say_percent(chance.low)} to {say_percent(chance.high)}): a share among many, not a "
        "forecast of this one."
    )
    return tuple(told) if findings else ("No sign was found in what was read.", *told)


def _about(share: float) -> str:
    said = say_percent(share)
    return said if said.startswith(("under", "over")) else f"about {said}"


def _in_order(findings: Sequence[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda f: (-f.urgency.rank, f.rule))


def _tests(told: DriveReading | None) -> tuple[str, ...]:
    """Say what the drive's own self-tests cover, and what they do not."""
    if told is None:
        return ()
    long = [test for test in told.self_tests if test.is_full]
    done = next((test for test in long if test.passed is not None), None)
    if done is None:
        return ("A full self-test: none is in its log.",)
    hours = told.metric(Metric.POWER_ON_HOURS)
    when = "at a time it does not tell"
    if done.power_on_hours is not None and hours is not None:
        when = f"{(hours - done.power_on_hours) % 65536:,} running hours ago"
    outcome = "passed" if done.passed else "failed"
    return (f"Anything since its last full self-test, which {outcome} {when}.",)


def _comes_to(
    reading: DriveReading | DriveUnread | None,
    told: DriveReading | None,
    look: Look | None,
    findings: Sequence[Finding],
) -> str:
    if told is None or look is None:
        return (
            "It could not be read: nothing can be said about its state."
            if isinstance(reading, DriveUnread)
            else "It was not read: nothing can be said about its state."
        )
    weighty = [f for f in findings if f.urgency > Urgency.NOTE]
    when = "" if reading is not None else " when it was read last"
    if weighty:
        return (
            f"{say_count(len(weighty), 'sign')} that somebody should act on "
            f"{'was' if len(weighty) == 1 else 'were'} found{when}."
        )
    if findings:
        return f"Nothing that calls for action was found{when}; some things are worth knowing."
    what = "reports" if reading is not None else "reported when it was read last"
    return f"No sign was found in what it {what}. That is not a promise."
