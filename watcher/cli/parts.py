"""What commands share: the settings, the store, times in a person's words, and who is asking."""

from __future__ import annotations

import getpass
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import click

from watcher.cases.observations import Observation
from watcher.cli.exits import Exit, Stop
from watcher.cli.say import say
from watcher.cli.which_box import BOX, CLIENT, box_named, option_of, plain_name
from watcher.facts.identity import BoxId
from watcher.facts.pool import Pool
from watcher.facts.survey import Survey
from watcher.facts.units import capital, say_span
from watcher.hub.clients import Clients
from watcher.rules.view import say_bay
from watcher.service.bootstrap import box_of, load_settings, to_standing, zone_of
from watcher.service.clock import SystemClock
from watcher.service.desk import Desk, Outcome, Standing
from watcher.service.opened import open_for_command
from watcher.service.settings import environment, usual_settings
from watcher.service.settings_shape import Config
from watcher.service.state import has_state, store_path, why_no_store
from watcher.store.database import Store
from watcher.store.history import KnownDrive
from watcher.store.hub import EnrolledBox
from watcher.store.transaction import Transaction


def hint_of_rights(survey: Survey, user: int) -> str:
    """Say that root would see more, when something cannot be seen and this is not root; else ""."""
    if user == 0 or not (survey.blind or survey.unread):
        return ""
    return (
        "This does not run as root. Drives, most pools and the kernel log tell only root all they "
        "know: run it with sudo."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What a command works in."""

    config: Config
    store: Store
    now: datetime
    at: EnrolledBox | None = None  # one of a hub's boxes; None: what this desk stands on
    at_hub: bool = False
    option: str = ""  # how the box is named in a command that is shown to a person

    @property
    def box(self) -> BoxId:
        """The box that the command is about."""
        return self.at.box if self.at is not None else box_of(self.config)

    @property
    def of_box(self) -> str:
        """Say of which box and whose, behind a noun; "" where there is one box only."""
        return f" of {plain_name(self.at)} ({self.at.client})" if self.at is not None else ""

    @property
    def zone(self) -> ZoneInfo:
        """The owner's time zone."""
        return zone_of(self.config)

    def desk(self) -> Desk:
        """Give the desk over this store."""
        return Desk(self.store, self.standing)

    @property
    def standing(self) -> Standing:
        """What the desk works by for the box: at a hub by whose box it is."""
        standing = to_standing(self.config)
        if not self.at_hub:
            return standing
        clients = Clients(standing, self.config)
        return clients.own if self.at is None else clients.of(self.at)

    def hear(self, observation: Observation) -> Outcome:
        """Hand to the desk what a person said.

        A box that is quiet sends nothing that would set when its book falls due: it is set here.
        """
        with self.store.transaction() as tx:
            return self.hear_within(tx, observation)

    def hear_within(self, tx: Transaction, observation: Observation) -> Outcome:
        """Hand it to the desk within a transaction that does more."""
        outcome = self.desk().hear_within(tx, observation, self.now)
        if self.at is not None and not outcome.refused:
            tx.set_due(self.at.box, outcome.deadline)
        return outcome

    def say(self, moment: datetime) -> str:
        """Say a moment in the owner's zone: the day only when it is not today."""
        local, today = moment.astimezone(self.zone), self.now.astimezone(self.zone)
        if local.date() == today.date():
            return f"{local:%H:%M}"
        if abs(local - today) < timedelta(days=6):
            return f"{local:%a %H:%M}"
        return f"{local:%d %b %Y %H:%M}"


LATE_ROUNDS = 3
"""Looks that are missed before an old one is told as old. Our choice: one may fail, one be slow."""


def say_if_old(tx: Transaction, room: Room) -> None:
    """Say that nobody looked here yet, or not lately: what is shown is no news then.

    Nothing is said of a hub itself, which looks at no drives.
    """
    if room.at_hub and room.at is None:
        return
    last = tx.last_survey(room.box)
    if last is None:
        say(
            "Nothing was looked at here yet, so nothing is known. Begin with: midwatch watch",
            err=True,
        )
        return
    minutes = room.config.survey.every_minutes
    every = timedelta(seconds=room.at.every_seconds) if room.at else timedelta(minutes=minutes)
    age = room.now - last.taken_at
    if age > LATE_ROUNDS * every:
        why = "the box is not heard from" if room.at else "the watch does not run, or cannot write"
        say(
            f"The last look was {say_span(age)} ago ({why}): what came since is not known here.",
            err=True,
        )


def settings_of(context: click.Context) -> Config:
    """Read the settings that the command was called with, as the watch goes by them."""
    return load_settings(usual_settings(context.obj), environment(), lenient=True)


@contextmanager
def room_of(context: click.Context, *, need_state: bool = True) -> Iterator[Room]:
    """Open what a command works in. With ``need_state`` there must be a store already."""
    config = settings_of(context)
    now = SystemClock().now()
    path = store_path(config)
    if need_state and not has_state(config):
        if why := why_no_store(path):
            raise Stop(
                f"{capital(why)}. Until then a watch stands on memory.",
                Exit.NO_STATE,
            )
        raise Stop(
            f"There is no state in {path.parent} yet. Start the watch first (midwatch watch), or "
            "name its settings with --config.",
            Exit.NO_STATE,
        )
    try:
        opened = open_for_command(config, now)
    except OSError as error:
        raise Stop(
            f"The state folder {path.parent} cannot be used ({error.strerror}). Run as the user of "
            "the watch, or set state_directory in the settings.",
            Exit.NO_STATE,
        ) from error
    if opened.remark:
        say(opened.remark, err=True)
    with opened.store as store:
        with store.snapshot() as tx:
            named = context.meta.get(BOX), context.meta.get(CLIENT)
            at = box_named(tx, box_of(config), *named)
            at_hub = at is not None or tx.is_hub()
        option = option_of(at, named[1])
        yield Room(config=config, store=store, now=now, at=at, at_hub=at_hub, option=option)


_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(min|m|h|d|w)", re.IGNORECASE)
_UNITS = {"m": 1 / 60, "min": 1 / 60, "h": 1.0, "d": 24.0, "w": 168.0}
_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_LONGEST = timedelta(days=36_525)  # a century: more is a slip, and soon more than dates can hold


def parse_span(text: str) -> timedelta | None:
    """Read a span as a person writes it: ``90min``, ``3h``, ``1d12h``; None when it is none.

    More than a century is none.
    """
    found = _SPAN.findall(text)
    if not found or _SPAN.sub("", text).strip():
        return None
    hours = sum(float(n) * _UNITS[unit.lower()] for n, unit in found)
    return timedelta(hours=hours) if hours <= _LONGEST / timedelta(hours=1) else None


def parse_until(text: str, now: datetime, zone: ZoneInfo) -> datetime | None:
    """Read until when, as a person writes it.

    A span (``3h``), a time (``07:30``), a weekday (``fri``, ``fri 18:00``) or a date
    (``2026-12-01``, ``2026-12-01 08:00``); without a time, 18:00. Gives a moment in the future in
    UTC, or None when the text is none of these.
    """
    words = text.strip().lower()
    if not words:
        return None
    span = parse_span(words)
    if span is not None:
        return now + span if span > timedelta(0) else None
    local = now.astimezone(zone)
    day, _, clock = words.partition(" ")
    if ":" in day:
        day, clock = "", day
    hour = _clock(clock) if clock else (18, 0)
    if hour is None:
        return None
    if not day:
        at = local.replace(hour=hour[0], minute=hour[1], second=0, microsecond=0)
        at = at if at > local else at + timedelta(days=1)
    elif (weekday := _weekday(day)) is not None:
        ahead = (weekday - local.weekday()) % 7
        at = (local + timedelta(days=ahead)).replace(
            hour=hour[0], minute=hour[1], second=0, microsecond=0
        )
        at = at if at > local else at + timedelta(days=7)
    else:
        try:
            at = datetime.combine(date.fromisoformat(day), time(*hour), tzinfo=zone)
        except ValueError:
            return None
    try:
        moment = at.astimezone(UTC)
    except OverflowError:
        return None
    return moment if moment > now else None


def _weekday(text: str) -> int | None:
    """Give the number of a weekday by its name or at least three letters of it."""
    fits = (i for i, name in enumerate(_DAYS) if len(text) >= 3 and name.startswith(text))
    return next(fits, None)


def _clock(text: str) -> tuple[int, int] | None:
    """Read ``18:00``; None when it is no time of day."""
    found = re.fullmatch(r"(\d{1,2}):(\d{2})", text)
    if found is None:
        return None
    hour, minute = int(found.group(1)), int(found.group(2))
    return (hour, minute) if hour < 24 and minute < 60 else None


def until_of(text: str, room: Room) -> datetime:
    """Read until when, or stop with what would be right."""
    moment = parse_until(text, room.now, room.zone)
    if moment is None:
        raise Stop(
            f"“{text}” is not a time ahead. Write a span (3h, 2d), a time (07:30), a weekday "
            "(fri, fri 18:00) or a date (2026-12-01).",
            Exit.WRONG_WORDS,
        )
    return moment


def who_asks(room: Room, given: str | None, *, client: str = "") -> str:
    """Say who is asking: the name given, else the only person configured, else the login name.

    At a hub nobody answers for the boxes of another client: others would rely on it. ``client`` is
    whose boxes it is about, where that is not the box that was named.
    """
    whose = {name: one.name for one in room.config.shop.clients for name in one.people}
    here = {"", client or (room.at.client if room.at is not None else "")}
    names = [p.name for p in room.config.people if whose.get(p.name, "") in here]
    if given and whose.get(given, "") not in here:
        raise Stop(
            f"{given} is of {whose[given]}, and this is not theirs; known are: {', '.join(names)}.",
            Exit.REFUSED,
        )
    if given:
        return given
    if len(names) == 1:
        return names[0]
    login = getpass.getuser()
    if login in names or not room.config.people:
        return login
    raise Stop(f"Say who you are with --by NAME; known are: {', '.join(names)}.", Exit.WRONG_WORDS)


def find_drive(tx: Transaction, text: str, room: Room) -> KnownDrive:
    """Find one drive by id, serial, bay or node, or stop with what there is."""
    found = tx.find_drive(text, room.box)
    if len(found) == 1:
        return found[0]
    if not found:
        raise Stop(
            f"No drive here is known by “{text}”. midwatch drives lists them all.", Exit.NOT_FOUND
        )
    some = ", ".join(f"{d.identity.model} {d.identity.serial}" for d in found[:6])
    raise Stop(f"“{text}” fits {len(found)} drives: {some}. Name one of them.", Exit.NOT_FOUND)


def find_pool(tx: Transaction, text: str, room: Room) -> Pool:
    """Find one pool of the last survey by name or id, or stop with what there is."""
    survey = tx.last_survey(room.box)
    pools = survey.pools if survey is not None else ()
    found = [p for p in pools if text in {p.pool, p.name}]
    if not found:
        node = text if text.startswith("/") else f"/dev/{text}"
        found = [p for p in pools if p.node in {node, text}]
    if len(found) == 1:
        return found[0]
    if not pools:
        raise Stop("No pool was seen on this box at its last look.", Exit.NOT_FOUND)
    names = ", ".join(sorted(p.name for p in pools))
    if found:
        ids = ", ".join(p.pool for p in found)
        raise Stop(f"Two pools are called “{text}”; name one by its id: {ids}.", Exit.NOT_FOUND)
    raise Stop(f"No pool here is called “{text}”; known are: {names}.", Exit.NOT_FOUND)


def terminal_width() -> int:
    """Give the width to write for: that of the terminal, within what can be read well."""
    return max(60, min(shutil.get_terminal_size((100, 24)).columns, 140))


def label_of(drive: KnownDrive) -> str:
    """Name a drive in a line."""
    where = say_bay(drive.bay) if drive.bay else (drive.node or "")
    who = drive.identity
    name = f"{who.model} {who.serial}".strip()
    if not name:
        return f"drive at {where}" if where else str(who.drive)
    return name + (f" ({where})" if where else "")
