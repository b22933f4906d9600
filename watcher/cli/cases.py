"""``midwatch cases`` and ``midwatch case N``: what is wrong, what was said and done about it."""

from __future__ import annotations

import json
import shlex
from typing import Any

import click

from watcher.cases.record_words import say_record
from watcher.cases.state import Case
from watcher.cli.answers import no_case
from watcher.cli.columns import clean, columns, fold
from watcher.cli.page_link import page_lines
from watcher.cli.parts import Room, room_of, say_if_old, terminal_width
from watcher.cli.say import say
from watcher.cli.show import URGENCY_WORDS
from watcher.cli.which_box import about_a_box
from watcher.exposure.window import WindowPlan
from watcher.facts.identity import SubjectKind
from watcher.facts.units import capital, say_count, say_span
from watcher.notify.words import gist
from watcher.recovery.report import bare_sentence, state_of
from watcher.service.desk import last_view
from watcher.service.extras import pool_of_case
from watcher.service.prospects import exposure_of
from watcher.store.hub import BoxState
from watcher.store.transaction import Transaction


def standing_of(case: Case, room: Room) -> str:
    """Say in a few words where a case stands."""
    if case.closed_at is not None:
        return f"over since {room.say(case.closed_at)}"
    if case.answer is not None:
        return f"{case.answer.by} has it until {room.say(case.answer.until)}"
    if case.calm_since is not None:
        return "calm, being watched"
    if case.hushed:
        return "silent"
    return "nobody has answered" if case.told else "nobody was told"


def case_as_json(case: Case) -> dict[str, Any]:
    """Give a case for programs."""
    return {
        "number": case.number,
        "place": str(case.locus),
        "label": case.label,
        "urgency": case.urgency.value,
        "opened_at": case.opened_at.isoformat(),
        "closed_at": case.closed_at.isoformat() if case.closed_at else None,
        "answered_by": case.answer.by if case.answer else None,
        "answered_until": case.answer.until.isoformat() if case.answer else None,
        "silent": case.hushed,
        "only_to_know": case.only_notes,
        "findings": [
            {
                "rule": h.finding.rule,
                "subject": str(h.finding.subject),
                "urgency": h.finding.urgency.value,
                "sentence": h.finding.sentence,
                "since": h.since.isoformat(),
                "cleared_at": h.cleared_at.isoformat() if h.cleared_at else None,
            }
            for h in case.held
        ],
    }


@click.command()
@click.option("--all", "also_over", is_flag=True, help="Also list cases that are over.")
@click.option("--json", "for_programs", is_flag=True, help="Write one JSON array for programs.")
@about_a_box
@click.pass_context
def cases(context: click.Context, *, also_over: bool, for_programs: bool) -> None:
    """List what is wrong now, most urgent first."""
    with room_of(context) as room, room.store.snapshot() as tx:
        box = room.box
        say_if_old(tx, room)
        found = tx.list_cases(box, open_only=not also_over, limit=500)
        ordered = sorted(found, key=lambda c: (not c.is_open, -c.urgency.rank, -c.number))
        if for_programs:
            click.echo(json.dumps([case_as_json(case) for case in ordered], indent=2))
            return
        if not ordered:
            say("No case is open. That is no proof of health: many drives fail without a sign.")
            _say_elsewhere(tx, room)
            return
        rows = [
            [
                str(case.number),
                URGENCY_WORDS[case.urgency] if case.is_open else "over",
                f"since {room.say(case.opened_at)}",
                standing_of(case, room),
                f"{case.label}: {case.says}",
            ]
            for case in ordered
        ]
        trouble = [row for row, case in zip(rows, ordered, strict=True) if not case.only_notes]
        notes = [row for row, case in zip(rows, ordered, strict=True) if case.only_notes]
        width = terminal_width()
        if trouble:
            say("\n".join(columns(trouble, total=width, indent="")))
        else:
            say("Nothing is open that needs you.")
        if notes:
            say("\nTo know")
            say("\n".join(columns(notes, total=width)))
        _say_elsewhere(tx, room)


def _say_elsewhere(tx: Transaction, room: Room) -> None:
    """Say at a hub that these are the hub's own cases, and how many its boxes have."""
    if not room.at_hub or room.at is not None:
        return
    watched = {box.box for box in tx.enrolled_boxes() if box.state is BoxState.WATCHED}
    heavy = len(watched & set(tx.boxes_with_weight()))
    boxes = say_count(heavy, "box has", "boxes have")
    told = f"{boxes} something open that needs somebody" if heavy else "no box has anything open"
    say(
        f"\nThis is the hub's own book; {told}. Over all boxes: midwatch hub work; of one: "
        "midwatch cases --box BOX"
    )


def _recovery_lines(tx: Transaction, case: Case, room: Room, width: int) -> list[str]:
    """Say where the recovery of the case's pool is, while it goes on."""
    if case.locus.kind is not SubjectKind.POOL or case.only_notes:
        return []
    going_on = tx.open_recoveries(room.box)
    one = next((r for r in going_on if r.pool == case.locus.key), None)
    if one is None:
        return []
    where = f"{state_of(one)}, since {room.say(one.entered_at)}. {bare_sentence(one, room.now)}"
    command = f"midwatch recovery {shlex.quote(one.name)}{room.option}"
    text = f"{capital(where)} What to do: {command}"
    return ["", "The way back to full margin", *(f"  {x}" for x in fold(text, width - 2))]


def _exposure_lines(tx: Transaction, case: Case, room: Room, width: int) -> list[str]:
    """Say window and chance for the pool of a case, where one is open."""
    view = last_view(tx, room.box, room.now)
    pool = pool_of_case(case, view)
    if view is None or pool is None or not case.is_open or case.only_notes:
        return []
    exposure = exposure_of(view, pool, WindowPlan(zone=room.zone), room.now)
    if not exposure.is_open:
        return []
    text = [exposure.sentence, exposure.cost]
    if exposure.ranking.reason:
        text.append(exposure.ranking.reason)
    return ["", "How long, how likely", *(f"  {x}" for s in text for x in fold(s, width - 2))]


@click.command()
@click.argument("number", type=int)
@click.option("--json", "for_programs", is_flag=True, help="Write one JSON object for programs.")
@about_a_box
@click.pass_context
def case(context: click.Context, number: int, *, for_programs: bool) -> None:
    """Tell all about case NUMBER: what was seen, said, answered and done."""
    with room_of(context) as room:
        with room.store.snapshot() as tx:
            box = room.box
            found = tx.case(box, number)
            if found is None:
                raise no_case(room, number)
            records = tx.records(box, number)
        if for_programs:
            click.echo(json.dumps(case_as_json(found), indent=2))
            return
        width = terminal_width()
        head = f"Case {found.number}{room.of_box}: {clean(found.label)}"
        lines = [f"{head}, {standing_of(found, room)}", ""]
        # what a pool says of itself counts; a drive that is gone may still say how it stood before
        pool_told = any(f.subject == found.locus for f in found.standing)
        for held in found.held:
            word = "over" if held.cleared_at else URGENCY_WORDS[held.finding.urgency]
            about = gist(held.finding.sentence) if pool_told else held.finding.sentence
            if held.finding.label != found.label and held.finding.label not in about:
                about = f"{held.finding.label}: {about}"
            folded = fold(about, width - 13)
            lines.append(f"  {word:<9}  {folded[0]}")
            lines.extend(f"             {more}" for more in folded[1:])
            for seen in held.finding.evidence:
                lines.extend(
                    f"             {x}" for x in fold(f"{seen.what}: {seen.value}", width - 13)
                )
            if held.cleared_at is None:
                step = fold(f"next: {held.finding.next_step}", width - 13, "      ")
                lines.extend(f"             {x}" for x in step)
        with room.store.snapshot() as tx:
            lines += _recovery_lines(tx, found, room, width)
            lines += _exposure_lines(tx, found, room, width)
        lines += ["", "What happened"]
        rows = []
        for record in records:
            told = record.what.startswith("told-")
            kind = record.what.removeprefix("told-").replace("-", " ")
            text = f"{record.text} ({kind})" if told else record.text
            who = f"{record.by}: " if record.by and text and not told else record.by
            rows.append([room.say(record.at), say_record(record.what), f"{who} {text}".strip()])
        lines += columns(rows, total=width)
        if found.closed_at is not None:
            lines += ["", f"It lasted {say_span(found.closed_at - found.opened_at)}."]
        elif found.answer is None:
            lines += ["", f"To take it: midwatch ack {found.number}{room.option} --until 18:00"]
        lines += page_lines(room, found)
        say("\n".join(lines))
