"""The language of scenarios: one line, one thing that happens. See ``playbook/README.txt``."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from tests.simulation.stage import Stage
from tests.simulation.world import BOX
from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Observation,
    Silenced,
    SilenceLifted,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.state import Case, Expectation, ExpectKind, ScopeKind
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId

_SPAN = re.compile(r"(\d+)(s|m|h|d)")
_UNITS = {"s": 1, "m": 60, "h": 3600, "d": 86400}


class WrongLine(Exception):
    """A line of a scenario that is not understood."""


def span_of(text: str) -> timedelta:
    """Read ``90m`` or ``1d12h``."""
    parts = _SPAN.findall(text)
    if not parts or _SPAN.sub("", text):
        raise WrongLine(f"{text!r} is no span of time")
    return timedelta(seconds=sum(int(n) * _UNITS[unit] for n, unit in parts))


def say_span(span: timedelta) -> str:
    """Write a span so that it can be read again."""
    seconds = int(span.total_seconds())
    parts = []
    for unit in ("d", "h", "m", "s"):
        count, seconds = divmod(seconds, _UNITS[unit])
        if count:
            parts.append(f"{count}{unit}")
    return "".join(parts) or "0s"


def do(stage: Stage, line: str) -> None:
    """Let one thing happen. Raises WrongLine."""
    words = shlex.split(line)
    if not words:
        return
    act = _VERBS.get(words[0])
    if act is None:
        raise WrongLine(f"{line!r}: no such word as {words[0]!r}")
    act(stage, words[1:])


# ---------------------------------------------------------------------- what is observed


def _observe(stage: Stage, words: list[str]) -> None:
    """observe bay 3 gone | orchard rebuild 50% | look | md blind | …"""
    world = stage.world
    match words:
        case ["look", *rest]:
            late = span_of(rest[rest.index("late") + 1]) if "late" in rest else timedelta(0)
            times = {"twice": 2, "lost": 0}.get(rest[-1] if rest else "", 1)
            stage.look(late=late, times=times)
        case ["bay", bay, *rest]:
            _bay(stage, int(bay), rest)
        case [name, "rebuild", share] if name in world.pools:
            world.rebuild(name, float(share.rstrip("%")) / 100)
        case [name, "restored"] if name in world.pools:
            world.made_anew(name)
        case [name, "unlisted" | "listed" as how] if name in world.pools:
            world.pools[name].listed = how == "listed"
        case ["stick", "hangs" | "gone" as how]:
            world.stick = Unread.HUNG if how == "hangs" else None
        case [source, "blind"]:
            world.blind.add(source)
        case [source, "answers"]:
            world.blind.discard(source)
        case _:
            raise WrongLine(f"observe {' '.join(words)}")


def _bay(stage: Stage, bay: int, words: list[str]) -> None:
    world = stage.world
    drive = world.drives[bay]
    match words:
        case ["gone"]:
            world.pull(bay)
        case ["back"]:
            world.push_back(bay)
        case ["replaced"]:
            world.replace(bay)
        case ["doubts", count]:
            drive.pending = int(count)
        case ["condemns", "itself"]:
            drive.failing = True
        case ["hangs"]:
            drive.hung = True
        case ["answers"]:
            drive.hung = False
        case ["well"]:
            drive.pending, drive.failing, drive.hung = 0, False, False
        case _:
            raise WrongLine(f"observe bay {bay} {' '.join(words)}")


# ---------------------------------------------------------------------- what people say


def _person(stage: Stage, words: list[str]) -> None:
    """person ada takes orchard for 4h … | silences pool orchard for 2h … | announces …"""
    who, verb, *rest = words
    stage.hear(_said(stage, who, verb, rest))


def case_at(stage: Stage, place: str) -> Case:
    """Give the newest case at a place: a pool's name, ``bay 3`` or a number."""
    cases = stage.book().cases
    for case in reversed(cases):
        if place in {str(case.number), case.label, case.label.removeprefix("pool ")}:
            return case
        if case.label.startswith(f"{place} ("):
            return case
    raise WrongLine(f"no case at {place!r}; there are {[c.label for c in cases]}")


def _number(stage: Stage, place: str) -> int:
    return int(place) if place.isdigit() else case_at(stage, place).number


def _said(stage: Stage, who: str, verb: str, rest: list[str]) -> Observation:
    now = stage.now
    match [verb, *rest]:
        case ["takes", place, "for", span, *note]:
            until = now + span_of(span)
            return Acknowledged(
                case=_number(stage, place), by=who, until=until, note=" ".join(note)
            )
        case ["hands", place, "to", other, *note]:
            return HandedOver(case=_number(stage, place), by=who, to=other, note=" ".join(note))
        case ["silences", scope, key, "for", span, *reason]:
            return Silenced(
                scope=ScopeKind(scope),
                key=_key(stage, scope, key),
                by=who,
                reason=" ".join(reason) or "known",
                until=now + span_of(span),
            )
        case ["lifts", number]:
            return SilenceLifted(number=int(number), by=who)
        case ["announces", pool, "for", span, *expects]:
            return _work(stage, who, pool, now, span, expects)
        case ["plans", pool, "in", ahead, "for", span, *expects]:
            return _work(stage, who, pool, now + span_of(ahead), span, expects)
        case ["repeats", pool, rule, "in", ahead, "for", span, *expects]:
            work = _work(stage, who, pool, now + span_of(ahead), span, expects)
            return replace(work, repeat=rule)
        case ["ends", "work", number]:
            return WorkEnded(number=int(number), by=who)
    raise WrongLine(f"person {who} {verb} {' '.join(rest)}")


def _key(stage: Stage, scope: str, key: str) -> str:
    match scope:
        case "pool":
            return stage.world.pools[key].id
        case "drive":
            return stage.world.drives[int(key)].id
        case "box":
            return BOX
    return key


def _work(
    stage: Stage, who: str, pool: str, begins: datetime, span: str, expects: list[str]
) -> WorkAnnounced:
    true = stage.world.pools.get(pool)
    return WorkAnnounced(
        by=who,
        reason="; ".join(expects),
        begins=begins,
        ends=begins + span_of(span),
        expects=tuple(_expect(stage, text) for text in expects),
        pool=true.id if true else None,
        pool_name=pool if true else "",
    )


def _expect(stage: Stage, text: str) -> Expectation:
    word, _, bay = text.partition(" bay ")
    kinds = {
        "replace": ExpectKind.REPLACE,
        "remove": ExpectKind.DRIVE_OFF,
        "degraded": ExpectKind.DEGRADED,
        "rebuild": ExpectKind.REBUILD,
        "box off": ExpectKind.BOX_OFF,
    }
    if word not in kinds:
        raise WrongLine(f"expectation {text!r}")
    drive: DriveId | None = stage.world.drives[int(bay)].id if bay else None
    return Expectation(kind=kinds[word], drive=drive, said=text)


# ---------------------------------------------------------------------- what goes wrong


def _fault(stage: Stage, words: list[str]) -> None:
    """fault store full after 5 | phone ada dead | clock back 1h | suspend 3d | restart | …"""
    match words:
        case ["store", how, "after", count] if how in {"full", "locked", "killed"}:
            stage.disk.faults.arm(how, int(count))
        case ["phone", who, "dead"]:
            stage.phones[who].works = False
        case ["phone", who, "alive"]:
            stage.phones[who].works = True
        case ["phone", who, "unconfirmed", count]:
            stage.phones[who].cut_off = int(count)
        case ["phone", who, "late", span]:
            stage.phones[who].detour = span_of(span)
        case ["clock", "back", span]:
            stage.restart()
            stage.step_clock(-span_of(span))
        case ["clock", "ahead", span]:
            stage.step_clock(span_of(span))
        case ["suspend", span]:
            stage.sleep(span_of(span))
        case ["restart"]:
            stage.kills += 1
            stage.restart()
        case _:
            raise WrongLine(f"fault {' '.join(words)}")


def _wait(stage: Stage, words: list[str]) -> None:
    stage.wait(span_of(words[0]))


def _every(stage: Stage, words: list[str]) -> None:
    stage.looks_every = span_of(words[0])
    stage.next_look = min(stage.next_look, stage.now + stage.looks_every)


_VERBS: dict[str, Callable[[Stage, list[str]], None]] = {
    "observe": _observe,
    "person": _person,
    "fault": _fault,
    "wait": _wait,
    "every": _every,
}
