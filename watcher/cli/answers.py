"""What people say: take a case, hand it over, keep something quiet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import click

from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Observation,
    Silenced,
    SilenceLifted,
)
from watcher.cases.state import ScopeKind
from watcher.cli.columns import columns
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import (
    Room,
    find_drive,
    find_pool,
    label_of,
    room_of,
    terminal_width,
    until_of,
    who_asks,
)
from watcher.cli.say import say
from watcher.cli.which_box import BOX, CLIENT, about_a_box, complete_box, complete_client
from watcher.facts.units import say_count
from watcher.rules.catalogue import CATALOGUE
from watcher.store.hub import BoxState
from watcher.store.transaction import Transaction

BY = click.option("--by", metavar="NAME", help="Who you are, when that is not clear.")


def say_to(room: Room, observation: Observation) -> None:
    """Hand something to the desk, or stop with its reason."""
    outcome = room.hear(observation)
    if outcome.refused:
        raise Stop(outcome.refused + which_book(room), Exit.REFUSED)


def check_case(room: Room, number: int) -> None:
    """Stop when there was never a case of that number."""
    with room.store.snapshot() as tx:
        if tx.case(room.box, number) is None:
            raise no_case(room, number)


def no_case(room: Room, number: int) -> Stop:
    """Say that there is no case of that number, and where to find them."""
    return Stop(
        f"There is no case {number}. midwatch cases --all{room.option} lists them."
        + which_book(room),
        Exit.NOT_FOUND,
    )


def which_book(room: Room) -> str:
    """Say at a hub that no box was named, behind what could not be done; "" elsewhere."""
    if not room.at_hub or room.at is not None:
        return ""
    return " This is the hub's own book; for a box's name it: --box BOX (midwatch hub work)."


@click.command()
@click.argument("number", type=int)
@click.option(
    "--until",
    metavar="WHEN",
    default="24h",
    show_default=True,
    help="3h, 07:30, fri, 2026-12-01 …",
)
@click.option("--note", default="", help="For the others: “drive ordered, arrives Friday”.")
@BY
@about_a_box
@click.pass_context
def ack(context: click.Context, number: int, until: str, note: str, by: str | None) -> None:
    """Take case NUMBER: nobody is told again until the time you name, unless it gets worse."""
    with room_of(context) as room:
        check_case(room, number)
        moment = until_of(until, room)
        who = who_asks(room, by)
        say_to(room, Acknowledged(case=number, by=who, until=moment, note=note))
        with room.store.snapshot() as tx:
            case = tx.load_book(room.box).case(number)
        if case is not None and case.answer is not None and case.answer.by != who:
            say(
                f"{case.answer.by} has case {number}{room.of_box} already, until "
                f"{room.say(case.answer.until)}. Your answer is written down beside it."
            )
            return
        say(
            f"Case {number}{room.of_box} is yours until {room.say(moment)}. Nobody is told again "
            "before, unless it gets worse."
        )


@click.command("hand-over")
@click.argument("number", type=int)
@click.argument("person")
@click.option("--note", default="", help="A word to the other.")
@BY
@about_a_box
@click.pass_context
def hand_over(context: click.Context, number: int, person: str, note: str, by: str | None) -> None:
    """Give case NUMBER to PERSON, who is told at once; without an answer others are told again."""
    with room_of(context) as room:
        check_case(room, number)
        who = who_asks(room, by)
        say_to(room, HandedOver(case=number, by=who, to=person, note=note))
        say(f"{person} is told that case {number}{room.of_box} is theirs now.")


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
    box: str | None,
    client: str | None,
) -> _Scope:
    """Say what is to be quiet; exactly one thing. At a hub the box may be named beside it."""
    narrow = sum((drive is not None, pool is not None, rule is not None))
    wide = 0 if room.at is not None else (box is not None) + (client is not None)
    if narrow + wide != 1 and not (room.at is not None and narrow == 0):
        raise Stop("Name one of --drive, --pool, --rule, --box and --client.", Exit.WRONG_WORDS)
    if drive is not None:
        found = find_drive(tx, drive, room)
        who = found.identity
        return _Scope(kind=ScopeKind.DRIVE, key=who.drive, words=f"the drive {label_of(found)}")
    if pool is not None:
        seen = find_pool(tx, pool, room)
        return _Scope(kind=ScopeKind.POOL, key=seen.pool, words=f"the pool {seen.name}")
    if rule is not None:
        if rule not in CATALOGUE:
            raise Stop(f"There is no rule “{rule}”. midwatch rules lists them.", Exit.NOT_FOUND)
        return _Scope(kind=ScopeKind.RULE, key=rule, words=f"the rule {rule}")
    if client is not None and box is None and room.at is None:
        name = room.config.client
        if not name:
            raise Stop("The settings name no client; write client: NAME.", Exit.NOT_FOUND)
        return _Scope(kind=ScopeKind.CLIENT, key=name, words=f"all that is {name}'s")
    words = f"the whole box {room.box}" if room.at is not None else "this whole box"
    return _Scope(kind=ScopeKind.BOX, key=room.box, words=words)


@click.group()
def silence() -> None:
    """Keep something quiet until a time. It is still recorded, counted and shown."""


@silence.command("add")
@click.option("--drive", metavar="DRIVE", help="A drive, by serial, bay, id or node.")
@click.option("--pool", metavar="POOL", help="A pool, by name or id.")
@click.option("--rule", metavar="RULE", help="A rule, everywhere on this box.")
@click.option(
    "--box",
    is_flag=False,
    flag_value="",
    metavar="[BOX]",
    shell_complete=complete_box,
    help="Everything on this box; at a hub, on BOX, or what is named beside it there.",
)
@click.option(
    "--client",
    is_flag=False,
    flag_value="",
    metavar="[CLIENT]",
    shell_complete=complete_client,
    help="Everything of the client whose box this is; at a hub, on all boxes of CLIENT, or whose "
    "BOX it is.",
)
@click.option("--until", metavar="WHEN", required=True, help="3h, 07:30, fri, 2026-12-01 …")
@click.option("--reason", required=True, help="Why, for whoever wonders later.")
@BY
@click.pass_context
def silence_add(  # noqa: PLR0913 - one for each thing that can be quiet
    context: click.Context,
    *,
    drive: str | None,
    pool: str | None,
    rule: str | None,
    box: str | None,
    client: str | None,
    until: str,
    reason: str,
    by: str | None,
) -> None:
    """Keep one thing quiet. A pool that breaks sounds all the same."""
    of_one = box or drive is not None or pool is not None or rule is not None
    context.meta.update({BOX: box or None, CLIENT: (client or None) if of_one else None})
    with room_of(context) as room:
        moment = until_of(until, room)
        if client and not of_one:
            quiet = _whole_client(room, client, reason, moment, who_asks(room, by, client=client))
            say(
                f"Quiet about {say_count(quiet, 'box', 'boxes')} of {client} until "
                f"{room.say(moment)}. A pool that breaks sounds all the same. A box that joins "
                "later is not silent."
            )
            return
        with room.store.snapshot() as tx:
            scope = _scope(tx, room, drive=drive, pool=pool, rule=rule, box=box, client=client)
        who = who_asks(room, by)
        say_to(room, Silenced(scope=scope.kind, key=scope.key, by=who, reason=reason, until=moment))
        say(
            f"Quiet about {scope.words} until {room.say(moment)}. A pool that breaks sounds "
            "all the same."
        )


def _whole_client(room: Room, client: str, reason: str, until: datetime, who: str) -> int:
    """Keep all watched boxes of a client quiet, all or none; give how many those are."""
    said = Silenced(scope=ScopeKind.CLIENT, key=client, by=who, reason=reason, until=until)
    with room.store.transaction() as tx:
        boxes = [b for b in tx.enrolled_boxes(client) if b.state is BoxState.WATCHED]
        if not boxes:
            raise Stop(
                f"No box of a client called “{client}” is watched here: midwatch hub boxes",
                Exit.NOT_FOUND,
            )
        for box in boxes:
            outcome = replace(room, at=box).hear_within(tx, said)
            if outcome.refused:
                raise Stop(outcome.refused, Exit.REFUSED)
    return len(boxes)


@silence.command("list")
@about_a_box
@click.pass_context
def silence_list(context: click.Context) -> None:
    """List what is quiet now, why, and until when."""
    with room_of(context) as room, room.store.snapshot() as tx:
        box = room.box
        book = tx.load_book(box)
        names: dict[str, str] = {d.identity.drive: label_of(d) for d in tx.drives(box)}
        names |= {pool.pool: pool.name for pool in tx.pool_pasts(box).values()}
        rows = [
            [
                str(s.number),
                f"{s.scope.value} {names.get(s.key, s.key)}",
                f"until {room.say(s.until)}",
                f"{s.by}: {s.reason}",
            ]
            for s in book.silences
        ]
        say("\n".join(columns(rows, total=terminal_width(), indent="")) or "Nothing is kept quiet.")


@silence.command("end")
@click.argument("number", type=int)
@BY
@about_a_box
@click.pass_context
def silence_end(context: click.Context, number: int, by: str | None) -> None:
    """End silence NUMBER; what still holds sounds at once."""
    with room_of(context) as room:
        with room.store.snapshot() as tx:
            known = [s.number for s in tx.load_book(room.box).silences]
        if number not in known:
            raise Stop(
                f"There is no silence {number}. midwatch silence list{room.option} shows them."
                + which_book(room),
                Exit.NOT_FOUND,
            )
        say_to(room, SilenceLifted(number=number, by=who_asks(room, by)))
        say(f"Silence {number} is over.")
