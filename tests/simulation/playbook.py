"""Reads and plays the scenarios of the playbook."""

from __future__ import annotations

import re
import shlex
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

from tests.simulation.checks import check
from tests.simulation.stage import Stage
from tests.simulation.words import WrongLine, do, span_of
from watcher.cases.policy import Digest, Hours, Ladder, LadderChoice, Person, Policy, Rung
from watcher.cases.state import NoticeKind
from watcher.store.outbox import Notice

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)  # a Monday
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SETUP = ("start", "person", "ladder", "digest", "client")


class Unexpected(AssertionError):
    """A scenario did not go as it says."""


def _clock(text: str) -> time:
    hour, minute = text.split(":")
    return time(int(hour), int(minute))


class Setup:
    """The lines before anything happens."""

    def __init__(self) -> None:
        self.start = START
        self.people: list[Person] = []
        self.ladders: tuple[LadderChoice, ...] = ()
        self.digest: Digest | None = None
        self.client = ""
        self.with_mail: set[str] = set()

    def take(self, line: str) -> None:
        words = shlex.split(line)
        match words:
            case ["start", day, clock]:
                self.start = datetime.fromisoformat(f"{day}T{clock}+00:00")
            case ["person", name, *rest]:
                self.people.append(self._person(name, rest))
            case ["client", name]:
                self.client = name
            case ["ladder", *_]:
                rungs = tuple(
                    Rung(people=tuple(rung.split()[0].split("+")), wait=span_of(rung.split()[1]))
                    for rung in line.removeprefix("ladder").split(",")
                )
                ladder = Ladder(
                    rungs=rungs,
                    repeat_first=timedelta(minutes=15),
                    repeat_longest=timedelta(hours=4),
                )
                self.ladders = (LadderChoice(ladder=ladder),)
            case ["digest", day, clock, zone]:
                self.digest = Digest(at=_clock(clock), weekdays=(DAYS.index(day),), zone=zone)
            case _:
                raise WrongLine(line)

    def _person(self, name: str, words: list[str]) -> Person:
        zone = next((w for w in words if "/" in w), "UTC")
        quiet: tuple[Hours, ...] = ()
        if "quiet" in words:
            begin, end = words[words.index("quiet") + 1].split("-")
            quiet = (Hours(begin=_clock(begin), end=_clock(end)),)
        away = None
        if "away" in words:
            away = self.start + span_of(words[words.index("away") + 1])
        if "mail" in words:
            self.with_mail.add(name)
        return Person(name=name, zone=zone, quiet=quiet, away_until=away)

    def policy(self) -> Policy:
        return Policy(
            people=tuple(self.people) or (Person(name="ada"),),
            ladders=self.ladders,
            digest=self.digest,
            client=self.client,
        )


def is_setup(line: str) -> bool:
    words = line.split()
    if words[0] == "person":
        said = {"takes", "hands", "silences", "lifts", "announces", "plans", "repeats", "ends"}
        return len(words) < 3 or words[2] not in said
    return words[0] in SETUP


class Player:
    """Plays one scenario."""

    def __init__(self, setup: Setup) -> None:
        self.stage = Stage(
            start=setup.start, policy=setup.policy(), with_mail=frozenset(setup.with_mail)
        )
        self.elapsed = timedelta(0)
        self.heard = dict.fromkeys(self.stage.phones, 0)  # messages that were accounted for
        self.stage.wait(timedelta(0))

    def play(self, line: str) -> None:
        word, _, rest = line.partition(" ")
        match word:
            case "at":
                span, _, rest = rest.partition(" ")
                self._until(span_of(span))
                self.play(rest)
            case "wait":
                self._until(self.elapsed + span_of(rest))
            case "expect":
                self._expect(rest)
            case _:
                do(self.stage, line)

    def _until(self, span: timedelta) -> None:
        if span < self.elapsed:
            raise WrongLine(f"{span} lies in the past")
        self.stage.wait(span - self.elapsed)
        self.elapsed = span

    def _fresh(self, name: str) -> list[Notice]:
        got = [notice for _, notice in self.stage.phones[name].got]
        fresh = got[self.heard[name] :]
        self.heard[name] = len(got)
        return fresh

    def _expect(self, rest: str) -> None:
        words = shlex.split(rest)
        match words:
            case ["quiet"]:
                for name in self.stage.phones:
                    self._compare(name, [], [])
            case ["cases", count]:
                open_now = [c for c in self.stage.book().open_cases if c.is_weighty]
                if len(open_now) != int(count):
                    raise Unexpected(f"{len(open_now)} cases are open: {open_now}")
            case ["refused", text]:
                if not self.stage.refused or text not in self.stage.refused[-1]:
                    raise Unexpected(f"refused was: {self.stage.refused[-1:]}")
            case [name, "hears", *_]:
                kinds, *texts = _split_texts(rest.partition("hears")[2])
                wanted = [k.strip() for k in kinds.split(",")]
                self._compare(name, [] if wanted == ["nothing"] else wanted, texts)
            case _:
                raise WrongLine(f"expect {rest}")

    def _compare(self, name: str, wanted: list[str], texts: list[str]) -> None:
        fresh = self._fresh(name)
        kinds_of = {
            tell.key: "+".join(sorted({item.kind.value for item in tell.items}))
            for _, tell in self.stage.fold()[1]
        }
        found = [kinds_of[notice.key] for notice in fresh]
        shown = "\n".join(f"--- {n.title}\n{n.body}" for n in fresh)
        if found != wanted:
            raise Unexpected(f"at {self.stage.now} {name} heard {found}, not {wanted}\n{shown}")
        for text in texts:
            if text not in f"{fresh[-1].title}\n{fresh[-1].body}":
                raise Unexpected(f"{name} did not read {text!r} but\n{shown}")


def _split_texts(text: str) -> list[str]:
    """Give what stands before the first quoted text, and the quoted texts."""
    return [text.split('"', maxsplit=1)[0].strip(), *re.findall(r'"([^"]*)"', text)]


def known_kinds() -> frozenset[str]:
    return frozenset(kind.value for kind in NoticeKind)


def play(file: Path) -> None:
    """Play a file, and hold it against the promises."""
    setup, player = Setup(), None
    for number, raw in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        try:
            if player is None and is_setup(line):
                setup.take(line)
                continue
            player = player or Player(setup)
            player.play(line)
        except (Unexpected, WrongLine) as error:
            raise Unexpected(f"{file.name}:{number}: {line}\n{error}") from error
    assert player is not None, "nothing happens"
    player.stage.wait(timedelta(minutes=5))
    check(player.stage)
    player.stage.disk.close()
