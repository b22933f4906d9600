"""``midwatch hub backup``: a copy of the store while the hub is at work."""

from __future__ import annotations

from pathlib import Path

import click

from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import settings_of
from watcher.cli.say import say
from watcher.facts.units import capital
from watcher.service.state import on_server, store_path
from watcher.store.backup import back_up
from watcher.store.errors import StoreFull, StoreReadOnly

MIB = 1024 * 1024


@click.command("backup")
@click.argument("file", type=click.Path(readable=False))
@click.pass_context
def backup(context: click.Context, file: str) -> None:
    """Copy the hub's store to FILE; the hub goes on meanwhile. README says how to go back to it."""
    config = settings_of(context)
    if on_server(config):
        raise Stop(
            "The store is in PostgreSQL, which has its own: pg_dump --format=custom "
            f"--file={file} --dbname=ADDRESS (with the address that stands under shop.store).",
            Exit.REFUSED,
        )
    try:
        size = back_up(store_path(config), Path(file))
    except (StoreReadOnly, StoreFull) as error:  # of the copy, not of the store
        raise Stop(f"{capital(str(error))}.", Exit.REFUSED) from error
    say(f"The store is in {file} ({size / MIB:.1f} MiB), whole and read back.")
