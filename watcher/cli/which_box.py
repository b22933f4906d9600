"""``--box`` and ``--client``: which of a hub's boxes a command is about.

Without them a command is about the box it runs on; at a hub, about the hub's own book. What a
command does then goes the way of the pages: by the policy of the box's client.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import click
from click.shell_completion import CompletionItem

from watcher.cli.exits import Exit, Stop
from watcher.facts.identity import BoxId
from watcher.facts.units import say_count
from watcher.service.bootstrap import load_settings
from watcher.service.clock import SystemClock
from watcher.service.errors import ConfigError
from watcher.service.opened import open_for_command
from watcher.service.settings import environment, usual_settings
from watcher.service.state import has_state
from watcher.store.errors import StoreError
from watcher.store.hub import EnrolledBox
from watcher.store.transaction import Transaction

BOX, CLIENT = "midwatch.box", "midwatch.client"
"""Where a context keeps what was named."""

MOST_NAMED = 8

Command = TypeVar("Command", bound=Callable[..., Any])


def about_a_box(command: Command) -> Command:
    """Give a command the options that name one of a hub's boxes; ``room_of`` reads them."""
    box = click.option(
        "--box",
        metavar="BOX",
        expose_value=False,
        callback=_remember(BOX),
        shell_complete=complete_box,
        help="At a hub: the box it is about.",
    )
    client = click.option(
        "--client",
        metavar="CLIENT",
        expose_value=False,
        callback=_remember(CLIENT),
        shell_complete=complete_client,
        help="At a hub: whose box, where two are called the same.",
    )
    return box(client(command))


def _remember(key: str) -> Callable[[click.Context, click.Parameter, str | None], None]:
    def keep(context: click.Context, parameter: click.Parameter, value: str | None) -> None:
        del parameter
        context.meta[key] = value

    return keep


def box_named(
    tx: Transaction, own: BoxId, name: str | None, client: str | None
) -> EnrolledBox | None:
    """Give the box that was named; None for the one this desk stands on. Stops when there is none.

    A box is called by its name here, with or without its client in brackets. Where two answer to
    a name it must be said whose is meant: an answer to the wrong case would keep it quiet.
    """
    if not name and not client:
        return None
    boxes = tx.enrolled_boxes()
    if not boxes:
        if name == own and not client:
            return None
        raise Stop(
            f"This is no hub: the only box here is “{own}”. Leave --box and --client out.",
            Exit.NOT_FOUND,
        )
    if client:
        theirs = tuple(box for box in boxes if box.client == client)
        if not theirs:
            known = ", ".join(sorted({box.client for box in boxes}))
            raise Stop(
                f"No client with a box here is called “{client}”; known are: {known}.",
                Exit.NOT_FOUND,
            )
        boxes = theirs
    elif name == own:
        return None
    return _only(boxes, name or "", client or "")


def _only(boxes: Sequence[EnrolledBox], name: str, client: str) -> EnrolledBox:
    found = [box for box in boxes if not name or name in {box.box, plain_name(box)}]
    if len(found) == 1:
        return found[0]
    of_whom = f" of {client}" if client else ""
    if not found:
        known = _some([box.box for box in boxes])
        raise Stop(f"No box{of_whom} is called “{name}”; known are: {known}.", Exit.NOT_FOUND)
    if not name:
        raise Stop(f"Name the box{of_whom} with --box: {_some([b.box for b in found])}.",
                   Exit.WRONG_WORDS)  # fmt: skip
    named = _some([f"{box.box} of {box.client}" for box in found])
    raise Stop(
        f"{say_count(len(found), 'box', 'boxes')} answer to “{name}”: {named}. Say whose you mean "
        "with --client.",
        Exit.NOT_FOUND,
    )


def option_of(at: EnrolledBox | None, client: str | None) -> str:
    """Say how a box that was named is named in the next command; "" where none was."""
    if at is None:
        return ""
    whose = f" --client {shlex.quote(client)}" if client else ""
    return f" --box {shlex.quote(at.box)}{whose}"


def plain_name(box: EnrolledBox) -> str:
    """Give the name of a box without its client, which stands behind it where two names meet."""
    return box.box.removesuffix(f" ({box.client})")


def _some(names: list[str]) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (
        f" and {more} more (midwatch hub boxes)" if more > 0 else ""
    )


def complete_box(
    context: click.Context, parameter: click.Parameter, begun: str
) -> list[CompletionItem]:
    """Complete the name of a box; nothing where they cannot be seen."""
    del parameter
    return [
        CompletionItem(box.box, help=box.client)
        for box in _boxes_to_complete(context)
        if box.box.startswith(begun)
    ]


def complete_client(
    context: click.Context, parameter: click.Parameter, begun: str
) -> list[CompletionItem]:
    """Complete the name of a client; nothing where they cannot be seen."""
    del parameter
    names = sorted({box.client for box in _boxes_to_complete(context)})
    return [CompletionItem(name) for name in names if name.startswith(begun)]


def _boxes_to_complete(context: click.Context) -> tuple[EnrolledBox, ...]:
    """Give the boxes of the hub here; a shell that completes is told of no trouble."""
    given = context.find_root().params.get("settings")
    try:
        config = load_settings(usual_settings(given), environment(), lenient=True)
        if not has_state(config):
            return ()
        with open_for_command(config, SystemClock().now()).store as store, store.snapshot() as tx:
            return tx.enrolled_boxes()
    except (ConfigError, StoreError, OSError):
        return ()
