"""``midwatch recovery``: where a pool is on its way back, what is next, and the written record."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from watcher.cli.columns import clean_lines, columns, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.exposure import view_here
from watcher.cli.parts import Room, find_pool, room_of, say_if_old, terminal_width
from watcher.cli.say import say
from watcher.cli.which_box import about_a_box
from watcher.exposure.estimate import Exposure
from watcher.exposure.window import WindowPlan
from watcher.facts.identity import PoolId
from watcher.facts.units import capital, say_span
from watcher.recovery.advice import Advice, advise
from watcher.recovery.ground import BY_ID, NEW_DRIVE, OLD_DRIVE, Command
from watcher.recovery.record import Recovery
from watcher.recovery.report import as_data, bare_sentence, state_of, way_rows, written
from watcher.rules.view import View
from watcher.service.prospects import exposure_of
from watcher.service.recoveries import bytes_without_backup, seen_of
from watcher.store.transaction import Transaction


@click.command()
@click.argument("pool", required=False)
@click.option("--json", "for_programs", is_flag=True, help="Write JSON for programs.")
@click.option("--print", "on_paper", is_flag=True, help="The written record, to keep or to print.")
@about_a_box
@click.pass_context
def recovery(
    context: click.Context, pool: str | None, *, for_programs: bool, on_paper: bool
) -> None:
    """Where POOL is on its way from lost margin to margin proven back, and what is next.

    Without POOL all recoveries are listed. Commands are shown, and never run.
    """
    with room_of(context) as room, room.store.snapshot() as tx:
        if pool is None:
            say_if_old(tx, room)
            found = tx.recoveries(room.box)
            if for_programs:
                click.echo(json.dumps([as_data(r, room.now) for r in found], indent=2))
            else:
                say(_list(found, room))
            return
        one = _latest(tx, pool, room)
        if on_paper:
            say(show_record(one, room.now, _stamp(room), terminal_width()))
            return
        view = view_here(tx, room)
        advice, exposure = _now(tx, view, one, room)
        if for_programs:
            click.echo(json.dumps(_as_json(one, advice, exposure, room), indent=2))
            return
        told = show(one, advice, exposure, say=room.say, now=room.now, width=terminal_width())
        click.echo(clean_lines(told))


def _stamp(room: Room) -> Callable[[datetime], str]:
    """Say moments in full: paper is read long after."""
    return lambda moment: f"{moment.astimezone(room.zone):%Y-%m-%d %H:%M}"


def show_record(one: Recovery, now: datetime, say: Callable[[datetime], str], width: int) -> str:
    """Lay out the written record."""
    lines: list[str] = []
    for section in written(one, now, say):
        lines += [section.heading, *columns(section.rows, total=width), ""]
    return "\n".join(lines[:-1])


def _latest(tx: Transaction, text: str, room: Room) -> Recovery:
    """Give the recovery of a pool, an open one before one that is over, or stop."""
    box = room.box
    known = {r.pool for r in tx.recoveries(box) if text in {r.pool, r.name}}
    key: PoolId
    if len(known) == 1:
        (key,) = known
    else:
        key = find_pool(tx, text, room).pool
    found = tx.recoveries(box, key)
    if not found:
        raise Stop(
            f"{text} has lost no margin since it is watched: there is nothing to recover.",
            Exit.REFUSED,
        )
    return next((r for r in found if r.is_open), found[0])


def _now(
    tx: Transaction, view: View, one: Recovery, room: Room
) -> tuple[Advice | None, Exposure | None]:
    """Give the advice of now and the exposure, while the recovery is open."""
    if not one.is_open:
        return None, None
    plan = WindowPlan(zone=room.zone)
    seen = seen_of(tx, view, one, plan, room.now).seen
    alone = bytes_without_backup(view.ready, room.now)
    advice = advise(one, seen, without_backup_bytes=alone)
    exposure = exposure_of(view, seen.pool, plan, room.now) if seen.pool is not None else None
    return advice, exposure


def _list(found: tuple[Recovery, ...], room: Room) -> str:
    """List recoveries, open ones first."""
    if not found:
        return "No pool has lost margin since this box is watched."
    ordered = sorted(found, key=lambda r: not r.is_open)
    rows = [
        [
            r.name,
            f"since {room.say(r.opened_at)}"
            if r.is_open
            else f"{room.say(r.opened_at)}, {say_span((r.closed_at or room.now) - r.opened_at)}",
            state_of(r),
            r.new_label or "; ".join(m.where for m in r.missing),
        ]
        for r in ordered
    ]
    return "\n".join(columns(rows, total=terminal_width(), indent=""))


def show(
    one: Recovery,
    advice: Advice | None,
    exposure: Exposure | None,
    *,
    say: Callable[[datetime], str],
    now: datetime,
    width: int,
) -> str:
    """Lay out a recovery for a person: the way, what to do now, what to leave alone."""
    lines = [f"{one.name}: {state_of(one)}", ""]
    began = "Announced" if one.is_planned else "Margin lost"
    lines += fold(
        f"{began} {say(one.opened_at)}, {say_span((one.closed_at or now) - one.opened_at)} "
        f"{'in all' if one.closed_at else 'ago'}. {bare_sentence(one, now)}",
        width,
    )
    if exposure is not None and exposure.is_open:
        lines += fold(exposure.sentence, width)
        lines += [x for note in exposure.notes for x in fold(note, width)]
    lines += ["", *columns(way_rows(one, now, say), total=width)]
    if advice is None:
        lines += ["", *fold(one.outcome, width)]
        return "\n".join(
            [*lines, "", f"The written record: midwatch recovery {shlex.quote(one.name)} --print"]
        )
    if advice.detours:
        lines += ["", "What came in between"]
        lines += _bullets(advice.detours, width)
    if advice.tasks:
        lines += ["", "Now", *_bullets(advice.tasks, width, numbered=True)]
    if advice.commands:
        lines += ["", "Commands for you to type; midwatch runs none of them"]
        for command in advice.commands:
            lines += _command(command, width)
        lines += [f"  {x}" for x in fold(_missing_paths(advice.commands), width - 2) if x]
    if advice.avoid:
        lines += ["", "Leave alone meanwhile", *_bullets(advice.avoid, width)]
    lines += ["", *fold(f"Still readable: {advice.readable}", width)]
    return "\n".join(lines)


def _bullets(texts: tuple[str, ...], width: int, *, numbered: bool = False) -> list[str]:
    """List sentences."""
    rows = [[f"{i}." if numbered else "-", text] for i, text in enumerate(texts, 1)]
    return columns(rows, total=width, gap=" ")


def _command(command: Command, width: int) -> list[str]:
    """Lay out one command: the line whole, so that it can be copied; below it what it does."""
    rows = [["does", command.does]]
    if command.no_way_back:
        rows.append(["no way back", f"{capital(command.no_way_back)}."])
    rows.append(["words from", command.source])
    return [f"  {command.line}", *columns(rows, total=width, indent="      ")]


def _missing_paths(commands: tuple[Command, ...]) -> str:
    """Say which paths in the commands are not there; "" when all are.

    A path may be named otherwise here than udev's rules say, so it is checked before it is shown.
    """
    words = {
        word
        for command in commands
        for word in command.line.split()
        if word.startswith(f"{BY_ID}/")
    }
    stand_ins = sorted(w for w in words if w.startswith((NEW_DRIVE, OLD_DRIVE)))
    if stand_ins:
        return f"Put the drive's own path in for {stand_ins[0]}: ls -l {BY_ID} shows them."
    gone = sorted(word for word in words if not Path(word).exists())
    return f"Not found here now: {', '.join(gone)}; ls -l {BY_ID} shows what is." if gone else ""


def _as_json(
    one: Recovery, advice: Advice | None, exposure: Exposure | None, room: Room
) -> dict[str, Any]:
    """Give a recovery and what to do now for programs."""
    window = exposure.window if exposure is not None else None
    return as_data(one, room.now) | {
        "state": state_of(one),
        "next": advice.sentence if advice is not None else "",
        "tasks": list(advice.tasks) if advice is not None else [],
        "avoid": list(advice.avoid) if advice is not None else [],
        "readable": advice.readable if advice is not None else "",
        "in_between": list(advice.detours) if advice is not None else [],
        "commands": [
            {"line": c.line, "does": c.does, "no_way_back": c.no_way_back, "source": c.source}
            for c in (advice.commands if advice is not None else ())
        ],
        "forecast": None
        if window is None
        else {
            "earliest": window.earliest.isoformat(),
            "likely": window.likely.isoformat(),
            "latest": window.latest.isoformat(),
        },
    }
