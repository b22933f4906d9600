"""``midwatch join CODE --hub URL``: let a hub watch over this box too."""

from __future__ import annotations

import click

from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import settings_of
from watcher.cli.say import say
from watcher.hub.errors import HubError
from watcher.hub.link import join_hub
from watcher.service.state import make_folder, store_path


@click.command()
@click.argument("code")
@click.option("--hub", "url", metavar="URL", help="Where the hub is; else hub.url in the settings.")
@click.pass_context
def join(context: click.Context, code: str, url: str | None) -> None:
    """Join the hub that gave you CODE. The box goes on judging by itself, also without the hub."""
    config = settings_of(context)
    wanted = (url or config.hub.url).rstrip("/")
    if not wanted:
        raise Stop("Say where the hub is: midwatch join CODE --hub URL", Exit.WRONG_WORDS)
    store = store_path(config)
    folder = store.parent
    try:
        make_folder(store)
        known = join_hub(config, folder, wanted, code)
    except (HubError, ValueError) as error:
        raise Stop(f"The box has not joined: {error}", Exit.REFUSED) from error
    except OSError as error:
        raise Stop(
            f"The state folder {folder} cannot be written ({error.strerror}).", Exit.NO_STATE
        ) from error
    say(f"Joined {known.url} as “{known.box}” of {known.client}.")
    say(
        f"Now: midwatch watch --hub {known.url}   (or set hub.url in the settings). A watch that "
        "runs for this hub already goes on by itself."
    )
