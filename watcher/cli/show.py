"""What a person sees of a survey: pools by their margin first, then drives, then what is hidden."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo

from watcher.cli.columns import clean, columns, columns_by_row, fold, width_of
from watcher.facts.drive import DriveReading, DriveUnread, Metric, Unread, Verdict
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import SubjectKind
from watcher.facts.pool import MemberState, Pool, Protection, Work, WorkState
from watcher.facts.standing import as_borne
from watcher.facts.survey import Survey
from watcher.facts.units import capital, say_bytes, say_count, say_done
from watcher.rules.alike import alike, place_of
from watcher.rules.risk import HOURS_PER_YEAR
from watcher.rules.signs_said import NO_SIGN, signs_said
from watcher.rules.view import View, say_bay

URGENCY_WORDS = {
    Urgency.NOW: "now",
    Urgency.TODAY: "today",
    Urgency.THIS_WEEK: "this week",
    Urgency.NOTE: "to know",
}

_BLOCKS_MOST = 6  # a margin of more is written as a number only


def draw_margin(margin: int | None, full: int | None) -> str:
    """Draw a margin as whole blocks: what is left filled, what is lost empty."""
    if margin is None or full is None:
        return "?  not known"
    if full == 0:
        return "none by design"
    blocks = "■ " * margin + "□ " * (full - margin) if full <= _BLOCKS_MOST else ""
    return f"{blocks} {margin} of {full}".strip()


def say_work(work: Work, now: datetime, zone: tzinfo) -> str:
    """Say what a pool is busy with; a finishing time only where a rate is known."""
    words = work.kind.value.replace("-", " ")
    if work.state is WorkState.WAITING:
        words += " waits"
    elif work.state is WorkState.PAUSED:
        words += " is halted"
    if work.done_fraction is not None:
        words += f", {say_done(work.done_fraction)} done"
    rate, total, done = work.rate_bytes_per_second, work.total_bytes, work.done_bytes
    if rate:
        words += f" at {say_bytes(rate)}/s"
        if total is not None and done is not None and total > done:
            words += _say_finish((total - done) / rate, now, zone)
    return words


def _say_finish(seconds: float, now: datetime, zone: tzinfo) -> str:
    """Say when work is through at its rate: with the day where the weekday alone would mislead."""
    if seconds > _TOLD_UP_TO.total_seconds():
        return ""
    left = timedelta(seconds=seconds)
    finish = (now + left).astimezone(zone)
    form = "%a %H:%M" if left < _WITHIN_DAYS else "%a %d %b %Y"
    return f", at this rate until {finish:{form}}"


_WITHIN_DAYS = timedelta(days=6)  # a weekday names one day only
_TOLD_UP_TO = timedelta(days=366)  # slower has not begun in earnest: its rate says nothing


def _pool_rows(survey: Survey, zone: tzinfo) -> list[list[str]]:
    """Give a row for each pool."""
    return [
        [
            pool.name,
            f"{pool.kind.value} {pool.layout}",
            draw_margin(pool.margin, pool.full_margin),
            pool.protection.value,
            _pool_says(pool, survey.taken_at, zone),
        ]
        for pool in sorted(
            (as_borne(one, survey.pools) for one in survey.pools),
            key=lambda p: (-_RANK[p.protection], p.name),
        )
    ]


_RANK = {
    Protection.BROKEN: 4,
    Protection.BARE: 3,
    Protection.UNKNOWN: 2,
    Protection.THINNED: 1,
    Protection.WHOLE: 0,
}


def _pool_says(pool: Pool, now: datetime, zone: tzinfo) -> str:
    """Say what goes on in a pool in a line."""
    parts = []
    if pool.work is not None:
        parts.append(say_work(pool.work, now, zone))
    parts.extend(note.text.rstrip(".") for note in pool.notes[:2])
    if not parts:
        states = [member.state for member in pool.members]
        here = sum(state not in _AWAY for state in states)
        of = f"{here} of " if here < len(states) else ""
        parts.append(f"{of}{say_count(len(states), 'member')}, {say_bytes(pool.capacity_bytes)}")
    return "; ".join(parts)


_AWAY = {MemberState.FAILED, MemberState.MISSING, MemberState.OFFLINE, MemberState.UNKNOWN}


def _age(reading: DriveReading) -> str:
    """Say how long a drive has run."""
    hours = reading.metric(Metric.POWER_ON_HOURS)
    if hours is None:
        return ""
    if hours < HOURS_PER_YEAR / 2:
        return f"ran {say_span_of_hours(hours)}"
    return f"ran {hours / HOURS_PER_YEAR:.1f} years"


def say_span_of_hours(hours: int) -> str:
    """Say a count of hours as a person would."""
    return f"{hours} h" if hours < 48 else f"{hours // 24} days"


def _drive_row(view: View, reading: DriveReading, findings: tuple[Finding, ...]) -> list[str]:
    """Give the row of a drive that was read."""
    who = reading.identity
    about = [f for f in findings if f.subject.kind is SubjectKind.DRIVE]
    says = signs_said(f for f in about if f.subject.key == who.drive)
    temperature = reading.metric(Metric.TEMPERATURE_CELSIUS)
    if says == NO_SIGN and reading.verdict is Verdict.UNKNOWN:
        says = "no verdict on itself"
    bay = view.bay_of(who.drive)
    return [
        say_bay(bay) if bay else "",
        who.model or "model unknown",
        say_bytes(who.capacity_bytes),
        who.serial or "no serial",
        reading.node.removeprefix("/dev/"),
        f"{temperature} °C" if temperature is not None else "",
        _age(reading),
        says,
    ]


_WHY = {
    Unread.FORBIDDEN: "may not be asked",
    Unread.VANISHED: "does not answer",
    Unread.ASLEEP: "asleep, left asleep",
    Unread.HUNG: "hangs",
    Unread.GARBLED: "gives an answer that cannot be read",
    Unread.TOOL_MISSING: "cannot be asked without smartctl",
    Unread.NO_SMART: "blind: reports no SMART",
    Unread.NOT_YET: "no answer yet",
}


def _unread_row(unread: DriveUnread) -> list[str]:
    """Give the row of a drive that gave no reading."""
    return [
        say_bay(unread.bay) if unread.bay else "",
        unread.model or "model unknown",
        say_bytes(unread.capacity_bytes),
        unread.serial or "no serial",
        unread.node.removeprefix("/dev/"),
        "",
        "",
        _WHY[unread.why],
    ]


def in_order(bay: str) -> list[tuple[int, str]]:
    """Give the key by which bays stand in the order of their numbers."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in _DIGITS.split(bay)]


_DIGITS = re.compile(r"(\d+)")


def _drive_lines(rows: list[list[str]], width: int) -> list[str]:
    """Lay out the drives: a line for each, or two where the terminal is too narrow for that.

    What finds a drive in the box (bay, size, serial number, node) stays in its first line.
    """
    besides = max(map(width_of, columns([row[:-1] for row in rows], total=_ANY)), default=0)
    longest = max((width_of(row[-1]) for row in rows), default=0)
    if besides + 2 + min(_SIGNS, longest) <= width:
        return columns(rows, total=width)
    finds = columns_by_row(
        [[bay, size, serial, node, says] for bay, _, size, serial, node, _, _, says in rows],
        total=width,
    )
    lines = []
    for found, (_, model, _, _, _, temperature, age, _) in zip(finds, rows, strict=True):
        about = ", ".join(filter(None, (model, temperature, age)))
        lines += [*found, f"    {clean(about)}"]
    return lines


_SIGNS = 24  # columns for what a drive's signs say, beside all the rest
_ANY = 10_000  # more columns than any terminal has


def _hidden(survey: Survey, width: int) -> list[str]:
    """Say what could not be seen, why, and what to do about it."""
    rows = [
        [unread.node.removeprefix("/dev/"), unread.detail]
        for unread in survey.unread
        if unread.why is not Unread.ASLEEP
    ]
    for blind in survey.blind_to_tell:
        text = blind.detail.rstrip(".") + "."
        if blind.remedy:
            text += f" {capital(blind.remedy).rstrip('.')}."
        rows.append([blind.source.replace("-", " "), text])
    return columns(rows, total=width)


def show_findings(findings: tuple[Finding, ...], width: int) -> list[str]:
    """Say what holds and what to do next, most urgent first."""
    lines: list[str] = []
    for some in alike(findings):
        first = some[0]
        word = URGENCY_WORDS[first.urgency]
        if len(some) <= _NAMED_ONE_BY_ONE:
            abouts = [_with_its_place(one) for one in some]
        else:
            places = ", ".join(place_of(one.label) for one in some)
            abouts = [f"{first.sentence} So it is with {len(some)}: {places}."]
        for about in abouts:
            folded = fold(clean(about), max(width - 13, 24))
            lines.append(f"  {word:<9}  {folded[0]}")
            lines.extend(f"             {more}" for more in folded[1:])
        for i, line in enumerate(fold(clean(first.next_step), max(width - 19, 24))):
            lines.append(f"             {'next: ' if i == 0 else '      '}{line}")
    return lines


_NAMED_ONE_BY_ONE = 2  # more drives with the same trouble and the same next step share a line


def _with_its_place(finding: Finding) -> str:
    """Say what was found, with the place where it is, once."""
    where, what = finding.label, finding.sentence
    return what if where in what else f"{where}: {what}"


def show_survey(
    view: View, findings: tuple[Finding, ...], *, zone: tzinfo, width: int = 100
) -> str:
    """Lay out a whole survey for a person at a terminal."""
    survey = view.survey
    local = survey.taken_at.astimezone(zone)
    lines = [f"{clean(survey.box)}, {local:%A %d %B %Y, %H:%M}", ""]
    lines.append("Pools: how many more drives each can lose")
    pools = columns(_pool_rows(survey, zone), total=width)
    none = (
        "none that can be seen" if survey.hides_pools else "none: no redundancy here that we know"
    )
    lines += pools or [f"  {none}"]
    lines += ["", "Drives"]
    rows = [_drive_row(view, reading, findings) for reading in survey.drives]
    rows += [_unread_row(unread) for unread in survey.unread]
    if all(row[0] for row in rows):
        rows.sort(key=lambda row: in_order(row[0]))
    lines += _drive_lines(rows, width) or ["  none were found"]
    hidden = _hidden(survey, width)
    if hidden:
        lines += ["", "What cannot be seen", *hidden]
    if survey.doubts:
        lines += ["", "What may be missing"]
        lines += [f"  {x}" for text in survey.doubts for x in fold(clean(text), width - 2)]
    lines.append("")
    if findings:
        lines += ["What there is to do", *show_findings(findings, width)]
    else:
        lines += fold(_NOTHING, width)
    return "\n".join(lines)


_NOTHING = "Nothing to do that we know of. Many drives fail without any sign before."
