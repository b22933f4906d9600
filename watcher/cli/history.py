"""What history knows of drives: ``history``, ``drive``, ``drives``, ``retire``."""

from __future__ import annotations

import csv
import re
import shlex
import sys
from datetime import timedelta

import click

from watcher.cli.columns import columns, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import Room, find_drive, label_of, parse_span, room_of, terminal_width
from watcher.cli.say import say
from watcher.cli.which_box import about_a_box
from watcher.facts.drive import Metric
from watcher.facts.survey import Survey
from watcher.facts.units import say_bytes, say_count, say_percent
from watcher.rules.chance_words import say_chance
from watcher.rules.look import Look
from watcher.rules.risk import Chance, chance_30_days
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import say_bay
from watcher.service.desk import last_view
from watcher.store.history import KnownDrive
from watcher.store.transaction import Transaction

_SPACED = re.compile(r"\s+")


@click.command()
@click.argument("drive")
@click.option("--metric", metavar="METRIC", help="One metric only, as in the first column.")
@click.option("--since", default="30d", show_default=True, metavar="SPAN", help="How far back.")
@click.option("--csv", "as_csv", is_flag=True, help="Write comma-separated values.")
@about_a_box
@click.pass_context
def history(
    context: click.Context, drive: str, metric: str | None, since: str, *, as_csv: bool
) -> None:
    """Show what DRIVE (a serial, a bay, an id or a node) reported over time."""
    back = parse_span(since)
    if back is None:
        raise Stop(f"“{since}” is not a span; write 12h, 30d or 8w.", Exit.WRONG_WORDS)
    wanted = [m for m in Metric if metric is None or m.value == _SPACED.sub("-", metric.strip())]
    if not wanted:
        known = ", ".join(m.value for m in Metric)
        raise Stop(f"There is no metric “{metric}”; known are: {known}.", Exit.WRONG_WORDS)
    with room_of(context) as room, room.store.snapshot() as tx:
        found = find_drive(tx, drive, room)
        rows = []
        for one in wanted:
            points = tx.series(found.identity.drive, one, room.now - back, room.now)
            rows += [(one, point) for point in points]
        if as_csv:
            writer = csv.writer(sys.stdout)
            writer.writerow(["metric", "at", "lasts_seconds", "last", "lowest", "highest"])
            for one, p in rows:
                seconds = int(p.lasts.total_seconds())
                writer.writerow([one.value, p.at.isoformat(), seconds, p.last, p.lowest, p.highest])
            return
        say(f"{label_of(found)}, the last {since}\n")
        table = [
            [
                one.value.replace("-", " "),
                f"{p.at.astimezone(room.zone):%d %b %Y %H:%M}",
                str(p.last) if p.lowest == p.highest else f"{p.last} ({p.lowest} to {p.highest})",
            ]
            for one, p in rows
        ]
        say("\n".join(columns(table, total=terminal_width())) or "Nothing was recorded.")
        days = tx.poll_days(found.identity.drive, room.now - back, room.now)
        read, asleep = sum(d.read for d in days), sum(d.asleep for d in days)
        failed = sum(d.failed for d in days)
        say(f"\nLooked at: read {say_count(read, 'time')}, asleep {asleep}, no answer {failed}.")


def _chance_of(tx: Transaction, found: KnownDrive, room: Room) -> Chance:
    """Give the chance that a drive fails: with all its signs where it was read lately."""
    box = room.box
    view = last_view(tx, box, room.now)
    who = found.identity.drive
    reading = view.survey.reading(who) if view is not None else None
    if view is not None and reading is not None:
        target = view.target_of(who)
        past = view.past.get(who)
        return Look(
            reading=reading, past=past, now=room.now, tuning=UNTUNED, target=target, view=view
        ).chance
    past = tx.drive_pasts(box, room.now - timedelta(days=31), room.now).get(who)
    return chance_30_days(
        identity=found.identity,
        metrics={Metric(name): value for name, value, _ in found.latest},
        traces={t.metric: t for t in past.traces} if past else {},
        now=room.now,
    )


def _chance_lines(found: KnownDrive, chance: Chance, room: Room, *, gone: bool) -> tuple[str, ...]:
    """Say a chance, and from how old an answer; of a drive never read nothing about its signs."""
    if found.last_read is None:
        words = "What it counts could never be read, so whether it shows a sign is not known."
        return (f"{words} Of drives like it {say_percent(chance.base)} fail in a year.",)
    lines = say_chance(chance)
    if gone:
        left = "It is not there any more, so it may have failed already."
        return (f"{left} By its last answer, {room.say(found.last_read)}:", *lines)
    if found.unread is None:
        return lines
    return (f"By its last answer, {room.say(found.last_read)}; it gives none now.", *lines)


def fold_line(text: str) -> list[str]:
    """Break a long sentence; a line that is laid out already stays as it is."""
    return [text] if text.startswith("  ") else fold(text, terminal_width())


@click.command()
@click.argument("drive")
@about_a_box
@click.pass_context
def drive(context: click.Context, drive: str) -> None:
    """Tell what is known of DRIVE, and which signs raise its chance of failing by how much."""
    with room_of(context) as room, room.store.snapshot() as tx:
        found = find_drive(tx, drive, room)
        who = found.identity
        chance = _chance_of(tx, found, room)
        last = tx.last_survey(room.box)
        gone = _is_gone(found, last)
        when = ", when last read" if gone else ""
        rows = [
            ["id", who.drive],
            ["size", say_bytes(who.capacity_bytes)],
            ["firmware", who.firmware or "not known"],
            ["first seen", room.say(found.first_seen)],
            ["presence", _say_presence(found, last, room)],
            ["last read", room.say(found.last_read) if found.last_read else "never"],
            ["verdict", f"{found.verdict.value} (the drive's own{when})"],
            ["expected", "yes" if found.in_use else "no, retired"],
        ]
        if found.unread is not None:
            rows.append(["no answer", found.unread_detail])
        lines = [label_of(found), *columns(rows, total=terminal_width()), ""]
        lines += [
            x for text in _chance_lines(found, chance, room, gone=gone) for x in fold_line(text)
        ]
        latest = [
            [name.replace("-", " "), str(value), f"since {room.say(since)}"]
            for name, value, since in found.latest
        ]
        if latest:
            lines += ["", "Last reading", *columns(latest, total=terminal_width())]
        say("\n".join(lines))


def _say_presence(known: KnownDrive, last: Survey | None, room: Room) -> str:
    """Say when a drive was last there, and that it is not there now."""
    if known.last_present is None:
        return "never there"
    missed = "not there, " if _is_gone(known, last) else ""
    return f"{missed}last there {room.say(known.last_present)}"


def _is_gone(known: KnownDrive, last: Survey | None) -> bool:
    """Tell whether a drive that is expected is not there."""
    return known.in_use and last is not None and known.identity.drive not in last.present


@click.command()
@about_a_box
@click.pass_context
def drives(context: click.Context) -> None:
    """List every drive that was ever seen here, retired ones too."""
    with room_of(context) as room, room.store.snapshot() as tx:
        last = tx.last_survey(room.box)
        rows = [
            [
                say_bay(d.bay) if d.bay else (d.node or ""),
                d.identity.model or "model unknown",
                say_bytes(d.identity.capacity_bytes),
                d.identity.serial or "no serial",
                "expected" if d.in_use else "retired",
                _say_presence(d, last, room),
            ]
            for d in tx.drives(room.box)
        ]
        say(
            "\n".join(columns(rows, total=terminal_width(), indent=""))
            or "No drive was seen here yet."
        )


@click.command()
@click.argument("drive", required=False)
@click.option("--pool", metavar="POOL", help="A pool that was dissolved or moved away, instead.")
@click.option("--back", is_flag=True, help="Expect it again.")
@about_a_box
@click.pass_context
def retire(context: click.Context, drive: str | None, pool: str | None, *, back: bool) -> None:
    """Expect DRIVE no more: it was taken out for good. Its history stays.

    A pool too: midwatch retire --pool orchard
    """
    if (drive is None) == (pool is None):
        raise Stop("Name a drive, or a pool with --pool.", Exit.WRONG_WORDS)
    with room_of(context) as room, room.store.transaction() as tx:
        if pool is not None:
            label, still = _retire_pool(tx, pool, room, back=back), ""
        else:
            found = find_drive(tx, drive or "", room)
            tx.retire_drive(found.identity.drive, in_use=back)
            label = label_of(found)
            still = "" if back else _still_here(tx, found, room)
        words = "is expected again" if back else "is not expected any more; its history stays"
        say(f"{label} {words}.{still}")


def _still_here(tx: Transaction, known: KnownDrive, room: Room) -> str:
    """Say of a drive that was retired and is there what comes of it; "" of one that is away."""
    survey, who = tx.last_survey(room.box), known.identity
    if survey is None or who.drive not in survey.present:
        return ""
    pool = next((pool.name for pool in survey.pools if who.drive in pool.drives), None)
    told = f"only the pool {pool} tells of it" if pool is not None else "nobody is told"
    name = who.serial or who.drive
    return (
        f" It is still here: when it leaves, {told}. If it was another one that you meant: "
        f"midwatch retire {shlex.quote(name)} --back{room.option}"
    )


def _retire_pool(tx: Transaction, text: str, room: Room, *, back: bool) -> str:
    """Expect a pool no more, or again; give its name. One that is there cannot be retired."""
    box = room.box
    pasts = tx.pool_pasts(box)
    found = [key for key, past in pasts.items() if text in {key, past.name}]
    survey = tx.last_survey(box)
    here = {pool.pool for pool in survey.pools} if survey is not None else set()
    gone = [key for key in found if key not in here]
    if not found:
        names = ", ".join(sorted({past.name for past in pasts.values()})) or "none"
        raise Stop(f"No pool here is called “{text}”; known are: {names}.", Exit.NOT_FOUND)
    if not gone and not back:
        raise Stop(f"The pool {text} is still there, so it goes on being watched.", Exit.REFUSED)
    for key in gone or found:
        tx.retire_pool(box, key, in_use=back)
    return f"The pool {text}"
