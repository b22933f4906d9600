"""``midwatch drill``: rehearse the loss of a drive, through the real ladder, touching nothing."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import click

from watcher.cli.columns import columns, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import (
    Room,
    find_drive,
    find_pool,
    parse_span,
    room_of,
    terminal_width,
    who_asks,
)
from watcher.cli.ready import prepared_view
from watcher.cli.say import say
from watcher.facts.readiness import DrillDone
from watcher.facts.standing import where_borne
from watcher.facts.units import say_count, say_span
from watcher.recovery.drill import spare_line
from watcher.service.clock import SystemClock
from watcher.service.drill import NoDrill, answered, begin, end, find_member, refuse, rehearse

LOOK_SECONDS = 2.0
"""How often it is looked whether somebody answered."""


def going_on(room: Room) -> DrillDone | None:
    """Give the drill that goes on, or None."""
    with room.store.snapshot() as tx:
        drills = tx.drills(room.box)
    return next((d for d in reversed(drills) if d.ended_at is None), None)


@contextmanager
def stoppable(stop: threading.Event) -> Iterator[None]:
    """Let Ctrl-C end the waiting, and not the drill's page."""
    before = signal.getsignal(signal.SIGINT)
    signal.signal(signal.SIGINT, lambda *_: stop.set())
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def wait_for_answer(context: click.Context, drill: DrillDone, span: timedelta) -> DrillDone:
    """Wait until somebody answered, the time is up, or Ctrl-C."""
    stop = threading.Event()
    clock = SystemClock()
    until = clock.monotonic() + span.total_seconds()
    with stoppable(stop), room_of(context) as room:
        desk = room.desk()
        while not stop.is_set() and clock.monotonic() < until:
            with room.store.snapshot() as tx:
                seen = answered(tx, desk, drill)
            if seen.answered_at is not None:
                took = say_span(seen.answer_took or timedelta(0))
                say(f"{seen.answered_by} answered after {took}.")
                return seen
            stop.wait(min(LOOK_SECONDS, max(until - clock.monotonic(), 0.05)))
    return drill


def finish(context: click.Context) -> int:
    """End the drill that goes on, and print its page."""
    with room_of(context) as room:
        drill = going_on(room)
        if drill is None:
            raise Stop("No drill is going on.", Exit.REFUSED)
        done = end(room.desk(), drill, room.now)
    say(done.page)
    return int(Exit.ACT if done.went_wrong else Exit.DONE)


def list_drills(context: click.Context) -> None:
    """Print all drills, newest first."""
    with room_of(context) as room, room.store.snapshot() as tx:
        rows = [
            [
                str(d.number),
                room.say(d.begun_at),
                d.pool_name,
                d.member,
                "goes on" if d.ended_at is None else _went_wrong(len(d.went_wrong)),
            ]
            for d in reversed(tx.drills(room.box))
        ]
    table = columns(rows, total=terminal_width(), indent="")
    say("\n".join(table) or "No loss was rehearsed here yet.")


def _went_wrong(count: int) -> str:
    what = say_count(count, "thing") if count else "nothing"
    return f"{what} would have gone wrong"


def show_page(context: click.Context, number: int) -> None:
    """Print the page of a drill again."""
    with room_of(context) as room, room.store.snapshot() as tx:
        found = next((d for d in tx.drills(room.box) if d.number == number), None)
    if found is None:
        raise Stop(f"There is no drill {number}. midwatch drill --list shows them.", Exit.NOT_FOUND)
    say(found.page or "It goes on: midwatch drill --end.")


@click.command()
@click.option("--pool", metavar="POOL", help="In which pool.")
@click.option("--member", metavar="DRIVE", help="Which drive counts as lost: “bay 3”, a serial.")
@click.option(
    "--wait",
    "span",
    metavar="SPAN",
    default="2h",
    show_default=True,
    help="How long for an answer.",
)
@click.option("--no-wait", is_flag=True, help="Begin it and come back; end it with --end.")
@click.option("--end", "ends", is_flag=True, help="End the drill that goes on, print its page.")
@click.option("--list", "lists", is_flag=True, help="List all drills.")
@click.option("--show", type=int, metavar="NUMBER", help="Print the page of a drill again.")
@click.option("--hands-on", is_flag=True, help="Practise the commands on scratch devices.")
@click.option("--yes", is_flag=True, help="Do not ask before people are told.")
@click.option("--by", metavar="NAME", help="Who you are, when that is not clear.")
@click.pass_context
def drill(  # noqa: PLR0913 - one argument for each option
    context: click.Context,
    pool: str | None,
    member: str | None,
    span: str,
    *,
    no_wait: bool,
    ends: bool,
    lists: bool,
    show: int | None,
    hands_on: bool,
    yes: bool,
    by: str | None,
) -> int:
    """Rehearse the loss of a drive: the real people are told, no device is touched.

    Every message is marked DRILL. It measures how long until somebody answers, whether a spare
    fits and how long the pool would be exposed, and ends with a page of what would have gone wrong.
    """
    if hands_on:
        from watcher.cli.hands_on import practise  # noqa: PLC0415 - root and loop devices

        return practise(context)
    if lists:
        list_drills(context)
        return int(Exit.DONE)
    if show is not None:
        show_page(context, show)
        return int(Exit.DONE)
    if ends:
        return finish(context)
    if pool is None or member is None:
        raise Stop(
            "Say which loss to rehearse: midwatch drill --pool POOL --member DRIVE.",
            Exit.WRONG_WORDS,
        )
    waits = parse_span(span)
    if waits is None:
        raise Stop(f"“{span}” is not a span; write 30min or 2h.", Exit.WRONG_WORDS)
    started = start(context, pool, member, by, yes=yes)
    if no_wait:
        say("When you are through: midwatch drill --end")
        return int(Exit.DONE)
    say(f"Waiting up to {say_span(waits)} for an answer; Ctrl-C ends the drill.")
    wait_for_answer(context, started, waits)
    return finish(context)


def start(
    context: click.Context, pool: str, member: str, by: str | None, *, yes: bool
) -> DrillDone:
    """Begin a drill, after a person agreed."""
    with room_of(context) as room:
        with room.store.snapshot() as tx:
            view = prepared_view(tx, room)
            seen = where_borne(find_pool(tx, pool, room), view.survey.pools)
            lost = find_member(view, seen, member)
            if lost is None:
                lost = find_drive(tx, member, room).identity.drive
        desk = room.desk()
        who = who_asks(room, by)
        try:
            rehearsal = rehearse(view, desk, seen, lost, room.now)
            every = timedelta(minutes=room.config.survey.every_minutes)
            with room.store.snapshot() as tx:  # nobody is asked for what cannot be
                refuse(tx, desk, view, seen, room.now, every=every)
            if not yes and sys.stdin.isatty():
                told = ", ".join(p.name for p in room.config.people) or "nobody but this terminal"
                asked = f"People on the ladder are told for real, marked DRILL ({told}). Begin?"
                if not click.confirm(asked):
                    raise Stop("No drill was begun, and nobody was told.", Exit.REFUSED)
            now = SystemClock().now()  # a person took their time over the question
            started, number = begin(desk, rehearsal, view, who, now, every=every)
        except NoDrill as refused:
            raise Stop(str(refused), Exit.REFUSED) from refused
    lines = [
        f"Drill {started.number}: {rehearsal.member} in {seen.name} counts as lost.",
        rehearsal.exposure.sentence,
        spare_line(rehearsal, started.begun_at),
        (
            f"It is case {number}. Whoever answers it as a real one ends the wait: "
            f"midwatch ack {number}, or the link in the message."
        ),
    ]
    say("\n".join(x for line in lines for x in fold(line, terminal_width())))
    return started
