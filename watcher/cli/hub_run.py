"""The hub as it runs: its parts put together, and how they go on when settings are read again."""

from __future__ import annotations

import signal
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta

from watcher.cli.exits import Exit, Stop
from watcher.cli.pages import Pages, open_pages
from watcher.cli.say import say
from watcher.hub.clients import Clients
from watcher.hub.helpers import Helpers, helper_command
from watcher.hub.hub_loop import HubLoop
from watcher.hub.intake import Door
from watcher.hub.server import DoorServer, Place, ease_collector
from watcher.hub.shop import Shop
from watcher.service.bootstrap import load_settings, to_standing
from watcher.service.bus_error import say_and_end
from watcher.service.clock import SystemClock
from watcher.service.delivery_child import DeliveryChild, delivery_command
from watcher.service.errors import ConfigError
from watcher.service.settings import environment
from watcher.service.settings_shape import Config
from watcher.service.state import file_of, on_server, open_state, store_path
from watcher.service.supervisor import ours
from watcher.store.database import Store
from watcher.web.server import Bounded

NEEDS_A_RESTART = (
    "Where it listens, the files of its certificate, its processes, its name and its store stay as "
    "they were until it is started again."
)


@dataclass(slots=True, kw_only=True)
class Running:
    """The parts of a hub that go by its settings."""

    path: str | None
    config: Config
    shop: Shop
    delivery: DeliveryChild
    server: DoorServer
    helpers: Helpers
    pages: Pages | None = None

    def reload(self) -> timedelta | None:
        """Read the settings again; give after what time a box is quiet, None: the old ones stay."""
        try:
            fresh = load_settings(self.path, environment())
        except ConfigError as faulty:
            say(f"The settings were not read again; the old ones stay.\n{faulty}")
            return None
        self.shop.clients = Clients(to_standing(fresh), fresh)
        self.delivery.reload()
        self.helpers.reload()
        if self.pages is not None:
            self.pages.renew(fresh)
        said = ["The settings were read again.", self.server.renew_certificate()]
        if stands_on(fresh) != stands_on(self.config):
            said.append(NEEDS_A_RESTART)
        say(" ".join(words for words in said if words))
        return timedelta(minutes=fresh.shop.quiet_after_minutes)


def stands_on(config: Config) -> tuple[object, ...]:
    """Give the settings that a running hub does not change."""
    shop, web = config.shop, config.web
    return (
        *(shop.listen_address, shop.listen_port, shop.certificate_file, shop.key_file),
        *(shop.processes, shop.store, config.state_directory, config.box_name),
        *(web.enabled, web.listen_address, web.listen_port),
    )


def run_hub(path: str | None, config: Config) -> None:
    """Take surveys in until stopped. Raises Stop, StoreError."""
    clock = SystemClock()
    try:
        place = Place(
            address=config.shop.listen_address,
            port=config.shop.listen_port,
            certificate=config.shop.certificate_file,
            key=config.shop.key_file,
        )
    except ValueError as error:
        raise Stop(str(error), Exit.REFUSED) from error
    store = _opened(config, clock)
    more = config.shop.processes - 1
    shop = Shop(store, Clients(to_standing(config), config), ahead=more > 0 and not store.is_shared)
    delivery = DeliveryChild(delivery_command(file_of(config), path), environment())
    door = Door(shop, clock, delivery, say, spreads=more > 0)
    try:
        server = DoorServer(door, place, say, Bounded)
    except OSError as error:
        raise Stop(
            f"The hub cannot listen on {place.address} port {place.port} ({error}).", Exit.REFUSED
        ) from error
    supervisor = ours()
    helpers = Helpers(
        helper_command(path, server.listening),
        more,
        listening=server.listening,
        environ=environment(),
        wake=delivery.wake,
        trouble=say,
    )
    running = Running(
        path=path, config=config, shop=shop, delivery=delivery, server=server, helpers=helpers
    )
    loop = HubLoop(
        shop,
        clock,
        delivery,
        quiet_after=timedelta(minutes=config.shop.quiet_after_minutes),
        trouble=say,
        alive=supervisor.alive,
        helpers=helpers,
        reload=running.reload,
    )
    signal.signal(signal.SIGHUP, lambda *_: loop.read_settings_again())
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: loop.end())
    with ExitStack() as beside, store:
        server.start()
        scheme = "https" if place.certificate else "http"
        say(f"The hub takes surveys in at {scheme}://{place.address}:{server.port}")
        if config.web.enabled:
            running.pages = open_pages(config, clock, say, at_hub=True)
            if running.pages is not None:
                beside.enter_context(running.pages)
        supervisor.ready("takes surveys in")
        ease_collector()
        try:
            loop.run(lambda: server.runs)
        finally:
            supervisor.stopping()
            helpers.stop()
            server.stop()
            delivery.stop()


def _opened(config: Config, clock: SystemClock) -> Store:
    if not on_server(config):
        say_and_end(store_path(config), then="The hub ends; its boxes alert by themselves.")
    try:
        return open_state(config, clock.now(), check=True)
    except OSError as error:
        raise Stop(
            f"The state folder {config.state_directory} cannot be made ({error.strerror}).",
            Exit.NO_STATE,
        ) from error
