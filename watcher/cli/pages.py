"""The pages on the command line: ``midwatch pages``, and their part in ``midwatch watch``."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from typing import Self

import click

from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import settings_of
from watcher.cli.say import say
from watcher.hub.clients import Clients
from watcher.service.allocator import give_back_freed
from watcher.service.bootstrap import to_standing, zone_of
from watcher.service.bus_error import say_and_end
from watcher.service.clock import Clock, SystemClock
from watcher.service.loopback import is_loopback
from watcher.service.settings_shape import Config
from watcher.service.state import has_state, open_state, store_path
from watcher.store.database import Store
from watcher.store.errors import StoreError
from watcher.web.server import PageServer
from watcher.web.site import Site, Terms


def terms_of(config: Config, *, at_hub: bool = False) -> Terms:
    """Give what the settings say about the pages; at a hub, of all its boxes."""
    standing = to_standing(config)
    return Terms(
        standing=standing,
        clients=Clients(standing, config) if at_hub else None,
        hub_url=config.shop.url,
        zone=zone_of(config),
        public_url=config.web.public_url,
        listen_address=config.web.listen_address,
        survey_minutes=config.survey.every_minutes,
    )


def reached_at(config: Config) -> str:
    """Say where the pages are, and what is not safe about it."""
    web = config.web
    here = f"http://{web.listen_address}:{web.listen_port}"
    text = f"Pages at {web.public_url or here}."
    if not is_loopback(web.listen_address) and not web.public_url.startswith("https://"):
        text += (
            " They are reached over the network without TLS: passwords and links can be read on "
            "the way. Listen on 127.0.0.1 and put a server with TLS before it (README.md)."
        )
    return text


class Pages:
    """Pages that are being served, over a connection of their own to the state."""

    def __init__(self, server: PageServer, store: Store) -> None:
        """Take over a server that runs."""
        self.server = server
        self._store = store

    def renew(self, config: Config) -> None:
        """Go on by settings that were read again; the address stays what it was."""
        site = self.server.site
        fresh = terms_of(config, at_hub=site.terms.clients is not None)
        site.terms = replace(fresh, listen_address=site.terms.listen_address)

    def __enter__(self) -> Self:
        """Give the pages."""
        return self

    def __exit__(self, *_: object) -> None:
        """End them."""
        self.server.stop()
        self._store.close()


def open_pages(
    config: Config, clock: Clock, say: Callable[[str], None], *, at_hub: bool = False
) -> Pages | None:
    """Begin to serve the pages from a thread; None, and a word why, when that cannot be.

    A state to which boxes have reported is a hub's, also when nobody says so (``at_hub``).
    """
    web = config.web
    give_back_freed()
    with ExitStack() as until_served:
        try:
            store = open_state(config, clock.now(), check=False)
            until_served.callback(store.close)
            with store.snapshot() as tx:
                at_hub = at_hub or bool(tx.enrolled_boxes())
                lacks_accounts = not tx.accounts()
        except (StoreError, OSError) as error:
            say(f"There are no pages: the state cannot be opened ({error}).")
            return None
        if not at_hub:
            store.keep_less()
        site = Site(store=store, terms=terms_of(config, at_hub=at_hub), now=clock.now, trouble=say)
        server = PageServer(site, web.listen_port)
        try:
            server.start()
        except OSError as error:
            say(
                f"There are no pages: {web.listen_address}:{web.listen_port} cannot be had "
                f"({error.strerror})."
            )
            return None
        until_served.pop_all()
    say(reached_at(config))
    if lacks_accounts:
        say("Nobody can sign in yet: midwatch account add NAME --role manage")
    return Pages(server, store)


@click.command()
@click.pass_context
def pages(context: click.Context) -> None:
    """Serve the pages alone, over the state of a watch that runs elsewhere.

    midwatch watch serves them itself where the settings say web: enabled.
    """
    config = settings_of(context)
    if not has_state(config):
        raise Stop("There is no state yet. Start the watch first: midwatch watch", Exit.NO_STATE)
    say_and_end(store_path(config))
    served = open_pages(config, SystemClock(), lambda text: say(text, err=True))
    if served is None:
        raise Stop("No pages are served.", Exit.REFUSED)
    done = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: done.set())
    with served:
        while not done.wait(1.0) and not served.server.wait(0):
            pass
