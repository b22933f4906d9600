"""``midwatch demo``: an invented box goes through a failure in about a minute."""

from __future__ import annotations

import sys

import click

from watcher.cli.parts import terminal_width
from watcher.cli.play import Pace, Player, length_of, real_pause
from watcher.cli.say import say


@click.command()
@click.option("--no-pause", is_flag=True, help="Do not wait so that a person can read.")
def demo(*, no_pause: bool) -> None:
    """Watch an invented box go through a failure, in about a minute and a half.

    Box, owner and drives are made up and nothing on this machine is touched. Readers, rules,
    forecasts and messages are the real ones, on a clock that runs fast.
    """

    def write(text: str) -> None:
        say(text)
        sys.stdout.flush()

    pace = Pace(
        write=write,
        pause=(lambda _: None) if no_pause else real_pause,
        width=min(terminal_width(), 110),
    )
    write(
        f"An invented box, {length_of().days} days in about a minute and a half. Nothing here is "
        "touched."
    )
    player = Player(pace)
    player.play()
    write("")
    write(
        f"{player.looks} looks at the box, {len(player.messages)} messages to the owner. "
        "On your own box: midwatch look"
    )
