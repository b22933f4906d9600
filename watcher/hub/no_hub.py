"""The watch's end of a hub, also where there is none: then what a hub needs is not even loaded.

That is two mebibytes of which most boxes need nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from watcher.facts.finding import Finding
from watcher.service.clock import Clock
from watcher.service.desk import Standing
from watcher.service.settings_shape import Config
from watcher.store.database import Store

if TYPE_CHECKING:
    from watcher.hub.link import HubLink


class NoHub:
    """A box without a hub."""

    def joined(self, standing: Standing) -> Standing:
        """Leave it as it is."""
        return standing

    def besides(self, now: datetime) -> tuple[Finding, ...]:
        """Find nothing."""
        del now
        return ()

    def works(self, now: datetime) -> frozenset[str]:
        """Name nothing."""
        del now
        return frozenset()

    def start(self) -> None:
        """Send nothing."""

    def wake(self) -> None:
        """Send nothing."""

    def stop(self) -> None:
        """There is nothing to end."""


def link_here(
    config: Config,
    *,
    url: str,
    store: Callable[[], Store],
    clock: Clock,
    look: Callable[[], None],
    say: Callable[[str], None],
) -> HubLink | NoHub:
    """Build the link of this box, if it has a hub. Raises ValueError with what is wrong."""
    wanted = (url or config.hub.url).rstrip("/")
    if not wanted:
        return NoHub()
    from watcher.hub.link import link_to  # noqa: PLC0415 - see the head of this file

    return link_to(config, url=wanted, store=store, clock=clock, look=look, say=say)
