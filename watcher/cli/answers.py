"""What people say: take a case, hand it over, keep something quiet, announce planned work."""

from __future__ import annotations

import re
from dataclasses import dataclass

import click

from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Observation,
    Silenced,
    SilenceLifted,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.state import Expectation, ExpectKind, ScopeKind
from watcher.cli.columns import columns
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import (
    Room,
    find_drive,
    find_pool,
    room_of,
    terminal_width,
    until_of,
    who_asks,
)
from watcher.facts.identity import PoolId
from watcher.rules.catalogue import CATALOGUE
from watcher.service.bootstrap import box_of
from watcher.store.transaction import Transaction

_BY = click.option("--by", metavar="NAME", help="Who you are, when that is not clear.")


def say_to(room: Room, observation: Observation) -> None:
    """Hand something to the desk, or stop with its reason."""
    outcome = room.desk().hear(observation, room.now)
    if outcome.refused:
        raise Stop(outcome.refused, Exit.REFUSED)


@click.command()
@click.argument("number", type=int)
@click.option("--until", default="24h", show_default=True, help="3h, 07:30, fri, 2026-12-01 …")
@click.option("--note", default="", help="For the others: “drive ordered, arrives Friday”.")
@_BY
@click.pass_context
def ack(context: click.Context, number: int, until: str, note: str, by: str | None) -> None:
    """Take case NUMBER: nobody is told again until the time you name, unless it gets worse."""
    with room_of(context) as room:
        moment = until_of(until, room)
        who = who_asks(room, by)
        say_to(room, Acknowledged(case=number, by=who, until=moment, note=note))
        with room.store.snapshot() as tx:
            case = tx.load_book(box_of(room.config)).case(number)
        if case is not None and case.answer is not None and case.answer.by != who:
            click.echo(
                f"{case.answer.by} has case {number} already, until "
                f"{room.say(case.answer.until)}. Your answer is written down beside it."
            )
            return
        click.echo(
            f"Case {number} is yours until {room.say(moment)}. Nobody is told again before, "
            "unless it gets worse."
        )


@click.command("hand-over")
@click.argument("number", type=int)
@click.argument("person")
@click.option("--note", default="", help="A word to the other.")
@_BY
@click.pass_context
def hand_over(context: click.Context, number: int, person: str, note: str, by: str | None) -> None:
    """Give case NUMBER to PERSON, who is told at once; without an answer others are told again."""
    with room_of(context) as room:
        who = who_asks(room, by)
        say_to(room, HandedOver(case=number, by=who, to=person, note=note))
        click.echo(f"{person} is told that case {number} is theirs now.")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scope:
    kind: ScopeKind
    key: str
    words: str


def _scope(
    tx: Transaction,
    room: Room,
    *,
    drive: str | None,
    pool: str | None,
    rule: str | None,
    box: bool,
) -> _Scope:
    """Say what is to be quiet; exactly one thing."""
    if sum((drive is not None, pool is not None, rule is not None, box)) != 1:
        raise Stop("Name one of --drive, --pool, --rule and --box.", Exit.WRONG_WORDS)
    if drive is not None:
        found = find_drive(tx, drive, room)
        who = found.identity
        return _Scope(
            kind=ScopeKind.DRIVE, key=who.drive, words=f"the drive {who.model} {who.serial}"
        )
    if pool is not None:
        seen = find_pool(tx, pool, room)
        return _Scope(kind=ScopeKind.POOL, key=seen.pool, words=f"the pool {seen.name}")
    if rule is not None:
        if rule not in CATALOGUE:
            raise Stop(f"There is no rule “{rule}”. midwatch rules lists them.", Exit.NOT_FOUND)
        return _Scope(kind=ScopeKind.RULE, key=rule, words=f"the rule {rule}")
    return _Scope(kind=ScopeKind.BOX, key=box_of(room.config), words="this whole box")


@click.group()
def silence() -> None:
    """Keep something quiet until a time. It is still recorded, counted and shown."""


@silence.command("add")
@click.option("--drive", metavar="DRIVE", help="A drive, by serial, bay, id or node.")
@click.option("--pool", metavar="POOL", help="A pool, by name or id.")
@click.option("--rule", metavar="RULE", help="A rule, everywhere on this box.")
@click.option("--box", is_flag=True, help="Everything on this box.")
@click.option("--until", required=True, help="3h, 07:30, fri, 2026-12-01 …")
@click.option("--reason", required=True, help="Why, for whoever wonders later.")
@_BY
@click.pass_context
def silence_add(
    context: click.Context,
    *,
    drive: str | None,
    pool: str | None,
    rule: str | None,
    box: bool,
    until: str,
    reason: str,
    by: str | None,
) -> None:
    """Keep one thing quiet. A pool that breaks sounds all the same."""
    with room_of(context) as room:
        moment = until_of(until, room)
        with room.store.snapshot() as tx:
            scope = _scope(tx, room, drive=drive, pool=pool, rule=rule, box=box)
        who = who_asks(room, by)
        say_to(room, Silenced(scope=scope.kind, key=scope.key, by=who, reason=reason, until=moment))
        click.echo(
            f"Quiet about {scope.words} until {room.say(moment)}. A pool that breaks sounds "
            "all the same."
        )


@silence.command("list")
@click.pass_context
def silence_list(context: click.Context) -> None:
    """List what is quiet now, why, and until when."""
    with room_of(context) as room, room.store.snapshot() as tx:
        book = tx.load_book(box_of(room.config))
        rows = [
            [str(s.number), f"{s.scope.value} {s.key}", f"until {room.say(s.until)}",
             f"{s.by}: {s.reason}"]
            for s in book.silences
        ]  # fmt: skip
        click.echo("\n".join(columns(rows, total=terminal_width(), indent="")) or "Nothing is.")


@silence.command("end")
@click.argument("number", type=int)
@_BY
@click.pass_context
def silence_end(context: click.Context, number: int, by: str | None) -> None:
    """End silence NUMBER; what still holds sounds at once."""
    with room_of(context) as room:
        say_to(room, SilenceLifted(number=number, by=who_asks(room, by)))
        click.echo(f"Silence {number} is over.")


_EXPECT = re.compile(r"(replace|remove)\s+(.+)", re.IGNORECASE)


def expectation_of(tx: Transaction, room: Room, text: str) -> Expectation:
    """Read what planned work will cause, in the owner's words."""
    words = text.strip()
    found = _EXPECT.fullmatch(words)
    if found is not None:
        drive = find_drive(tx, found.group(2), room).identity.drive
        replace = found.group(1).lower() == "replace"
        kind = ExpectKind.REPLACE if replace else ExpectKind.DRIVE_OFF
        return Expectation(kind=kind, drive=drive, said=words)
    simple = {
        "degraded": ExpectKind.DEGRADED,
        "rebuild": ExpectKind.REBUILD,
        "box off": ExpectKind.BOX_OFF,
    }
    if words.lower() in simple:
        return Expectation(kind=simple[words.lower()], said=words)
    raise Stop(
        f"“{text}” is not understood. Write: replace DRIVE, remove DRIVE, degraded, rebuild, or "
        "box off; DRIVE is a serial, a bay (bay 3) or an id.",
        Exit.WRONG_WORDS,
    )


@click.group()
def maintenance() -> None:
    """Announce planned work: only what you announce is quiet, anything else sounds at once."""


@maintenance.command("begin")
@click.option("--pool", metavar="POOL", help="The pool that is worked on; without it, any.")
@click.option(
    "--expect",
    "expects",
    multiple=True,
    required=True,
    metavar="WHAT",
    help="replace DRIVE, remove DRIVE, degraded, rebuild, box off. May be repeated.",
)
@click.option("--for", "lasts", required=True, metavar="SPAN", help="How long: 3h, 90min, 2d.")
@click.option("--reason", default="", help="For the others.")
@_BY
@click.pass_context
def maintenance_begin(
    context: click.Context,
    *,
    pool: str | None,
    expects: tuple[str, ...],
    lasts: str,
    reason: str,
    by: str | None,
) -> None:  # fmt: skip
    """Begin planned work now.

    Example: midwatch maintenance begin --pool orchard --expect "replace bay 3" --for 3h
    """
    with room_of(context) as room:
        ends = until_of(lasts, room)
        with room.store.snapshot() as tx:
            seen = find_pool(tx, pool, room) if pool is not None else None
            announced = tuple(expectation_of(tx, room, text) for text in expects)
        who = who_asks(room, by)
        say_to(
            room,
            WorkAnnounced(
                by=who,
                reason=reason or "; ".join(expects),
                begins=room.now,
                ends=ends,
                expects=announced,
                pool=PoolId(seen.pool) if seen else None,
                pool_name=seen.name if seen else "",
            ),
        )
        click.echo(
            f"Planned work until {room.say(ends)}: {'; '.join(expects)}. Anything else sounds at "
            "once. Before you touch a drive: bay and serial number must both match."
        )


@maintenance.command("list")
@click.pass_context
def maintenance_list(context: click.Context) -> None:
    """List planned work."""
    with room_of(context) as room, room.store.snapshot() as tx:
        book = tx.load_book(box_of(room.config))
        rows = [
            [
                str(work.number),
                work.pool_name or "any pool",
                f"{room.say(work.begins)} to {room.say(work.ends)}",
                f"{work.by}: {work.reason}",
            ]
            for work in book.works
            if not work.over
        ]
        click.echo(
            "\n".join(columns(rows, total=terminal_width(), indent="")) or "Nothing is planned."
        )


@maintenance.command("end")
@click.argument("number", type=int)
@_BY
@click.pass_context
def maintenance_end(context: click.Context, number: int, by: str | None) -> None:
    """End planned work NUMBER now; what still holds sounds from here on."""
    with room_of(context) as room:
        say_to(room, WorkEnded(number=number, by=who_asks(room, by)))
        click.echo(f"Planned work {number} is over; you are told how the pools stand.")
