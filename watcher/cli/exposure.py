"""``midwatch exposure`` and ``midwatch plan``: how long, how likely, and what habits change."""

from __future__ import annotations

import json
import shlex
from random import Random  # noqa: TID251 - seeded, and handed to the core
from typing import Any

import click

from watcher.cli.columns import columns, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import (
    Room,
    find_drive,
    find_pool,
    room_of,
    say_if_old,
    terminal_width,
)
from watcher.cli.say import say
from watcher.cli.which_box import about_a_box
from watcher.exposure.estimate import Exposure
from watcher.exposure.figure import say_alike, say_chance
from watcher.exposure.window import WindowPlan
from watcher.exposure.years import over_the_years
from watcher.facts.standing import where_borne
from watcher.facts.units import capital
from watcher.recovery.shelf import plan_with
from watcher.rules.view import View
from watcher.service.desk import last_view
from watcher.service.prospects import as_scrubbed, exposure_if_lost, exposure_of, lives_of
from watcher.store.transaction import Transaction


def view_here(tx: Transaction, room: Room) -> View:
    """Give the last survey of this box with its past, or stop."""
    view = last_view(tx, room.box, room.now)
    if view is None:
        raise Stop("No survey was taken yet. Start the watch first.", Exit.NO_STATE)
    say_if_old(tx, room)
    return view


def as_json(exposure: Exposure) -> dict[str, Any]:
    """Give an exposure for programs."""
    window, chance = exposure.window, exposure.chance
    return {
        "pool": exposure.pool,
        "name": exposure.name,
        "protection": exposure.protection.value,
        "rehearsal": exposure.rehearsal,
        "at_stake": exposure.at_stake.value,
        "bytes_at_stake": exposure.bytes_at_stake,
        "window": None
        if window is None
        else {
            "earliest": window.earliest.isoformat(),
            "likely": window.likely.isoformat(),
            "latest": window.latest.isoformat(),
            "parts": [
                {
                    "step": part.step.value,
                    "hours_earliest": part.span.earliest,
                    "hours_likely": part.span.likely,
                    "hours_latest": part.span.latest,
                }
                for part in window.parts
            ],
        },
        "chance_of_loss": None
        if chance is None
        else {"low": chance.low, "likely": chance.likely, "high": chance.high},
        "chance_beyond_margin": None
        if exposure.loss is None
        else exposure.loss.beyond_margin.likely,
        "choices": [
            {"title": c.title, "chance": c.measure, "hours_bare": c.hours_bare, "costs": c.costs}
            for c in exposure.ranking.choices
        ],
        "too_close_to_call": exposure.ranking.too_close,
        "reason": exposure.ranking.reason,
        "notes": list(exposure.notes),
    }


def say_hours(hours: float) -> str:
    """Say a number of hours."""
    if hours < 1 / 60:
        return "none"
    if hours < 48:
        return f"{hours:.1f} h" if hours < 10 else f"{hours:.0f} h"
    return f"{hours / 24:.1f} days"


def show(exposure: Exposure, width: int) -> str:
    """Lay out an exposure for a person."""
    lines: list[str] = []
    if exposure.rehearsal:
        lines.append("A rehearsal on paper: nothing is touched.\n")
    lines += fold(exposure.sentence, width)
    if exposure.is_open:
        lines += fold(exposure.cost, width)
    if exposure.window is not None:
        rows = [
            [part.step.value, say_hours(part.span.earliest), say_hours(part.span.likely),
             say_hours(part.span.latest)]
            for part in exposure.window.parts
        ]  # fmt: skip
        head = [["", "earliest", "likely", "latest"]]
        lines += ["", "What takes time", *columns(head + rows, total=width)]
    if exposure.ranking.choices:
        lines += ["", "What you can choose, the best for the data and for you first"]
        for choice in exposure.ranking.choices:
            facts = f"loss {say_chance(choice.measure)}, exposed {say_hours(choice.hours_bare)}"
            lines.append(f"  {choice.title}")
            lines += [f"    {x}" for x in fold(f"{facts}; costs: {choice.costs}", width - 4)]
        lines += ["", *(f"  {x}" for x in fold(exposure.ranking.reason, width - 2))]
    if exposure.notes:
        lines += ["", "What is not known"]
        lines += [f"  {x}" for note in exposure.notes for x in fold(note, width - 2)]
    return "\n".join(lines)


@click.command()
@click.argument("pool")
@click.option("--if-lost", "lost", metavar="DRIVE", help="As if this drive were lost now.")
@click.option("--json", "for_programs", is_flag=True, help="Write one JSON object for programs.")
@about_a_box
@click.pass_context
def exposure(context: click.Context, pool: str, lost: str | None, *, for_programs: bool) -> None:
    """How long POOL is exposed, how likely data is lost until then, and what is safest to do."""
    with room_of(context) as room, room.store.snapshot() as tx:
        view = view_here(tx, room)
        seen = find_pool(tx, pool, room)
        plan = WindowPlan(zone=room.zone)
        if lost is None:
            found = exposure_of(view, seen, plan, room.now)
        else:
            gone = find_drive(tx, lost, room).identity.drive
            try:
                found = exposure_if_lost(view, seen, gone, plan, room.now)
            except ValueError as error:
                raise Stop(
                    f"{capital(str(error))}: midwatch exposure "
                    f"{shlex.quote(pool)}{room.option} tells how it stands.",
                    Exit.REFUSED,
                ) from error
    if for_programs:
        click.echo(json.dumps(as_json(found), indent=2))
    else:
        say(show(found, terminal_width()))


@click.command()
@click.argument("pool")
@click.option("--quick", is_flag=True, help="Leave out the simulation beside the closed form.")
@click.pass_context
def plan(context: click.Context, pool: str, *, quick: bool) -> None:
    """What each habit would do for POOL over the years: a spare, scrubs, one more parity."""
    with room_of(context) as room, room.store.snapshot() as tx:
        view = view_here(tx, room)
        seen = where_borne(find_pool(tx, pool, room), view.survey.pools)
        lives = lives_of(view, seen)
        chance = None if quick else Random(_SEED)  # noqa: S311 - not a secret
        try:
            shelf = plan_with(WindowPlan(zone=room.zone), view.ready, seen, room.now)
            years = over_the_years(as_scrubbed(view, seen), lives, shelf, room.now, chance=chance)
        except ValueError as error:
            raise Stop(f"{capital(str(error))}.", Exit.REFUSED) from error
    width = terminal_width()
    lines = [*fold(years.sentence, width), ""]
    lines.append(
        f"Expected: {years.first_loss_yearly:.2f} drives lost a year, exposed "
        f"{say_hours(years.hours_bare)} after each."
    )
    lines += ["", "What a habit would change, the most helpful first"]
    lines += [f"  {x}" for habit in years.habits for x in fold(habit.sentence, width - 2, "  ")]
    if years.simulated_yearly is not None:
        low, high = say_alike(*years.simulated_yearly)
        lines += ["", f"A simulation of like drives gives between {low} and {high} a year."]
    say("\n".join(lines))


_SEED = 20260302
"""Of the simulation: the same question gets the same answer."""
