"""``midwatch locate DRIVE``: which of all these is it? By light, by rhythm, and by its label."""

from __future__ import annotations

import threading
import time

import click

from watcher.cli.columns import columns, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import find_drive, room_of, terminal_width
from watcher.cli.say import say
from watcher.cli.show import in_order
from watcher.facts.identity import DriveId
from watcher.facts.units import say_bytes, say_count
from watcher.readers.runner import RealHost
from watcher.recovery.checklist import POWER_DOWN
from watcher.rules.view import View, say_bay
from watcher.service.desk import last_view
from watcher.service.locate import Beat, blink, lamp_of, reader_of, seat_of, set_lamp
from watcher.store.history import KnownDrive

LONGEST_SECONDS = 3600


@click.command()
@click.argument("drive")
@click.option(
    "--seconds",
    default=60,
    show_default=True,
    type=click.IntRange(1, LONGEST_SECONDS),
    help="How long to read in a rhythm.",
)
@click.option("--off", is_flag=True, help="Put the enclosure's light out again.")
@click.option("--rhythm", is_flag=True, help="Read in a rhythm even where there is a light.")
@click.pass_context
def locate(
    context: click.Context, drive: str, *, seconds: int, off: bool, rhythm: bool
) -> None:  # fmt: skip
    """Make DRIVE findable: by its enclosure's light, else by a rhythm on its activity light.

    The rhythm only reads, past the cache, and Ctrl-C stops it. The light stays on until --off.
    """
    with room_of(context) as room, room.store.snapshot() as tx:
        known = find_drive(tx, drive, room)
        view = last_view(tx, room.box, room.now)
    width = terminal_width()
    here = view is None or known.identity.drive in view.survey.present
    say("\n".join(_label(known, view, width, here=here)))
    if not here or not known.node:
        say("\n".join(_absent(known, view, width)))
        return
    disk = _disk_of(known)
    lamp = None if rhythm else lamp_of(RealHost(), disk)
    if lamp is not None:
        try:
            set_lamp(lamp, on=not off)
        except OSError as error:
            raise Stop(
                f"The light of {lamp.slot} cannot be set ({error.strerror}). Run as root, or use "
                "--rhythm.",
                Exit.REFUSED,
            ) from error
        done = "is out" if off else f"is on; put it out with: midwatch locate {drive} --off"
        say(f"The light of {lamp.slot} (enclosure {lamp.enclosure}) {done}")
        return
    if off:
        raise Stop("No enclosure here has a light for it: there is nothing to put out.",
                   Exit.REFUSED)  # fmt: skip
    _rhythm(f"/dev/{disk}", seconds)


def _disk_of(known: KnownDrive) -> str:
    """Give the disk that the drive is now, or stop: no light of another drive may blink."""
    last = (known.node or "").rsplit("/", 1)[-1]
    seat = seat_of(RealHost(), known.identity, last)
    if seat.disk is None:
        raise Stop(
            f"{known.node} is another drive now, so nothing blinks: it would be the wrong light. "
            "Let the watch look again (midwatch look), then ask once more. A drive behind a "
            "controller has no light of its own here; the controller's own program lights it.",
            Exit.REFUSED,
        )
    if seat.disk != last:
        say(f"It is /dev/{seat.disk} now.")
    elif not seat.sure:
        say(f"Whether /dev/{last} is still this drive is not known: read the serial number.")
    return seat.disk


def _label(known: KnownDrive, view: View | None, width: int, *, here: bool) -> list[str]:
    """Say what is printed on the drive, and the usual cautions."""
    who = known.identity
    rows = [
        ["bay", say_bay(known.bay) if known.bay else "not told: name it in the settings"],
        ["model", who.model or "unknown"],
        ["size", say_bytes(who.capacity_bytes)],
        ["serial", who.serial or "unknown"],
        ["node" if here else "node before", known.node or "none"],
    ]
    pools = [] if view is None else [p.name for p in view.pools_of(who.drive)]
    rows.append(["pool", ", ".join(pools) or "none that is known"])
    cautions = (
        "Pull nothing whose serial number you have not read off the drive itself. " + POWER_DOWN
    )
    return [*columns(rows, total=width, indent=""), "", *fold(cautions, width), ""]


def _absent(known: KnownDrive, view: View | None, width: int) -> list[str]:
    """Say how to find a drive that does not answer: by those that do."""
    lines = fold(
        "It does not answer, so it cannot blink. Let the others blink one by one: the one that "
        "stays dark is it.",
        width,
    )
    return [*lines, *columns(_others(known.identity.drive, view), total=width)]


def _others(drive: DriveId, view: View | None) -> list[list[str]]:
    """Give the command for each drive that answers, and where it sits; by bay where it is told."""
    if view is None:
        return []
    found = [
        (in_order(bay := view.bay_of(r.identity.drive) or ""), bay, r.identity.serial)
        for r in view.survey.drives
        if r.identity.drive != drive and r.identity.serial
    ]
    return [
        [f"midwatch locate {serial}", say_bay(bay) if bay else ""]
        for _, bay, serial in sorted(found)
    ]


def _rhythm(node: str, seconds: int) -> None:
    """Read in the rhythm, until it is over or the person stops it."""
    say(
        f"Reading {node} in a rhythm for {say_count(seconds, 'second')}: short, short, long. "
        "Look for the light that does the same. Ctrl-C stops it. Nothing is written."
    )
    waiting = threading.Event()
    try:
        with reader_of(node) as read:
            done = blink(read, Beat(now=time.monotonic, wait=waiting.wait), seconds)
    except KeyboardInterrupt:
        say("Stopped.")
        return
    except OSError as error:
        raise Stop(
            f"{node} cannot be read ({error.strerror}). Run as root; a drive that is gone cannot "
            "blink.",
            Exit.REFUSED,
        ) from error
    bad = f", {say_count(done.failed, 'place')} could not be read" if done.failed else ""
    say(f"Done: {say_count(done.reads, 'read')}{bad}.")
