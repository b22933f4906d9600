"""A helper at a hub's door: ``python -m watcher.cli.helper --listening FD [--config PATH]``.

Started by ``midwatch hub`` (``hub/helpers.py``), which says on which inherited socket to listen. It
reads the settings again when it is told to, and ends when its input closes.
"""

from __future__ import annotations

import argparse
import os
import sys

from watcher.hub.clients import Clients
from watcher.hub.helpers import RELOAD, TOLD
from watcher.hub.intake import Door
from watcher.hub.server import DoorServer, Listening, Place, ease_collector
from watcher.hub.shop import Shop
from watcher.service.bootstrap import load_settings, to_standing
from watcher.service.clock import SystemClock
from watcher.service.errors import ConfigError
from watcher.service.state import open_state
from watcher.store.errors import StoreError
from watcher.web.server import Bounded


class Says:
    """Tells the hub that there is something to send."""

    def wake(self) -> None:
        """Say it; a hub that has ended needs to hear nothing."""
        try:
            os.write(sys.stdout.fileno(), TOLD)
        except OSError:
            return


def _trouble(sentence: str) -> None:
    sys.stderr.write(f"{sentence}\n")
    sys.stderr.flush()


def _read_again(config: str | None, shop: Shop, server: DoorServer) -> None:
    """Go on by the settings as they are now; the hub has said whether they are good."""
    try:
        fresh = load_settings(config, os.environ, lenient=True)
    except ConfigError:
        return
    shop.clients = Clients(to_standing(fresh), fresh)
    server.renew_certificate()


def main() -> None:
    """Take surveys until the input ends."""
    ask = argparse.ArgumentParser(prog="python -m watcher.cli.helper")
    ask.add_argument("--listening", type=int, required=True)
    ask.add_argument("--config")
    asked = ask.parse_args()
    clock = SystemClock()
    try:
        config = load_settings(asked.config, os.environ, lenient=True)
        place = Place(
            address=config.shop.listen_address,
            port=config.shop.listen_port,
            certificate=config.shop.certificate_file,
            key=config.shop.key_file,
        )
        store = open_state(config, clock.now(), check=False, make=False)
        listening = Listening(fileno=asked.listening)
    except (ConfigError, StoreError, OSError, ValueError) as error:
        _trouble(f"A helper at the door cannot work: {error}")
        sys.exit(3)
    with store:
        shop = Shop(store, Clients(to_standing(config), config), ahead=not store.is_shared)
        door = Door(shop, clock, Says(), _trouble, spreads=True)
        server = DoorServer(door, place, _trouble, Bounded, listening=listening)
        server.start()
        ease_collector()
        while word := sys.stdin.buffer.readline(64):
            if word == RELOAD:
                _read_again(asked.config, shop, server)
        server.listen_no_more()
        server.stop()


if __name__ == "__main__":
    main()
