"""The written record of a recovery: times, drives, and what was lost; nothing, we hope."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from watcher.facts.pool import Protection
from watcher.facts.units import say_bytes, say_span
from watcher.recovery.record import STEP_WORDS, WAY, LostMember, Recovery, Stay, Step

Say = Callable[[datetime], str]

NOTHING_LOST = "Nothing, as far as surveys showed."


def state_of(recovery: Recovery) -> str:
    """Say in a few words where a recovery stands."""
    if recovery.closed_at is not None:
        return recovery.outcome.partition(":")[0].lower()
    if recovery.step is Step.VERIFY:
        return "whole, not yet verified"
    return STEP_WORDS[recovery.step]


def way_rows(recovery: Recovery, now: datetime, say: Say) -> tuple[tuple[str, str, str], ...]:
    """Give a row for each step of the way: its name, when, and on what evidence it was entered.

    A step that was skipped says so; of one that was entered more than once the last stay counts.
    """
    rows = []
    at = WAY.index(recovery.step)
    for place, step in enumerate(WAY):
        stay = next((s for s in reversed(recovery.stays) if s.step is step), None)
        if stay is None or (place > at and stay.left_at is not None):
            when = "to come" if place > at and recovery.is_open else "skipped"
            rows.append((STEP_WORDS[step], when, ""))
            continue
        rows.append((STEP_WORDS[step], _when(stay, recovery, now, say), "; ".join(stay.entered_on)))
    return tuple(rows)


def _when(stay: Stay, recovery: Recovery, now: datetime, say: Say) -> str:
    """Say when a step was, or since when it is."""
    if stay.step is Step.WHOLE:
        return say(stay.entered_at)
    if stay.left_at is not None:
        stayed = stay.left_at - stay.entered_at
        return say(stay.entered_at) + (f", {say_span(stayed)}" if stayed >= _AT_ONCE else "")
    if recovery.closed_at is not None:
        return f"{say(stay.entered_at)}, not finished"
    here = now - stay.entered_at
    return f"here since {say(stay.entered_at)}" + (
        f", {say_span(here)}" if here >= _AT_ONCE else ""
    )


_AT_ONCE: Final = timedelta(minutes=1)
"""A shorter stay or span is not worth a number."""


def bare_sentence(recovery: Recovery, now: datetime) -> str:
    """Say how long the pool has been without any margin."""
    bare = recovery.bare_for(now)
    if recovery.bare_since is not None:
        if bare < _AT_ONCE:
            return "Without any margin, since just now."
        return f"Without any margin now, for {say_span(bare)} so far."
    if bare > timedelta(0):
        return f"Without any margin for {say_span(bare)} altogether."
    if recovery.worst is Protection.WHOLE:
        return "The margin was full all the time."
    return "It kept some margin all the time."


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the written record: a heading and its rows, each of the same number of cells."""

    heading: str
    rows: tuple[tuple[str, ...], ...]


def written(recovery: Recovery, now: datetime, say: Say) -> Iterator[Section]:
    """Give the written record in sections."""
    rows = [("began", say(recovery.opened_at))]
    if recovery.closed_at is not None:
        lasted = say_span(recovery.closed_at - recovery.opened_at)
        rows += [
            ("ended", f"{say(recovery.closed_at)}, after {lasted}"),
            ("outcome", recovery.outcome),
        ]
    else:
        rows.append(("ended", f"not yet: {state_of(recovery)}"))
    rows += [
        ("margin", bare_sentence(recovery, now)),
        ("lost", " ".join(recovery.harm) or NOTHING_LOST),
    ]
    yield Section(
        heading=f"Record of a recovery: {recovery.name} ({recovery.kind.value})", rows=tuple(rows)
    )
    drives = tuple(_drives(recovery, say))
    if drives:
        yield Section(heading="Drives", rows=drives)
    yield Section(
        heading="The way",
        rows=tuple(
            (say(stay.entered_at), STEP_WORDS[stay.step], "; ".join(stay.entered_on))
            for stay in recovery.stays
        ),
    )
    if recovery.detours:
        yield Section(
            heading="What came in between",
            rows=tuple(
                (
                    say(detour.began_at),
                    f"until {say(detour.over_at)}" if detour.over_at is not None else "still",
                    detour.text,
                )
                for detour in recovery.detours
            ),
        )


def _drives(recovery: Recovery, say: Say) -> Iterator[tuple[str, str, str]]:
    """Give the drives that went and came."""
    for lost in recovery.lost:
        word = "pulled" if lost.by_hand else "out"
        yield word, say(lost.since), _say_lost(lost, say)
    for drive in recovery.tried:
        yield "died", "", f"{drive}: a replacement that did not last"
    for label in recovery.filled:
        yield "in", "", label
    if recovery.new_drive is not None:
        yield "in", "", f"{recovery.new_label} [{recovery.new_drive}]"


def _say_lost(lost: LostMember, say: Say) -> str:
    """Say one lost member."""
    words = lost.where
    if lost.drive is not None and str(lost.drive) not in words:
        words += f" [{lost.drive}]"
    if lost.drive_bytes is not None:
        words += (
            f", {say_bytes(lost.drive_bytes)}" if say_bytes(lost.drive_bytes) not in words else ""
        )
    how = "to be replaced" if lost.planned else lost.said
    back = f"; made good {say(lost.back_at)}" if lost.back_at is not None else ""
    return f"{words}: {how}{back}"


def as_data(recovery: Recovery, now: datetime) -> dict[str, Any]:
    """Give a recovery for programs."""
    return {
        "pool": recovery.pool,
        "name": recovery.name,
        "kind": recovery.kind.value,
        "opened_at": recovery.opened_at.isoformat(),
        "closed_at": _iso(recovery.closed_at),
        "outcome": recovery.outcome,
        "step": recovery.step.value,
        "verified": recovery.step is Step.WHOLE and recovery.whole_since is not None,
        "whole_since": _iso(recovery.whole_since),
        "planned": recovery.is_planned,
        "seconds_without_margin": recovery.bare_for(now).total_seconds(),
        "without_margin_since": _iso(recovery.bare_since),
        "lost": [
            {
                "member": m.name,
                "drive": m.drive,
                "label": m.label,
                "role": m.role.value,
                "since": m.since.isoformat(),
                "made_good_at": _iso(m.back_at),
                "planned": m.planned,
            }
            for m in recovery.lost
        ],
        "new_drives_before": list(recovery.filled),
        "new_drive": recovery.new_drive,
        "new_label": recovery.new_label,
        "replacements_that_died": list(recovery.tried),
        "way": [
            {
                "step": s.step.value,
                "entered_at": s.entered_at.isoformat(),
                "entered_on": list(s.entered_on),
                "left_at": _iso(s.left_at),
                "left_on": list(s.left_on),
            }
            for s in recovery.stays
        ],
        "detours": [
            {
                "kind": d.kind.value,
                "began_at": d.began_at.isoformat(),
                "over_at": _iso(d.over_at),
                "text": d.text,
            }
            for d in recovery.detours
        ],
        "what_was_lost": list(recovery.harm),
    }


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
