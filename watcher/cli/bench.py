"""``midwatch bench DRIVE``: a drive that was brought in, its past and present on one page."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import click

from watcher.cli.columns import clean, columns, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import room_of, settings_of, terminal_width
from watcher.cli.say import say
from watcher.facts.drive import DriveReading, DriveUnread
from watcher.facts.identity import DriveId
from watcher.readers import saved_reports
from watcher.readers.drive_target import AUTO, DriveTarget
from watcher.readers.errors import CannotParse, ReadError
from watcher.readers.runner import RealHost
from watcher.readers.smartctl import parse, read_drive
from watcher.service.bench import PastHere, past_of
from watcher.service.bootstrap import to_standing, zone_of
from watcher.service.clock import SystemClock
from watcher.service.settings_shape import Config
from watcher.service.state import has_state
from watcher.service.statement import Statement, state
from watcher.store.transaction import Transaction
from watcher.web.bench_page import as_file


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """A drive as it was named on the command line."""

    reading: DriveReading | DriveUnread | None
    drive: DriveId | None  # by which its past is looked up; None: it told nobody who it is
    origin: str


@click.command()
@click.argument("drive", type=click.Path(readable=False))
@click.option("--for", "client", default="", metavar="CLIENT", help="For whom it is printed.")
@click.option("--type", "device_type", default=AUTO, help="smartctl's device type (sat, nvme, …).")
@click.option(
    "--page",
    metavar="FILE",
    type=click.Path(readable=False),
    help="Write it as a page to print, in one file.",
)
@click.pass_context
def bench(
    context: click.Context, drive: str, client: str, device_type: str, page: str | None
) -> None:
    """Say what the past and the present of a drive that was brought in tell.

    DRIVE is a device (/dev/sdX), a saved report of smartctl, or a serial number or id that is
    known here. Nothing is written to the drive and no test is started.
    """
    config = settings_of(context)
    now = SystemClock().now()
    brought = look_at(drive, device_type, now)
    if has_state(config):
        with room_of(context) as room, room.store.snapshot() as tx:
            if brought is None:
                brought = _known(tx, drive)
            past = past_of(tx, brought.drive, now) if brought.drive is not None else None
    else:
        past = None
    if brought is None:
        raise Stop(f"“{drive}” is no device, no report, and no drive that is known here.",
                   Exit.NOT_FOUND)  # fmt: skip
    statement = _made(brought, past, client, config, now)
    if page is None:
        for line in written(statement, config, terminal_width()):
            say(line)
        return
    try:
        Path(page).write_bytes(as_file(statement, zone_of(config)))
    except OSError as error:
        raise Stop(f"{page} cannot be written ({error.strerror}).", Exit.REFUSED) from error
    say(f"The statement is in {page}; open it and print it.")


def _made(
    brought: Brought, past: PastHere | None, client: str, config: Config, now: datetime
) -> Statement:
    try:
        return state(
            brought.reading,
            past,
            origin=brought.origin,
            client=client,
            tuning=to_standing(config).tuning,
            now=now,
        )
    except ValueError as error:
        raise Stop("Nothing is known of this drive.", Exit.NOT_FOUND) from error


def look_at(text: str, device_type: str, now: datetime) -> Brought | None:
    """Read a device or a saved report; None when the text names neither."""
    path = Path(text)
    if path.is_block_device() or path.is_char_device():
        target = DriveTarget(node=text, device_type=device_type)
        read = read_drive(RealHost(), target, observed_at=now, deep=True, wake=True)
        origin = f"Asked on the bench at {text}, by smartctl; nothing was written to it."
        return Brought(reading=read, drive=_id_of(read), origin=origin)
    if text.startswith("/dev/"):
        raise Stop(f"There is no device {text} here.", Exit.NOT_FOUND)
    if not path.is_file():
        return None
    read = _report(path)
    origin = f"From a saved report of smartctl ({path.name}); the drive itself was not here."
    return Brought(reading=read, drive=_id_of(read), origin=origin)


def _id_of(read: DriveReading | DriveUnread) -> DriveId | None:
    return read.identity.drive if isinstance(read, DriveReading) else read.drive


def _report(path: Path) -> DriveReading | DriveUnread:
    """Read one saved report, text or JSON."""
    try:
        with path.open("rb") as file:
            start = file.read(64).lstrip()[:1]
        if start == b"{":
            text = path.read_text("utf-8", "replace")[: saved_reports.LARGEST_BYTES]
            return parse(text, node=path.name, observed_at=_told_at(text, path))
        found = saved_reports.read(path)
    except (ReadError, CannotParse, OSError) as error:
        raise Stop(f"{path} cannot be used: {error}", Exit.REFUSED) from error
    read: list[DriveReading | DriveUnread] = [*found.readings, *found.unread]
    if len(read) != 1:
        why = found.refused[0].reason if found.refused else "it is no report of smartctl"
        raise Stop(f"{path} cannot be used: {why}.", Exit.REFUSED)
    return read[0]


def _told_at(text: str, path: Path) -> datetime:
    """Give when a report in JSON was made: by itself, else when its file was written."""
    written = saved_reports.written_at(path)
    try:
        return datetime.fromtimestamp(int(json.loads(text)["local_time"]["time_t"]), UTC)
    except (ValueError, KeyError, TypeError, OverflowError, OSError):
        return written


def _known(tx: Transaction, text: str) -> Brought:
    """Find a drive by what a person types, wherever it was seen."""
    found = tx.find_drive(text)
    plain = sorted({str(drive.identity.drive).partition("@")[0] for drive in found})
    if not plain:
        raise Stop(
            f"“{text}” is no device, no report, and no drive that is known here.", Exit.NOT_FOUND
        )
    if len(plain) > 1:
        raise Stop(f"“{text}” fits several drives: {', '.join(plain[:6])}.", Exit.NOT_FOUND)
    origin = "Not asked now: from what was written down here when it was watched."
    return Brought(reading=None, drive=DriveId(plain[0]), origin=origin)


def written(statement: Statement, config: Config, width: int) -> Iterator[str]:
    """Write the statement for a terminal or a printer of text."""
    width = min(width, 100)
    made = statement.made_at.astimezone(zone_of(config))
    yield clean(statement.title)
    whom = f" for {statement.client}" if statement.client else ""
    yield f"Statement{whom}, {made:%d %b %Y %H:%M}"
    yield from fold(clean(statement.origin), width)
    yield ""
    yield from fold(clean(statement.comes_to), width)
    for section in statement.sections:
        yield ""
        yield section.title
        yield from columns([list(row) for row in section.rows], total=width)
        for line in section.lines:
            yield from (f"  {part}" for part in fold(clean(f"- {line}"), width - 2, "  "))
