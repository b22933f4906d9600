"""Small pieces of the text on a phone: times as a person says them, text that is cut to fit."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime, timedelta, tzinfo

from watcher.facts.finding import Urgency

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

WHEN = {
    Urgency.NOW: "Now",
    Urgency.TODAY: "Today",
    Urgency.THIS_WEEK: "This week",
    Urgency.NOTE: "Note",
}
"""How soon a person must act, as a message begins."""


def clean(text: str) -> str:
    """Give the text on one line, without control, direction and unassigned characters."""
    line = " ".join(text.split())
    return "".join(c for c in line if not unicodedata.category(c).startswith("C"))


def cut(text: str, longest: int) -> str:
    """Give the text on one line with at most ``longest`` characters, cut at a word."""
    line = clean(text)
    if len(line) <= longest:
        return line
    head = line[: max(longest - 1, 0)]
    at_word = head.rpartition(" ")[0]
    if len(at_word) * 2 >= len(head):
        head = at_word
    return (head.rstrip(" ,;:.(") + "…")[:longest]


_SENTENCE_END = re.compile(r"(?<=[.!?]) (?=[A-Z0-9“])")

_BELONGS = re.compile(r" It belongs to the pool .*?\.(?= |$)")  # a pool's name may hold a dot


def gist(sentence: str) -> str:
    """Give a finding's sentence without how its pool stands: a line of its own says that."""
    line = clean(sentence)
    return _BELONGS.sub("", line) or line


def whole_sentences(text: str, longest: int) -> str:
    """Give as many whole sentences as fit; when not even one does, it is cut at a word."""
    line = clean(text)
    if len(line) <= longest:
        return line
    kept = ""
    for sentence in _SENTENCE_END.split(line):
        longer = f"{kept} {sentence}".strip()
        if len(longer) > longest:
            break
        kept = longer
    return kept or cut(line, longest)


def split_at(text: str, longest: int) -> tuple[str, str]:
    """Give what fits into ``longest`` characters, and the rest; cut between sentences or words.

    The first part ends with ``…`` and the rest begins with it when a sentence was cut.
    """
    line = clean(text)
    if len(line) <= longest:
        return line, ""
    whole = whole_sentences(line, longest)
    if line.startswith(f"{whole} "):
        return whole, line[len(whole) + 1 :]
    head = line[: longest - 1]
    at_word = head.rpartition(" ")[0]
    if len(at_word) * 2 >= len(head):
        head = at_word
    return head.rstrip() + "…", "…" + line[len(head) :].strip()


def short_label(label: str) -> str:
    """Give the part of a label that a person says: ``bay 3`` of ``bay 3 (Altair A8, …)``."""
    line = clean(label)
    head = line.partition(" (")[0].strip()
    return head or line


def say_when(moment: datetime, now: datetime, zone: tzinfo) -> str:
    """Say a moment in a person's zone: ``14:00 today``, ``Sat 09:30``, ``29 Nov 14:00``.

    A day name is used within six days of now; further away it would be ambiguous.
    """
    local, today = moment.astimezone(zone), now.astimezone(zone).date()
    clock = f"{local:%H:%M}"
    days = (local.date() - today).days
    near = {0: "today", 1: "tomorrow", -1: "yesterday"}.get(days)
    if near is not None:
        return f"{clock} {near}"
    if abs(days) <= 6:
        return f"{_DAYS[local.weekday()]} {clock}"
    year = f" {local.year}" if local.year != today.year else ""
    return f"{local.day} {_MONTHS[local.month - 1]}{year} {clock}"


def say_long(span: timedelta) -> str:
    """Say how long something lasted, roughly: a phone needs no seconds."""
    seconds = abs(span.total_seconds())
    if seconds < 90:
        return "about a minute"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} minutes"
    hours = round(seconds / 3600)
    if hours < 48:
        return f"{hours} hours"
    return f"{round(seconds / 86400)} days"
