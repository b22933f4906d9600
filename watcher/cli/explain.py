"""``midwatch explain FILE``: what a saved kernel log means."""

from __future__ import annotations

from datetime import timedelta
from typing import BinaryIO

import click

from watcher.cli.columns import clean, hang
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import settings_of, terminal_width
from watcher.cli.say import say
from watcher.readers.kernel_explain import explain as explained
from watcher.readers.kernel_explain import to_json_lines, to_text
from watcher.readers.kernel_prefix import Dating
from watcher.service.bootstrap import zone_of
from watcher.service.clock import SystemClock


@click.command()
@click.argument("file", type=click.File("rb"))
@click.option("--json", "for_programs", is_flag=True, help="One JSON object per event, and a last.")
@click.option("--all", "all_events", is_flag=True, help="Also show what is harmless.")
@click.pass_context
def explain(
    context: click.Context, file: BinaryIO, *, for_programs: bool, all_events: bool
) -> None:
    """Say what the saved kernel log FILE (- for standard input) means, in plain words.

    Reads what dmesg, journalctl -k or a log file hold; says of each event what one would do.
    """
    text = file.read().decode("utf-8", errors="replace")
    now = SystemClock().now() + timedelta(days=1)  # a log from another zone is not a year old
    explanation = explained(text, Dating(now=now, zone=zone_of(settings_of(context))))
    if not explanation.lines:
        raise Stop(
            "No kernel line was found there: the text is empty, or it is no kernel log. (Only root "
            "may read the whole of it.)",
            Exit.REFUSED,
        )
    if for_programs:
        click.echo(to_json_lines(explanation), nl=False)
        return
    width = terminal_width()
    for line in to_text(explanation, all_events=all_events).splitlines():
        as_it_was = line.startswith("  line ")  # to be found again in the log
        if as_it_was:
            click.echo(clean(line))
        else:
            say("\n".join(hang(line, _WORDS_BEGIN, width)))


_WORDS_BEGIN = 10
"""Columns before the words of an explained event."""
