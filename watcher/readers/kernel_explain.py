"""Reads a saved kernel log and says in plain words what it tells.

Every kind of event has its meaning and its advice here, in one table, keyed by ``what``. The
verdict on a whole excerpt is the category that matters most in it: causes before their effects,
firm evidence before mere signs, ``noise`` when nothing in it touches a drive or a pool.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from watcher.facts.kernel_event import Category
from watcher.facts.units import say_count
from watcher.readers.kernel_lines.setting import Line, disk_of
from watcher.readers.kernel_lines.story import Story, Told
from watcher.readers.kernel_prefix import Dating, read_line
from watcher.readers.kernel_texts import NO_TEXT, TEXTS

MOST_SHOWN = 500
"""Different events shown of one log. Our choice: more than anyone reads; the rest is counted."""

GAVE_UP = frozenset({"offlined", "removed-after-failure", "port-gave-up"})
"""The kernel let go of a device after its resets failed: that tells of timeouts and power, not of
a hand that pulled it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """One thing the log tells, with what it means."""

    at: datetime | None  # of the first line; None when the log has no dates
    since_boot: float | None  # seconds, when the log has them
    category: Category
    device: str  # as the kernel named it, "" when it named none
    what: str
    means: str
    do: str
    line: str  # the first line
    count: int  # happenings told alike
    last_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """A whole log explained."""

    events: tuple[Explained, ...]  # in the order of their first lines
    verdict: Category
    lines: int  # kernel lines read
    left_out: int  # different events beyond the limit, counted only


def verdict_of(told: Iterable[Told]) -> Category:
    """Give the category that matters most."""
    firm: set[Category] = set()
    signs: set[Category] = set()
    gave_up = False
    for one in told:
        (signs if one.meaning.weak else firm).add(one.meaning.category)
        gave_up = gave_up or one.meaning.what in GAVE_UP
    if gave_up:
        firm.add(Category.CONTROLLER)
    firm.discard(Category.NOISE)
    signs.discard(Category.NOISE)
    if not firm:
        return _worst(signs)
    if (
        firm == {Category.GONE} and Category.POOL not in signs
    ):  # signs of trouble before a departure tell its cause
        return _worst(signs & {Category.CONTROLLER, Category.LINK} or firm)
    worst = _worst(firm)
    if worst is Category.GONE and Category.POOL in signs:
        return Category.POOL  # who left was a member
    if worst in {Category.GONE, Category.CONTROLLER}:
        # a link error makes timeouts, resets and departures, never the other way round
        if Category.LINK in firm:
            return Category.LINK
        if Category.CONTROLLER in firm:
            return Category.CONTROLLER
    return worst


def _worst(found: Iterable[Category]) -> Category:
    order = tuple(Category)
    return min(found, key=order.index, default=Category.NOISE)


def read_lines(text: str, dating: Dating) -> list[Line]:
    """Take the prefixes off the lines of a saved log; lines of other programs are left out."""
    read = (read_line(raw, dating) for raw in text.splitlines())
    return [line for line in read if line is not None]


def explain(text: str, dating: Dating) -> Explanation:
    """Explain a saved kernel log of any form; never raises, whatever the text is."""
    lines = read_lines(text, dating)
    told = Story().read(lines)
    events: dict[tuple[str, str, str], Explained] = {}
    beyond: set[tuple[str, str, str]] = set()
    for one in told:
        key = (one.meaning.category.value, one.meaning.what, disk_of(one.meaning.device))
        before = events.get(key)
        if before is not None:
            events[key] = _again(before, one)
        elif len(events) < MOST_SHOWN:
            events[key] = _first(one)
        else:
            beyond.add(key)
    return Explanation(
        events=tuple(events.values()),
        verdict=verdict_of(told),
        lines=len(lines),
        left_out=len(beyond),
    )


def _first(one: Told) -> Explained:
    words = TEXTS.get(one.meaning.what, NO_TEXT)
    return Explained(
        at=one.line.at,
        since_boot=one.line.since_boot,
        category=one.meaning.category,
        device=one.meaning.device,
        what=one.meaning.what,
        means=words.means,
        do=words.do,
        line=one.line.text,
        count=1,
        last_at=None,
    )


def _again(before: Explained, one: Told) -> Explained:
    return Explained(
        at=before.at,
        since_boot=before.since_boot,
        category=before.category,
        device=before.device,
        what=before.what,
        means=before.means,
        do=before.do,
        line=before.line,
        count=before.count + one.adds,
        last_at=one.line.at or before.last_at,
    )


def _time_of(event: Explained) -> str:
    if event.at is not None:
        return event.at.strftime("%Y-%m-%d %H:%M:%S")
    if event.since_boot is not None:
        return f"{event.since_boot:.0f} s after start"
    return "no time given"


VERDICT_WORDS = {
    Category.MEDIUM: "A drive could not read or keep data.",
    Category.POOL: "A pool lost a member or changed its state.",
    Category.GONE: "A device left.",
    Category.FILESYSTEM: "A filesystem found damage or stopped.",
    Category.CONTROLLER: "A drive or its controller did not answer; power belongs to the suspects.",
    Category.LINK: "The connection to a drive is at fault: cable, connector or backplane.",
    Category.NOISE: "Nothing here touches a drive of a pool.",
}


def to_text(explanation: Explanation, *, all_events: bool = False) -> str:
    """Say it for a person; noise is only counted unless ``all_events`` asks for it."""
    parts: list[str] = []
    harmless = 0
    for event in explanation.events:
        if event.category is Category.NOISE and not all_events:
            harmless += event.count
            continue
        times = f", {event.count} times" if event.count > 1 else ""
        parts.append(
            f"{_time_of(event)}  {event.category.value}  {event.device or '-'}{times}\n"
            f"  line    {event.line.splitlines()[0][:160]}\n"
            f"  means   {event.means}\n"
            f"  do      {event.do}\n"
        )
    if harmless:
        parts.append(f"Harmless messages about storage: {harmless}.\n")
    if explanation.left_out:
        parts.append(f"Different events not shown: {explanation.left_out}.\n")
    if not explanation.events:
        lines = say_count(explanation.lines, "line")
        parts.append(f"{lines} read; nothing in them about storage that is known here.\n")
    parts.append(f"Verdict: {explanation.verdict.value}. {VERDICT_WORDS[explanation.verdict]}\n")
    return "\n".join(parts)


def to_json_lines(explanation: Explanation) -> str:
    """Give one JSON object per event and a last one with the verdict."""
    rows = [
        json.dumps(
            {
                "time": event.at.isoformat() if event.at else None,
                "since_boot": event.since_boot,
                "category": event.category.value,
                "subject": event.device,
                "what": event.what,
                "means": event.means,
                "do": event.do,
                "count": event.count,
                "last": event.last_at.isoformat() if event.last_at else None,
                "line": event.line,
            },
            ensure_ascii=False,
        )
        for event in explanation.events
    ]
    rows.append(json.dumps({"verdict": explanation.verdict.value}))
    return "\n".join(rows) + "\n"
