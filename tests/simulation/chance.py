"""A random run: what happens, drawn from a seed, as lines that can be played again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from random import Random

from tests.simulation.stage import Stage
from tests.simulation.words import say_span
from watcher.cases.policy import (
    Digest,
    Hours,
    Ladder,
    LadderChoice,
    Person,
    Policy,
    Rung,
)
from watcher.facts.finding import Urgency

# Weekends on which the clocks change in Vienna, a leap day, and plain days (from the time zone
# database: 29 March and 25 October 2026).
STARTS = (
    datetime(2026, 3, 28, 20, 0, tzinfo=UTC),
    datetime(2026, 10, 24, 21, 0, tzinfo=UTC),
    datetime(2028, 2, 28, 12, 0, tzinfo=UTC),
    datetime(2026, 3, 2, 12, 0, tzinfo=UTC),
    datetime(2026, 6, 5, 1, 0, tzinfo=UTC),
)
NAMES = ("ada", "ben", "cleo")


def policy_of(chance: Random, start: datetime) -> Policy:
    """Draw who is told, in which order, and who sleeps when."""
    names = NAMES[: chance.randint(1, 3)]
    people = tuple(
        Person(
            name=name,
            zone=chance.choice(("Europe/Vienna", "UTC", "America/New_York")),
            quiet=(Hours(begin=time(22, 0), end=time(7, 0)),) if chance.random() < 0.5 else (),
            away_until=start + timedelta(days=2) if chance.random() < 0.15 else None,
        )
        for name in names
    )
    ladders = ()
    if chance.random() < 0.6:
        rungs = tuple(
            Rung(people=(name,), wait=timedelta(minutes=chance.choice((5, 15, 60))))
            for name in names
        )
        ladder = Ladder(
            rungs=rungs, repeat_first=timedelta(minutes=15), repeat_longest=timedelta(hours=4)
        )
        ladders = (LadderChoice(ladder=ladder, urgencies=(Urgency.NOW, Urgency.TODAY)),)
    digest = Digest(at=time(9, 0), weekdays=(0,), zone="Europe/Vienna")
    return Policy(
        people=people,
        ladders=ladders,
        digest=digest if chance.random() < 0.5 else None,
        settle=timedelta(minutes=chance.choice((0, 10, 10))),
    )


FIRST_LINES = ("observe look",)  # what was never seen cannot be missed

WAITS = ("30s", "2m", "11m", "11m", "25m", "1h", "5h", "13h")


def next_lines(stage: Stage, chance: Random) -> Iterator[str]:
    """Draw what happens next: something, then some time."""
    yield from _something(stage, chance)
    wait = chance.choice(WAITS)
    hours = {"5h": "1h", "13h": "3h"}.get(wait, "10m")
    yield f"every {hours}"
    yield f"wait {wait}"


def _something(stage: Stage, chance: Random) -> Iterator[str]:
    draw = chance.random()
    if draw < 0.38:
        yield _hardware(stage, chance)
    elif draw < 0.66:
        line = _people(stage, chance)
        if line:
            yield line
    elif draw < 0.92:
        yield from _trouble(stage, chance)
    else:
        yield f"observe look {chance.choice(('twice', 'lost'))}"


def _hardware(stage: Stage, chance: Random) -> str:
    """Break something, or mend something that is broken."""
    world = stage.world
    broken = [bay for bay, drive in world.drives.items() if not drive.present]
    filling = [
        name for name, p in world.pools.items() if any(s.rebuilding is not None for s in p.seats)
    ]
    mends = [f"observe bay {bay} {chance.choice(('back', 'replaced'))}" for bay in broken]
    mends += [f"observe {name} rebuild {chance.choice((20, 60, 100))}%" for name in filling]
    mends += [f"observe bay {bay} well" for bay, d in world.drives.items() if d.pending or d.hung]
    mends += [f"observe {name} restored" for name, p in world.pools.items() if p.truth == "broken"]
    mends += [f"observe {source} answers" for source in sorted(world.blind)]
    if mends and chance.random() < 0.6:
        return chance.choice(mends)
    bay = chance.randint(1, 8)
    return chance.choice(
        (
            f"observe bay {bay} gone",
            f"observe bay {bay} gone",
            f"observe bay {bay} doubts {chance.choice((1, 8, 40))}",
            f"observe bay {bay} condemns itself",
            f"observe bay {bay} hangs",
            f"observe {chance.choice(('md', 'drive-discovery', 'kernel-log'))} blind",
            f"observe {chance.choice(('orchard', 'cellar'))} unlisted",
        )
    )


def _people(stage: Stage, chance: Random) -> str:
    """Let somebody say something."""
    who = chance.choice([p.name for p in stage.policy.people])
    cases = [c.number for c in stage.book().cases] or [1]
    case = chance.choice(cases)
    span = chance.choice(("20m", "1h", "5h", "2d"))
    bay = chance.randint(1, 8)
    pool = chance.choice(("orchard", "cellar"))
    home = stage.world.pool_of(bay).name
    other = chance.choice([p.name for p in stage.policy.people])
    return chance.choice(
        (
            f'person {who} takes {case} for {span} "drive ordered"',
            f'person {who} takes {case} for {span} "drive ordered"',
            f"person {who} hands {case} to {other}",
            f"person {who} silences pool {pool} for {span} known",
            f"person {who} silences drive {bay} for {span} known",
            f"person {who} silences rule drive-gone for {span} known",
            f"person {who} silences box attic for {span} moving",
            f"person {who} lifts {chance.randint(1, 3)}",
            f'person {who} announces {home} for {span} "replace bay {bay}"',
            f'person {who} announces {home} for {span} "remove bay {bay}"',
            f"person {who} announces {pool} for {span} degraded",
            f'person {who} plans {home} in 1h for {span} "replace bay {bay}"',
            f"person {who} ends work {chance.randint(1, 4)}",
        )
    )


def _trouble(stage: Stage, chance: Random) -> Iterator[str]:
    """Let something go wrong around the desk."""
    who = chance.choice([p.name for p in stage.policy.people])
    draw = chance.random()
    if draw < 0.45:
        how = chance.choice(("killed", "killed", "full", "locked"))
        yield f"fault store {how} after {chance.randint(1, 120)}"
        yield "observe look"
    elif draw < 0.55:
        yield "fault restart"
    elif draw < 0.65:
        yield f"fault phone {who} {'dead' if stage.phones[who].works else 'alive'}"
    elif draw < 0.72:
        yield f"fault phone {who} {chance.choice(('unconfirmed 1', 'late 40m'))}"
    elif draw < 0.80:
        yield f"observe look late {chance.choice(('5m', '40m', '3h'))}"
    elif draw < 0.88:
        yield f"fault suspend {chance.choice(('2h', '1d', '4d'))}"
    elif draw < 0.94:
        yield f"fault clock ahead {chance.choice(('2m', '1h', '30d'))}"
    else:
        yield f"fault clock back {chance.choice(('20s', '10m', '1h', '3d', '30d'))}"


def settle_down(stage: Stage) -> Iterator[str]:
    """Mend the phones and the store, and give everything a day to come to rest."""
    for name in stage.phones:
        yield f"fault phone {name} alive"
    yield "every 3h"
    yield "wait 1d"


def as_scenario(seed: int, stage: Stage, lines: list[str]) -> str:
    """Write a run down so that it can be played again."""
    del stage
    return "\n".join((f"# Seed {seed}.", *lines, ""))


__all__ = ["as_scenario", "next_lines", "policy_of", "say_span", "settle_down"]
