"""How pages say things: moments, spans, urgencies, states."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Any, Final, Protocol
from urllib.parse import quote, urlencode

from watcher.cases.state import Case
from watcher.facts.drive import Metric, Unread
from watcher.facts.finding import Urgency
from watcher.facts.pool import MemberState, Protection, Work, WorkKind, WorkState
from watcher.facts.units import capital, say_bytes, say_count, say_done, say_percent, say_span
from watcher.notify.words import gist, say_when

URGENCY: Final[Mapping[Urgency, str]] = {
    Urgency.NOW: "Now",
    Urgency.TODAY: "Today",
    Urgency.THIS_WEEK: "This week",
    Urgency.NOTE: "To know",
}

MEMBER: Final[Mapping[MemberState, str]] = {
    MemberState.GOOD: "holds its share",
    MemberState.REBUILDING: "being filled",
    MemberState.SPARE: "spare, waiting",
    MemberState.FAILED: "put out by the pool",
    MemberState.MISSING: "not there",
    MemberState.OFFLINE: "taken out by a person",
    MemberState.UNKNOWN: "cannot be told",
}

UNREAD: Final[Mapping[Unread, str]] = {
    Unread.FORBIDDEN: "blind: may not be asked",
    Unread.VANISHED: "not there",
    Unread.ASLEEP: "asleep",
    Unread.HUNG: "blind: hangs",
    Unread.GARBLED: "blind: answer unreadable",
    Unread.TOOL_MISSING: "blind: no smartctl",
    Unread.NO_SMART: "blind: reports nothing",
    Unread.NOT_YET: "blind: no answer yet",
}

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip

_WORK: Final[Mapping[WorkKind, str]] = {
    WorkKind.FIRST_BUILD: "First build",
    WorkKind.REBUILD: "Rebuild",
    WorkKind.RESYNC: "Resync",
    WorkKind.SCRUB: "Scrub",
    WorkKind.REPAIR: "Repair",
    WorkKind.RESHAPE: "Reshape",
    WorkKind.CONVERT: "Conversion",
    WorkKind.SYNC: "Parity update",
}
_STATE: Final[Mapping[WorkState, str]] = {
    WorkState.RUNNING: "running",
    WorkState.WAITING: "waiting its turn",
    WorkState.PAUSED: "halted",
}

METRIC: Final[Mapping[Metric, str]] = {
    Metric.TEMPERATURE_CELSIUS: "temperature, °C",
    Metric.WAIT_MICROSECONDS: "mean wait for a request, µs",
    Metric.THROUGHPUT_BYTES_PER_SECOND: "read and written, bytes a second",
    Metric.POWER_ON_HOURS: "hours run",
    Metric.WEAR_PERCENT: "rated writes used, %",
    Metric.SPARE_PERCENT: "reserve left, %",
    Metric.SPARE_THRESHOLD_PERCENT: "reserve at which it warns, %",
    Metric.HELIUM_PERCENT: "helium left, %",
    Metric.TEMPERATURE_WARNING_CELSIUS: "temperature at which it warns, °C",
    Metric.TEMPERATURE_CRITICAL_CELSIUS: "temperature that it must not reach, °C",
    Metric.TEMPERATURE_HIGHEST_CELSIUS: "highest temperature so far, °C",
    Metric.INTERFACE_CRC_ERRORS: "interface CRC errors",
    Metric.OFFLINE_UNCORRECTABLE: "unreadable sectors, by its own scan",
    Metric.REPORTED_UNCORRECTABLE: "reads that failed",
    Metric.COMMAND_TIMEOUTS: "commands that ran out of time",
}


def say_metric(metric: Metric) -> str:
    """Name a metric for a person."""
    return METRIC.get(metric, metric.value.replace("-", " "))


def say_work(work: Work) -> str:
    """Say what a pool is busy with, and how far it is."""
    text = f"{_WORK[work.kind]} {_STATE[work.state]}"
    if work.done_fraction is not None:
        text += f", {say_done(work.done_fraction)} done"
    if work.rate_bytes_per_second:
        text += f" at {say_bytes(work.rate_bytes_per_second)}/s"
    return text


class HasMargin(Protocol):
    """What the margin is drawn from: a pool, or what is kept of one."""

    @property
    def protection(self) -> Protection:
        """Its state by its margin."""
        ...

    @property
    def margin(self) -> int | None:
        """How many drives it can still lose; None: not known."""
        ...

    @property
    def full_margin(self) -> int | None:
        """How many it was built to lose; None: not known."""
        ...


def say_margin(pool: HasMargin) -> str:
    """Say in a sentence how many drives a pool can lose."""
    if pool.protection is Protection.BROKEN:
        return "Data is lost or out of reach already."
    if pool.margin is None or pool.full_margin is None:
        return "How many drives it can lose cannot be told."
    if pool.full_margin == 0:
        return "Built with no margin: any drive lost costs data."
    if pool.margin == 0:
        return (
            f"Can lose no drive more (built to lose {pool.full_margin}). The next loss costs data."
        )
    more = say_count(pool.margin, "more drive")
    if pool.protection is Protection.WHOLE:
        return f"Can lose {more}: its full margin."
    return f"Can lose {more} of the {pool.full_margin} it was built to lose."


def say_standing(case: Case, clock: Clockwork) -> str:
    """Say in a few words where a case stands."""
    if case.closed_at is not None:
        return f"over since {clock.when(case.closed_at)}"
    if case.answer is not None:
        return f"{case.answer.by} has it until {clock.when(case.answer.until)}"
    if case.calm_since is not None:
        return "calm, being watched"
    if case.hushed:
        return "silent"
    if case.only_notes and not case.told:
        return "needs no answer"
    return "nobody has answered" if case.told else "nobody was told"


@dataclass(frozen=True, slots=True, kw_only=True)
class Clockwork:
    """Says moments to one person."""

    now: datetime
    zone: tzinfo

    def when(self, moment: datetime) -> str:
        """Say a moment: ``14:00 today``, ``Sat 09:30``, ``29 Nov 14:00``."""
        return say_when(moment, self.now, self.zone)

    def ago(self, moment: datetime) -> str:
        """Say how long ago a moment was, or how far ahead it lies."""
        span = self.now - moment
        if abs(span) < timedelta(minutes=1):
            return "just now"
        return f"{say_span(span)} ago" if span > timedelta(0) else f"in {say_span(-span)}"

    def stamp(self, moment: datetime) -> str:
        """Give a moment for programs, as ``<time datetime>`` wants it."""
        return moment.astimezone(self.zone).isoformat(timespec="minutes")

    def full(self, moment: datetime) -> str:
        """Say a moment in full, for print."""
        return f"{moment.astimezone(self.zone):%d %b %Y %H:%M}"

    @property
    def place(self) -> str:
        """Name the zone in which all moments are said."""
        return str(self.zone)

    def month(self, moment: datetime) -> str:
        """Name the month of a moment: "October 2026"."""
        local = moment.astimezone(self.zone)
        return f"{MONTHS[local.month - 1]} {local.year}"

    def local(self, moment: datetime) -> str:
        """Give a moment as a form's field of date and time takes it."""
        return f"{moment.astimezone(self.zone):%Y-%m-%dT%H:%M}"


def address(path: str, /, **words: object) -> str:
    """Give an address with its words, whatever their names; those that are empty are left out."""
    kept = {name: str(word) for name, word in words.items() if word not in (None, "")}
    return f"{quote(path)}?{urlencode(kept)}" if kept else quote(path)


def local_path(text: str) -> str:
    """Give a path of ours to go to; the overview for anything else."""
    plain = text.startswith("/") and text[1:2] not in {"/", "\\"} and text.isascii()
    return text if plain and text.isprintable() and "\\" not in text and len(text) < 500 else "/"


def sentence(text: str) -> str:
    """Begin with a capital and end with a full stop."""
    text = text.strip()
    if not text:
        return ""
    text = capital(text)
    return text if text[-1] in ".!?" else f"{text}."


SIGNS_IN_FULL = 2
"""How many signs of a drive stand in its bay, its page has all; our choice: what fits on a phone
beside another bay."""


def few_signs(text: str) -> str:
    """Give the first signs of a list of them, and how many more there are."""
    signs = text.split("; ")
    if len(signs) <= SIGNS_IN_FULL + 1:
        return text
    return "; ".join((*signs[:SIGNS_IN_FULL], f"{len(signs) - SIGNS_IN_FULL} more"))


def _query(words: Mapping[str, object]) -> str:
    """Give the words of an address; they are escaped again where they are drawn."""
    return urlencode({name: str(word) for name, word in words.items()})


FILTERS: Final[Mapping[str, Callable[..., Any]]] = {
    "bytes": say_bytes,
    "count": say_count,
    "percent": say_percent,
    "span": say_span,
    "work": say_work,
    "margin": say_margin,
    "metric": say_metric,
    "urgency": lambda urgency: URGENCY[urgency],
    "member": lambda state: MEMBER[state],
    "unread": lambda why: UNREAD[why],
    "plain": lambda word: str(word).replace("-", " "),
    "query": _query,
    "sentence": sentence,
    "gist": gist,
    "few": few_signs,
    "bay": lambda name: str(name).removeprefix("bay "),
    "shortly": lambda label: str(label).partition(" (")[0],
}
