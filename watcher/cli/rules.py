"""``midwatch rules`` and ``midwatch rule NAME``: by what trouble is found, and where it is from."""

from __future__ import annotations

import difflib

import click

from watcher.cli.columns import columns, hang
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import settings_of, terminal_width
from watcher.cli.say import say
from watcher.rules.catalogue import CATALOGUE, Kind, explain
from watcher.service.settings import to_tuning

_HEADINGS = {
    Kind.DRIVE: "Drives",
    Kind.POOL: "Pools",
    Kind.SIGHT: "What cannot be seen",
    Kind.READINESS: "Readiness for the next failure",
    Kind.WATCH: "The watch itself",
}

_WORDS_BEGIN = 15
"""Columns before the words in a line of an explained rule."""


@click.command()
@click.pass_context
def rules(context: click.Context) -> None:
    """List the rules by which trouble is found."""
    tuning = to_tuning(settings_of(context))
    lines: list[str] = []
    for kind, heading in _HEADINGS.items():
        rows = [[r.name, r.sentence] for r in CATALOGUE.values() if r.kind is kind]
        lines += [heading, *columns(sorted(rows), total=terminal_width()), ""]
    if tuning.own:
        rows = [[rule.name, rule.sentence] for rule in tuning.own]
        lines += ["Your own", *columns(rows, total=terminal_width()), ""]
    lines.append("midwatch rule NAME explains one, with its thresholds and their sources.")
    say("\n".join(lines))


@click.command()
@click.argument("name")
@click.pass_context
def rule(context: click.Context, name: str) -> None:
    """Explain the rule NAME: what it reads, its thresholds with source, what to do."""
    found = CATALOGUE.get(name)
    if found is None:
        near = difflib.get_close_matches(name.lower().replace(" ", "-"), CATALOGUE, n=1)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise Stop(f"There is no rule “{name}”.{hint} midwatch rules lists them.", Exit.NOT_FOUND)
    for line in explain(found, to_tuning(settings_of(context))).splitlines():
        say("\n".join(hang(line, _WORDS_BEGIN, terminal_width())))
