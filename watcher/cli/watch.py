"""``midwatch watch``: the service itself."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterable
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Protocol

import click

from watcher.cli.exits import Exit, Leave, Stop
from watcher.cli.printer import Printer, reached_by, say_unsent, waits_first
from watcher.cli.waiting import FirstLook, Waits
from watcher.facts.identity import BoxId
from watcher.facts.pool import Pool
from watcher.facts.survey import READER, Survey
from watcher.hub.no_hub import NoHub, link_here
from watcher.service.allocator import give_back_now
from watcher.service.bootstrap import (
    bell_here,
    box_of,
    load_settings,
    load_to_begin,
    surveyor_here,
    to_looking,
    to_standing,
)
from watcher.service.bus_error import begin_anew, say_and_end
from watcher.service.clock import Clock, SystemClock
from watcher.service.delivery_child import DeliveryChild, delivery_command
from watcher.service.desk import Outcome, Standing
from watcher.service.disk_proof import DiskProof
from watcher.service.errors import ConfigError
from watcher.service.ground import Ground, Ways
from watcher.service.half_words import user_here
from watcher.service.halves import DECLARED, Line, RemoteBell, RemoteSurveyor
from watcher.service.heartbeat import Heart, beat
from watcher.service.last_resort import say_here
from watcher.service.log import ServiceLog, set_up, under_journal
from watcher.service.looker import Looks
from watcher.service.loop import Hooks, Rings, Watch
from watcher.service.opened import open_to_remember
from watcher.service.rhythm import Rhythm, Word
from watcher.service.settings import environment, to_targets, usual_settings
from watcher.service.settings_shape import Config
from watcher.service.state import on_server, open_proven, store_path
from watcher.service.supervisor import ours
from watcher.service.upkeep_hook import upkeep_here
from watcher.store.database import Store
from watcher.store.errors import StoreDiskFails, StoreFull, StoreReadOnly

if TYPE_CHECKING:
    from watcher.hub.link import HubLink


def rhythm_of(config: Config) -> Rhythm:
    """Give how often things are done."""
    calls = bool(config.heartbeat.url.reveal())
    return Rhythm(
        survey=timedelta(minutes=config.survey.every_minutes),
        deep=timedelta(hours=config.survey.deep_every_hours),
        heartbeat=timedelta(minutes=config.heartbeat.every_minutes) if calls else None,
    )


def ways_of(config: Config, show: Callable[[str], None]) -> Ways:
    """Give the ways by which people are told when no delivery process can be had."""
    return Ways(
        targets=to_targets(config),
        timeout_seconds=float(config.delivery.timeout_seconds),
        give_up_after=timedelta(hours=config.delivery.give_up_hours),
        show=show,
        say_here=lambda title, body: say_here(title, body, environment()),
    )


@dataclass(slots=True)
class InForce:
    """The settings that the watch goes by now."""

    path: str | None
    config: Config

    def read_again(
        self, say: Callable[[str], None], renew: Iterable[Callable[[Config], object]]
    ) -> bool:
        """Read them again and hand them to each part; where they are faulty the old ones stay."""
        try:
            self.config = load_settings(self.path, environment())
        except ConfigError as faulty:
            say(f"The settings were not read again; the old ones stay.\n{faulty}")
            return False
        say("The settings were read again.")
        for part in renew:
            part(self.config)
        return True


@click.command()
@click.option("--once", is_flag=True, help="Take one look, deliver what came of it, and end.")
@click.option(
    "--reader",
    "reader",
    metavar="PATH",
    type=click.Path(readable=False),
    help="Look through the reader that listens there (midwatch reader) instead of here.",
)
@click.option("--hub", "url", default="", metavar="URL", help="Hand the surveys over to this hub.")
@click.pass_context
def watch(context: click.Context, *, once: bool, reader: str | None, url: str) -> int:
    """Watch this box and stay: look every ten minutes, open cases, tell people, say all clear.

    Needs no configuration. Run it as root: SMART and most pools can be read by root only.
    """
    path = usual_settings(context.obj)
    config, doubts = load_to_begin(path, environment())
    in_force = InForce(path, config)
    clock = SystemClock()
    begin_anew(store_path(config))
    ground = ground_here(config, clock)
    printer = _printer(config, ground.store, stays=not once, looks_here=reader is None)
    if doubts:
        printer.line(doubts)
    say_the_ground(ground, clock, printer.line)
    standing = to_standing(config)
    printer.line(reached_by(standing.targets))
    link = _link(config, url, ground, clock, lambda: service.ask(Word.SURVEY), printer.line)
    standing = link.joined(standing)
    command = delivery_command(str(store_path(config)), path, to_the_end=once)
    beside = ExitStack()
    keeper = upkeep_here(config, here=reader is None)
    renew_pages = pages_beside(config, clock, printer.line, beside, once=once)
    eyes = eyes_of(config, clock, reader, printer, beside)
    eyes.surveyor.remember(_last_pools(ground.store, standing.box))

    def surveyed(survey: Survey, outcome: Outcome) -> None:
        printer.surveyed(survey, outcome)
        keeper.after(ground.store, survey, clock.now(), printer.line)
        link.wake()
        give_back_now()
        if once:
            service.ask(Word.STOP)

    def reload() -> Standing | None:
        if not in_force.read_again(printer.line, (keeper.renew, eyes.renew, renew_pages)):
            return None
        return link.joined(to_standing(in_force.config))

    service = Watch(
        ground=ground,
        standing=standing,
        surveyor=eyes.surveyor,
        clock=clock,
        delivery=DeliveryChild(command, environment()),
        supervisor=ours(),
        rhythm=rhythm_of(config),
        bell=eyes.bell,
        hooks=Hooks(
            surveyed=surveyed,
            trouble=printer.line,
            reload=reload,
            deliver_here=lambda ground: ground.deliver_here(ways_of(in_force.config, printer.line)),
            beat=Heart(lambda: beat(in_force.config.heartbeat.url.reveal())).beat,
            rhythm=lambda: rhythm_of(in_force.config),
            besides=link.besides,
            works=lambda now: link.works(now) | eyes.works,
        ),
    )
    _hear_signals(service)
    with closing(ground), beside:
        if once:
            beside.callback(_say_what_stayed, ground, standing.box, clock.now(), printer.line)
        link.start()
        beside.callback(link.stop)
        beside.callback(say_and_end, store_path(config), then="The watch has ended.")
        service.run()
    if service.is_held_up:
        raise Leave(Exit.DONE)
    return int(Exit.DONE)


def _last_pools(store: Store, box: BoxId) -> tuple[Pool, ...]:
    """Give the pools of the last survey of an earlier run."""
    with store.snapshot() as tx:
        last = tx.last_survey(box)
    return last.pools if last is not None else ()


def _say_what_stayed(
    ground: Ground, box: BoxId, began: datetime, say: Callable[[str], None]
) -> None:
    """Say which messages of this one look could not leave: nobody stays to try again."""
    with ground.store.snapshot() as tx:
        unsent = say_unsent(tx.list_notices(box), began)
    if unsent:
        say(unsent)


def _printer(
    config: Config, store: Store, *, stays: bool, looks_here: bool
) -> Printer | ServiceLog:
    """Give what says how it goes: to a terminal, or to the journal."""
    if under_journal(environment()):
        return ServiceLog(set_up(environment()))
    return Printer(config, store, stays=stays, looks_here=looks_here)


def _hear_signals(service: Watch) -> None:
    """End, or read the settings again, when a signal says so."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.ask(Word.STOP))
    signal.signal(signal.SIGHUP, lambda *_: service.ask(Word.RELOAD))


def ground_here(config: Config, clock: Clock) -> Ground:
    """Give the ground to stand on: the disk, or memory where the disk cannot be had now.

    Raises StoreError for what no waiting mends: a store of a newer version, or a foreign file; and
    Stop for the settings of a hub whose store is elsewhere.
    """
    if on_server(config):
        raise Stop(
            "These settings are a hub's (shop.store). A box keeps its watch on its own disk, so "
            "that it can alert when the server is away: give its watch settings of its own.",
            Exit.REFUSED,
        )

    proof = DiskProof()

    def open_disk() -> Store:
        return open_proven(config, clock.now(), proof)

    try:
        return Ground(open_disk(), clock, open_disk)
    except (OSError, StoreReadOnly, StoreFull, StoreDiskFails) as error:
        past = None if proof.stands_still else open_to_remember(config, clock.now(), error)
        return Ground.without_disk(open_disk, clock, error, past)


def say_the_ground(ground: Ground, clock: Clock, say: Callable[[str], None]) -> None:
    """Say what a person must know of the store that was opened: in memory, damaged, copied."""
    store = ground.store
    if ground.in_memory:
        say(ground.findings(clock.now())[0].sentence + f" ({ground.why})")
    if store.rescue is not None:
        say(f"The database was damaged. {store.rescue.sentence}")
    if store.standing.copied:
        say(store.standing.copied)
    if store.standing.put_right:
        say(store.standing.put_right)


def _link(
    config: Config,
    url: str,
    ground: Ground,
    clock: SystemClock,
    look: Callable[[], None],
    say: Callable[[str], None],
) -> HubLink | NoHub:
    """Build the link to the hub, if there is one, or stop with what is wrong."""
    try:
        return link_here(
            config, url=url, store=lambda: ground.store, clock=clock, look=look, say=say
        )
    except ValueError as error:
        raise Stop(str(error), Exit.REFUSED) from error


class Remembers(Looks, Protocol):
    """A surveyor that takes over the pools of an earlier run."""

    def remember(self, pools: Iterable[Pool]) -> None:
        """Take them over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Eyes:
    """With what the watch sees, and how that is told of new settings."""

    surveyor: Remembers
    bell: Rings | None
    renew: Callable[[Config], None]
    works: frozenset[str] = frozenset()  # what is known to work without being asked


def eyes_of(
    config: Config,
    clock: Clock,
    reader: str | None,
    printer: Printer | ServiceLog,
    beside: ExitStack,
) -> Eyes:
    """Look through the reader that listens at a path, or from here."""
    if reader is not None:
        return eyes_there(config, reader, printer.line)
    return eyes_here(config, clock, waits_first(printer, beside))


def eyes_here(config: Config, clock: Clock, waits: Waits) -> Eyes:
    """Look from this process; somebody waits for the first look."""
    surveyor = surveyor_here(config)

    def renew(fresh: Config) -> None:
        surveyor.looking = to_looking(fresh)

    return Eyes(
        surveyor=FirstLook(surveyor, waits),
        bell=bell_here(config, clock.now()),
        renew=renew,
        works=frozenset({READER}),  # this process: what was said of another one is over
    )


def eyes_there(config: Config, path: str, say: Callable[[str], None]) -> Eyes:
    """Look through the reader that listens at a path; it must run as root or as ourselves."""
    line = Line(path=path, users=frozenset({0, user_here()}))
    surveyor = RemoteSurveyor(line, box_of(config), besides=beyond_the_usual(config))

    def renew(fresh: Config) -> None:
        surveyor.reload(box_of(fresh), beyond_the_usual(fresh))

    return Eyes(surveyor=surveyor, bell=RemoteBell(line, say), renew=renew)


def beyond_the_usual(config: Config) -> tuple[str, ...]:
    """Name the sources that only some boxes have."""
    return (DECLARED,) if config.pools else ()


def pages_beside(
    config: Config, clock: Clock, say: Callable[[str], None], beside: ExitStack, *, once: bool
) -> Callable[[Config], None]:
    """Serve the pages beside the watch where the settings say so, until ``beside`` ends.

    Gives what to call when the settings were read again.
    """
    if not config.web.enabled or once:
        return lambda _: None
    from watcher.cli.pages import open_pages  # noqa: PLC0415 - twenty mebibytes that most need not

    served = open_pages(config, clock, say)
    if served is None:
        return lambda _: None
    return beside.enter_context(served).renew
