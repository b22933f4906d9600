"""``midwatch shelf``: the spares that are kept ready, and what they are good for."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time

import click

from watcher.cli.columns import columns
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import Room, room_of, terminal_width
from watcher.cli.say import say
from watcher.facts.drive import DriveIdentity, DriveReading, Medium, Protocol
from watcher.facts.identity import DriveId, drive_id
from watcher.facts.readiness import Preparation, ShelfSpare, SpareFit
from watcher.facts.units import capital, say_bytes
from watcher.readers.errors import ReadError
from watcher.readers.runner import RealHost
from watcher.readers.spare import look_at_spare
from watcher.recovery.shelf import say_fits, say_proof
from watcher.rules.view import View
from watcher.service.desk import last_view
from watcher.store.transaction import Transaction

_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([kMGTP]?i?)B?", re.IGNORECASE)
_POWERS = "kmgtp"

CAUTION = (
    "Keep it dry, in its bag, where it cannot fall; handle it grounded. Let it come to room "
    "temperature before power is put to it."
)


def parse_size(text: str) -> int | None:
    """Read a size as a person writes it: ``12TB``, ``1.5 TB``, ``500GB``, ``931 GiB``, bytes.

    What is printed on a drive, in whole GB or TB, means the count of sectors that the makers agreed
    on for it, a little more than the bare number: an ``8TB`` spare fits an 8 TB drive.
    """
    found = _SIZE.fullmatch(text.strip())
    if found is None:
        return None
    unit = found[2].lower()
    power = _POWERS.index(unit[0]) + 1 if unit and unit[0] in _POWERS else 0
    base = 1024 if unit.endswith("i") and power else 1000
    if unit == "i":
        return None
    count = round(float(found[1]) * float(base**power))
    printed = base == 1000 and power >= _GIGA and count % _A_GB == 0
    size_gb = count // _A_GB
    if printed and size_gb > _TABLE_TO_GB:
        return -(-count // _A_GIB) * _A_GIB
    if printed and size_gb >= _TABLE_FROM_GB:
        return (_SECTORS_50_GB + _SECTORS_A_GB * (size_gb - 50)) * 512
    return count if count > 0 else None


_GIGA = 3  # powers of a thousand
_A_GB, _A_GIB = 1_000_000_000, 1 << 30
_TABLE_FROM_GB = 80
_TABLE_TO_GB = 8_000  # larger ones: the next whole GiB (SFF-8447, from memory)
_SECTORS_50_GB = 97_696_368
_SECTORS_A_GB = 1_953_504
"""Sectors of 512 bytes, IDEMA LBA1-03 (from memory): 97,696,368 + 1,953,504 x (GB - 50)."""


def size_of(text: str) -> int:
    """Read a size, or stop with what would be right."""
    size = parse_size(text)
    if size is None:
        raise Stop(
            f"“{text}” is not a size. Write 12TB, 500GB, 931GiB or a number of bytes.",
            Exit.WRONG_WORDS,
        )
    return size


def day_of(text: str) -> date:
    """Read a day, or stop with what would be right."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise Stop(f"“{text}” is not a day. Write it as 2031-05-31.", Exit.WRONG_WORDS) from None


def moment_of(day: date, room: Room) -> datetime:
    """Give noon of a day in the owner's zone."""
    return datetime.combine(day, time(12), tzinfo=room.zone).astimezone(UTC)


def coming_day(text: str, room: Room) -> datetime:
    """Read the day on which something should come, or stop: a day that is over is a slip."""
    day = day_of(text)
    if day < room.now.astimezone(room.zone).date():
        raise Stop(
            f"“{text}” is over. Write the day on which it should come; what is here already goes "
            "on the shelf with: midwatch shelf add DEVICE",
            Exit.WRONG_WORDS,
        )
    return moment_of(day, room)


def past_day(text: str, room: Room) -> datetime:
    """Read the day on which something was done, or stop: a day to come is a slip of the hand."""
    day = day_of(text)
    if day > room.now.astimezone(room.zone).date():
        raise Stop(
            f"“{text}” has not come yet. Write the day on which it was done.", Exit.WRONG_WORDS
        )
    return min(moment_of(day, room), room.now)


def find_spare(tx: Transaction, room: Room, number: int) -> ShelfSpare:
    """Find a spare by its number, or stop with what there is."""
    shelf = tx.shelf(room.box)
    found = next((spare for spare in shelf if spare.number == number), None)
    if found is None:
        known = ", ".join(str(spare.number) for spare in shelf) or "none"
        raise Stop(f"There is no spare {number} on the shelf; known are: {known}.", Exit.NOT_FOUND)
    return found


def _where_it_fits(fits: Sequence[SpareFit], number: int, *, at_hub: bool) -> str:
    """Say where a spare fits; at a hub, whose own box has no pools, which boxes it is for."""
    if at_hub:
        return "counts for the boxes of all clients (midwatch hub work)"
    return say_fits([fit for fit in fits if fit.spare == number])


def show_shelf(
    shelf: Sequence[ShelfSpare],
    fits: Sequence[SpareFit],
    now: datetime,
    width: int,
    used: Collection[int] = (),
    *,
    at_hub: bool = False,
) -> str:
    """Lay out the shelf: what lies there, what it is worth, where it fits.

    ``used`` numbers the spares that are part of a pool by now.
    """
    if not shelf:
        return "The shelf is empty. midwatch shelf add puts a spare there."
    rows = []
    for spare in shelf:
        who = spare.identity
        name = f"{who.model} {who.serial}".strip() if who is not None else "(ordered)"
        words = [say_proof(spare, now)]
        if spare.number not in used:
            words.append(_where_it_fits(fits, spare.number, at_hub=at_hub))
        if spare.warranty_until is not None:
            over = "ended" if spare.warranty_until < now.date() else "until"
            words.append(f"warranty {over} {spare.warranty_until:%d %b %Y}")
        words += [word for word in (spare.place, spare.note) if word]
        rows.append([str(spare.number), name, say_bytes(spare.bytes), "; ".join(words)])
    return "\n".join(columns(rows, total=width, indent=""))


def _ready(tx: Transaction, room: Room) -> tuple[View | None, Preparation]:
    """Give what is known of readiness, with or without a survey."""
    view = last_view(tx, room.box, room.now)
    if view is None or view.ready is None:
        return None, Preparation(shelf=tx.shelf(room.box))
    return view, view.ready


@click.group(invoke_without_command=True)
@click.pass_context
def shelf(context: click.Context) -> None:
    """Show the spares that are kept ready, or put one there."""
    if context.invoked_subcommand is None:
        context.invoke(list_)


@shelf.command("list")
@click.pass_context
def list_(context: click.Context) -> None:
    """List the spares: proven or not, by when again, and where each one fits."""
    with room_of(context, need_state=False) as room, room.store.snapshot() as tx:
        _, ready = _ready(tx, room)
        every = tx.shelf(room.box)
        used = {s.number for s in every} - {s.number for s in ready.shelf}
        width = terminal_width()
        say(show_shelf(every, ready.fits, room.now, width, used, at_hub=room.at_hub))
        for number in sorted(used):
            say(
                f"Spare {number} is part of a pool now: take it off the shelf with "
                f"midwatch shelf remove {number}"
            )


def _by_hand(
    *, model: str, serial: str, size: int | None, flash: bool, nvme: bool
) -> DriveIdentity:
    """Make the identity of a drive from what is printed on it."""
    known = drive_id(wwn=None, model=model, serial=serial)
    if known is None or size is None:
        raise Stop(
            "Say what is printed on it: --model, --serial and --size; or name the device while it "
            "is plugged in.",
            Exit.WRONG_WORDS,
        )
    return DriveIdentity(
        drive=known,
        model=model,
        serial=serial,
        capacity_bytes=size,
        medium=Medium.FLASH if flash or nvme else Medium.UNKNOWN,
        protocol=Protocol.NVME if nvme else Protocol.UNKNOWN,
    )


def _plugged(device: str, now: datetime) -> DriveIdentity:
    """Ask a plugged drive who it is."""
    try:
        answer = look_at_spare(RealHost(), device, now)
    except ReadError as error:
        raise Stop(f"{device} could not be asked: {error}.", Exit.REFUSED) from error
    if answer is None:
        raise Stop(f"There is no drive {device} here.", Exit.NOT_FOUND)
    return answer.identity if isinstance(answer, DriveReading) else answer


def refuse_member(view: View | None, drive: DriveId) -> None:
    """Stop when a drive is part of a pool: it is no spare."""
    for pool in view.survey.pools if view is not None else ():
        if drive in pool.drives or any(drive in m.drives for m in pool.others):
            raise Stop(f"That drive is part of the pool {pool.name}: it is no spare.", Exit.REFUSED)


@shelf.command()
@click.argument("device", required=False, type=click.Path(readable=False))
@click.option("--model", default="", help="As printed on the drive, when it is not plugged in.")
@click.option("--serial", default="", help="Likewise.")
@click.option("--size", help="12TB, 500GB …; likewise.")
@click.option("--flash", is_flag=True, help="It is a flash drive.")
@click.option("--nvme", is_flag=True, help="It is an NVMe drive.")
@click.option("--warranty", metavar="DAY", help="Its warranty ends on this day: 2031-05-31.")
@click.option("--place", default="", help="Where it lies: “drawer in the office”.")
@click.option("--note", default="", help="Anything else.")
@click.option("--ordered", type=int, metavar="NUMBER", help="It is the ordered one; it arrived.")
@click.pass_context
def add(  # noqa: PLR0913 - one argument for each option
    context: click.Context,
    device: str | None,
    model: str,
    serial: str,
    size: str | None,
    *,
    flash: bool,
    nvme: bool,
    warranty: str | None,
    place: str,
    note: str,
    ordered: int | None,
) -> None:
    """Put a spare on the shelf: DEVICE while it is plugged in, or what is printed on it."""
    with room_of(context, need_state=False) as room:
        box = room.box
        if device is not None:
            who = _plugged(device, room.now)
        else:
            given = size_of(size) if size else None
            who = _by_hand(model=model, serial=serial, size=given, flash=flash, nvme=nvme)
        until = day_of(warranty) if warranty else None
        with room.store.transaction() as tx:
            view = last_view(tx, box, room.now)
            refuse_member(view, who.drive)
            here = [s for s in tx.shelf(box) if s.identity and s.identity.drive == who.drive]
            if here:
                raise Stop(f"It is on the shelf already, as {here[0].label}.", Exit.REFUSED)
            spare = ShelfSpare(
                number=0,
                identity=who,
                added_at=room.now,
                warranty_until=until,
                place=place,
                note=note,
            )
            if ordered is not None:
                waiting = find_spare(tx, room, ordered)
                if not waiting.ordered:
                    raise Stop(f"Spare {ordered} is here already.", Exit.REFUSED)
                spare = replace(
                    spare,
                    number=waiting.number,
                    warranty_until=until or waiting.warranty_until,
                    note=note or waiting.note,
                )
                tx.save_spare(box, spare)
            else:
                spare = tx.add_spare(box, spare)
            tx.retire_drive(who.drive)  # it is not expected to stay plugged in
            _, ready = _ready(tx, room)
        fits = _where_it_fits(ready.fits, spare.number, at_hub=room.at_hub)
        say(
            f"{capital(spare.label)} ({say_bytes(spare.bytes)}) is on the "
            f"shelf. It {fits}.\nWrite the number {spare.number} on it. {CAUTION}\n"
            "Prove it before it is needed: midwatch prove (which erases it)."
        )


@shelf.command()
@click.option("--size", required=True, help="12TB, 500GB …")
@click.option("--arrives", metavar="DAY", help="When it should come: 2031-05-31.")
@click.option("--note", default="", help="Where it was ordered.")
@click.pass_context
def order(context: click.Context, size: str, arrives: str | None, note: str) -> None:
    """Write down that a spare was ordered, and when it should arrive."""
    with room_of(context, need_state=False) as room:
        coming = ShelfSpare(
            number=0,
            capacity_bytes=size_of(size),
            added_at=room.now,
            arrives_at=coming_day(arrives, room) if arrives else None,
            ordered=True,
            note=note,
        )
        with room.store.transaction() as tx:
            spare = tx.add_spare(room.box, coming)
            _, ready = _ready(tx, room)
        fits = _where_it_fits(ready.fits, spare.number, at_hub=room.at_hub)
        say(
            f"Spare {spare.number} ({say_bytes(spare.bytes)}) is on its way. It {fits}. "
            f"When it is here: midwatch shelf add DEVICE --ordered {spare.number}"
        )


@shelf.command()
@click.argument("number", type=int)
@click.pass_context
def remove(context: click.Context, number: int) -> None:
    """Take spare NUMBER off the shelf: it went into a pool, or away."""
    with room_of(context) as room:
        with room.store.transaction() as tx:
            spare = find_spare(tx, room, number)
            tx.remove_spare(room.box, number)
        say(f"{capital(spare.label)} is off the shelf.")


@shelf.command("proven")
@click.argument("number", type=int)
@click.option("--on", "day", required=True, metavar="DAY", help="When its burn-in ended.")
@click.option("--how", required=True, help="What was done: “written, read back, self-test”.")
@click.option("--failed", is_flag=True, help="It did not pass.")
@click.pass_context
def proven(context: click.Context, number: int, day: str, how: str, *, failed: bool) -> None:
    """Write down a burn-in of spare NUMBER that was made elsewhere."""
    with room_of(context) as room:
        at = past_day(day, room)
        with room.store.transaction() as tx:
            spare = find_spare(tx, room, number)
            if spare.ordered:
                raise Stop(f"Spare {number} is not here yet.", Exit.REFUSED)
            told = f"{how} (made elsewhere, as the owner says)"
            done = (
                replace(spare, failed_at=at, proof=told)
                if failed
                else replace(spare, proven_at=at, proof=told)
            )
            tx.save_spare(room.box, done)
        say(f"{capital(done.label)}: {say_proof(done, room.now)}.")
