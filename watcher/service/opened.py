"""Opening the store for who wants to see it, also where it cannot be written."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from watcher.facts.units import capital
from watcher.service.bus_error import say_and_end
from watcher.service.mark import is_in_memory
from watcher.service.settings_shape import Config
from watcher.service.state import on_server, open_state, store_path
from watcher.store.database import Store
from watcher.store.errors import StoreDiskFails, StoreError, StoreFull, StoreReadOnly
from watcher.store.only_look import last_written, open_to_look


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A store as a command got it, and what a person must know of it."""

    store: Store
    remark: str = ""  # one sentence; "" when it is as it should be


def open_for_command(config: Config, now: datetime) -> Opened:
    """Open the store for a quick command; one that cannot be written is opened to be looked at.

    Raises StoreError where it cannot be looked at either, and OSError.
    """
    path = store_path(config)
    if on_server(config) or not path.exists():
        return Opened(store=open_state(config, now, check=False))
    say_and_end(path)
    try:
        store = open_state(config, now, check=False, make=False)
    except (StoreReadOnly, StoreFull, StoreDiskFails) as error:
        store = open_to_look(path, now=now, error=error)
        return Opened(store=store, remark=_stale(path, str(error)))
    if not os.access(path, os.W_OK):
        return Opened(store=store, remark=_stale(path, f"{path} cannot be written"))
    if is_in_memory(path):
        return Opened(store=store, remark=_stale(path, "the watch itself goes on in memory"))
    return Opened(store=store, remark=store.standing.copied)


def open_to_remember(config: Config, now: datetime, error: StoreError | OSError) -> Store | None:
    """Open a store that cannot be written, for the watch to go on from; None where it cannot be."""
    if on_server(config) or not isinstance(error, StoreError):
        return None
    try:
        return open_to_look(store_path(config), now=now, error=error, mapped=False)
    except (StoreError, OSError):
        return None


def _stale(path: Path, why: str) -> str:
    """Say that what is shown was written some time ago, and is not all."""
    at = last_written(path)
    when = f" on {at:%d %B %Y at %H:%M} UTC" if at is not None else ""
    return (
        f"The history cannot be written now, so this is what was written last{when}; what the "
        f"watch has seen since is not in it. ({capital(why)}.)"
    )
