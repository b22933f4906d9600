"""Planned work: announced now, ahead, or again and again. Only what is announced is quiet."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import click

from watcher.cases.observations import WorkAnnounced, WorkEnded
from watcher.cases.recurrence import NotUnderstood, check_rule, next_after, parse_length
from watcher.cases.state import Expectation, ExpectKind, Maintenance
from watcher.cli.answers import BY, say_to, which_book
from watcher.cli.columns import columns
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import (
    Room,
    find_drive,
    find_pool,
    parse_span,
    room_of,
    terminal_width,
    until_of,
    who_asks,
)
from watcher.cli.say import say
from watcher.cli.which_box import about_a_box
from watcher.facts.identity import PoolId
from watcher.store.transaction import Transaction

EXAMPLES_SHOWN = 3

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


def _length(text: str) -> timedelta:
    """Read how long work lasts: ``3h``, or a duration of ISO 8601 (``PT3H``)."""
    span = parse_span(text)
    if span is not None and span > timedelta(0):
        return span
    try:
        return parse_length(text)
    except NotUnderstood as error:
        if text.strip()[:1] in {"p", "P"}:
            raise Stop(f"{error}.", Exit.WRONG_WORDS) from error
        raise Stop(f"“{text}” is not a span; write 90min, 3h or 2d.", Exit.WRONG_WORDS) from error


_EXPECT_OPTION = click.option(
    "--expect",
    "expects",
    multiple=True,
    required=True,
    metavar="WHAT",
    help="replace DRIVE, remove DRIVE, degraded, rebuild, box off. May be repeated.",
)
_POOL_OPTION = click.option(
    "--pool",
    metavar="POOL",
    help="The pool that is worked on; without it, those of the named drives, else any.",
)


def _announced(
    room: Room,
    *,
    pool: str | None,
    expects: tuple[str, ...],
    reason: str,
    by: str | None,
    begins: datetime,
    ends: datetime,
    repeat: str = "",
) -> WorkAnnounced:
    """Put an announcement together, with the pool and the drives that it names looked up."""
    with room.store.snapshot() as tx:
        seen = find_pool(tx, pool, room) if pool is not None else None
        announced = tuple(expectation_of(tx, room, text) for text in expects)
    return WorkAnnounced(
        by=who_asks(room, by),
        reason=reason or "; ".join(expects),
        begins=begins,
        ends=ends,
        expects=announced,
        pool=PoolId(seen.pool) if seen else None,
        pool_name=seen.name if seen else "",
        repeat=repeat,
        zone=str(room.zone),
    )


@maintenance.command("begin")
@_POOL_OPTION
@_EXPECT_OPTION
@click.option("--for", "lasts", required=True, metavar="SPAN", help="How long: 3h, 90min, 2d.")
@click.option("--reason", default="", help="For the others.")
@BY
@about_a_box
@click.pass_context
def maintenance_begin(
    context: click.Context,
    *,
    pool: str | None,
    expects: tuple[str, ...],
    lasts: str,
    reason: str,
    by: str | None,
) -> None:
    """Begin planned work now.

    Example: midwatch maintenance begin --pool orchard --expect "replace bay 3" --for 3h
    """
    with room_of(context) as room:
        ends = room.now + _length(lasts)
        say_to(
            room,
            _announced(
                room, pool=pool, expects=expects, reason=reason, by=by, begins=room.now, ends=ends
            ),
        )
        say(
            f"Planned work until {room.say(ends)}: {'; '.join(expects)}. Anything else sounds at "
            "once. Before you touch a drive: bay and serial number must both match."
        )


@maintenance.command("plan")
@_POOL_OPTION
@_EXPECT_OPTION
@click.option("--start", required=True, metavar="WHEN", help="sat 22:00, 2026-12-05 22:00, 22:00 …")
@click.option("--for", "lasts", required=True, metavar="SPAN", help="3h, 90min, 2d, or PT3H.")
@click.option(
    "--repeat",
    default="",
    metavar="RULE",
    help="daily, weekly, monthly, or a rule of the calendar standard: FREQ=MONTHLY;BYDAY=1SA",
)
@click.option("--reason", default="", help="For the others.")
@BY
@about_a_box
@click.pass_context
def maintenance_plan(
    context: click.Context,
    *,
    pool: str | None,
    expects: tuple[str, ...],
    start: str,
    lasts: str,
    repeat: str,
    reason: str,
    by: str | None,
) -> None:
    """Plan work ahead, once or again and again. It is announced for at most a year.

    Example: midwatch maintenance plan --expect "box off" --start "sat 22:00" --for 2h
    --repeat "FREQ=MONTHLY;BYDAY=1SA"
    """
    with room_of(context) as room:
        begins, length = until_of(start, room), _length(lasts)
        try:
            rule = check_rule(repeat) if repeat else ""
        except NotUnderstood as error:
            raise Stop(f"{error}.", Exit.WRONG_WORDS) from error
        if rule:
            # Where the first start does not fit the rule, the first that does is the first.
            first = next_after(rule, begins, str(room.zone), begins - timedelta(seconds=1))
            if first is None:
                raise Stop(f"“{repeat}” never comes after {room.say(begins)}.", Exit.WRONG_WORDS)
            begins = first
        say_to(
            room,
            _announced(
                room,
                pool=pool,
                expects=expects,
                reason=reason,
                by=by,
                begins=begins,
                ends=begins + length,
                repeat=rule,
            ),
        )
        times = ", ".join(_say_start(room, at) for at in _starts(begins, rule, room.zone))
        again = f" It comes again: {times}, …" if rule else ""
        say(
            f"Planned: {'; '.join(expects)}, from {_say_start(room, begins)} to "
            f"{_say_start(room, begins + length)}.{again}"
        )


def _say_start(room: Room, moment: datetime) -> str:
    """Say a moment with its day, so that a plan can be checked."""
    return f"{moment.astimezone(room.zone):%a %d %b %Y %H:%M}"


def _starts(first: datetime, rule: str, zone: ZoneInfo) -> list[datetime]:
    """Give the next few beginnings after the first."""
    found: list[datetime] = []
    at: datetime | None = first
    while rule and at is not None and len(found) < EXAMPLES_SHOWN:
        at = next_after(rule, first, str(zone), at)
        found += [at] if at is not None else []
    return found


@maintenance.command("list")
@about_a_box
@click.pass_context
def maintenance_list(context: click.Context) -> None:
    """List planned work."""
    with room_of(context) as room, room.store.snapshot() as tx:
        book = tx.load_book(room.box)
        rows = [
            [
                str(work.number),
                work.pool_name or "any pool",
                f"{room.say(work.begins)} to {room.say(work.ends)}",
                f"{work.by}: {work.reason}",
                _again(work),
            ]
            for work in book.works
            if not work.over
        ]
        say("\n".join(columns(rows, total=terminal_width(), indent="")) or "Nothing is planned.")


def _again(work: Maintenance) -> str:
    """Say that work comes again."""
    return f"again: {work.repeat}" if work.repeat else ""


@maintenance.command("end")
@click.argument("number", type=int)
@BY
@about_a_box
@click.pass_context
def maintenance_end(context: click.Context, number: int, by: str | None) -> None:
    """End planned work NUMBER now; what still holds sounds from here on."""
    with room_of(context) as room:
        with room.store.snapshot() as tx:
            known = [work.number for work in tx.load_book(room.box).works if not work.over]
        if number not in known:
            raise Stop(
                f"There is no planned work {number}. midwatch maintenance list{room.option} "
                "shows it." + which_book(room),
                Exit.NOT_FOUND,
            )
        say_to(room, WorkEnded(number=number, by=who_asks(room, by)))
        say(f"Planned work {number} is over; you are told how the pools stand.")
