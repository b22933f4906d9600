"""``midwatch ready`` and ``midwatch restored``: how prepared this box is, and what was tried."""

from __future__ import annotations

import json

import click

from watcher.cli.columns import columns, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.exposure import view_here
from watcher.cli.parts import Room, room_of, terminal_width, who_asks
from watcher.cli.say import say
from watcher.cli.shelf import past_day
from watcher.cli.which_box import about_a_box
from watcher.facts.readiness import RestoreTried
from watcher.rules.view import View
from watcher.service.card import Card, Standing, card_of
from watcher.service.desk import last_view
from watcher.store.transaction import Transaction

_MARKS = {Standing.READY: "ready", Standing.LACKS: "lacks", Standing.UNSEEN: "not known"}


def show_card(card: Card, width: int) -> str:
    """Lay out the card: a sentence for each line, and below it what to do."""
    rows = []
    for line in card.lines:
        step = f" Next: {line.next_step}" if line.next_step else ""
        rows.append([line.topic.value, _MARKS[line.standing], f"{line.sentence}{step}"])
    lines = [*fold(card.sentence, width), "", *columns(rows, total=width, indent="")]
    return "\n".join([*lines, "", *fold(card.out_of_scope, width)])


def as_json(card: Card) -> str:
    """Give the card for programs."""
    return json.dumps(
        {
            "box": card.box,
            "sentence": card.sentence,
            "lines": [
                {
                    "topic": line.topic.value,
                    "standing": line.standing.value,
                    "rule": line.rule,
                    "about": list(line.about),
                    "sentence": line.sentence,
                    "next_step": line.next_step,
                }
                for line in card.lines
            ],
            "not_looked_at": card.out_of_scope,
        },
        indent=2,
        ensure_ascii=False,
    )


def prepared_view(tx: Transaction, room: Room) -> View:
    """Give the last survey with all that is known of readiness, or stop."""
    view_here(tx, room)
    view = last_view(tx, room.box, room.now, room.standing)
    if view is None:
        raise Stop("No survey was taken yet. Start the watch first.", Exit.NO_STATE)
    return view


@click.command()
@click.option("--json", "for_programs", is_flag=True, help="Write one JSON object for programs.")
@about_a_box
@click.pass_context
def ready(context: click.Context, *, for_programs: bool) -> None:
    """Say how prepared this box is for the next failure, in sentences and not in a number."""
    with room_of(context) as room, room.store.snapshot() as tx:
        standing = room.standing
        card = card_of(prepared_view(tx, room), standing.tuning)
    if for_programs:
        click.echo(as_json(card))
    else:
        say(show_card(card, terminal_width()))


@click.command()
@click.argument("thing")
@click.option("--from", "copy", required=True, metavar="COPY", help="From which copy.")
@click.option("--on", "day", metavar="DAY", help="When; without it, today.")
@click.option("--failed", is_flag=True, help="It did not work.")
@click.option("--note", default="", help="What was got back, and how it was compared.")
@click.option("--by", metavar="NAME", help="Who you are, when that is not clear.")
@click.pass_context
def restored(
    context: click.Context,
    thing: str,
    copy: str,
    day: str | None,
    *,
    failed: bool,
    note: str,
    by: str | None,
) -> None:
    """Write down that THING was got back from a copy, as a trial."""
    with room_of(context) as room:
        known = {item.name: item for item in room.config.irreplaceable}
        if thing not in known:
            names = ", ".join(sorted(known)) or "none (irreplaceable: in the settings)"
            raise Stop(
                f"Nothing called “{thing}” is declared irreplaceable; known are: {names}.",
                Exit.NOT_FOUND,
            )
        copies = [item.name for item in known[thing].copies]
        if copy not in copies:
            names = ", ".join(copies) or "none"
            raise Stop(f"“{thing}” has no copy “{copy}”; known are: {names}.", Exit.NOT_FOUND)
        tried = RestoreTried(
            thing=thing,
            copy=copy,
            at=past_day(day, room) if day else room.now,
            by=who_asks(room, by),
            worked=not failed,
            note=note,
        )
        with room.store.transaction() as tx:
            tx.add_restore(room.box, tried)
        came = "did not work" if failed else "worked"
        on = f"{tried.at.astimezone(room.zone):%d %b %Y}"
        say(f"Written down: getting {thing} back from {copy} {came}, {on}.")
