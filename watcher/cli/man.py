"""``midwatch man``: the manual page, made from the commands' help, so that it cannot lag behind.

The form is roff with the macros of man(7): ``.TH``, ``.SH``, ``.SS``, ``.TP``, ``.PP``, ``.nf``.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator

import click

from watcher import __version__
from watcher.cli.exits import MEANING, Exit

SECTION = "8"
"""Commands of the administrator (man(1))."""


EXAMPLES = (
    ("What there is, what cannot be seen, and what to do.", "midwatch look"),
    (
        "What is wrong; then take case 3, so that nobody else is woken for it.",
        "midwatch cases; midwatch ack 3 --until fri --note 'drive ordered'",
    ),
    (
        "A drive is to be replaced: only that is quiet, anything else sounds at once.",
        "midwatch maintenance begin --pool orchard --expect 'replace bay 3' --for 3h",
    ),
    ("What to do next to bring the margin of a pool back.", "midwatch recovery orchard"),
    ("A settings file from what was found here.", "midwatch config init > midwatch.yaml"),
)


@click.command()
@click.pass_context
def man(context: click.Context) -> int:
    """Print the manual page.

    It is made from the help of the commands. To read it: midwatch man | man -l -
    The installer puts it where man finds it.
    """
    click.echo(page(context.find_root().command), nl=False)
    return int(Exit.DONE)


def page(group: click.Command) -> str:
    """Give the whole page. Raises TypeError for what is no group of commands."""
    if not isinstance(group, click.Group):
        raise TypeError("the page is made of a group of commands")
    root = click.Context(group, info_name="midwatch")
    lines = [f'.TH MIDWATCH {SECTION} "" "midwatch {roff(__version__)}"', ".SH NAME"]
    lines.append("midwatch \\- watches drives and pools and tells a person in time")
    lines += [".SH SYNOPSIS", ".B midwatch", "[\\fIOPTIONS\\fR] \\fICOMMAND\\fR [\\fIWORDS\\fR]"]
    lines += [".SH DESCRIPTION", *_text(group.help or ""), ".SH OPTIONS", *_options(group, root)]
    lines.append(".SH COMMANDS")
    for name in group.list_commands(root):
        command = group.get_command(root, name)
        if command is not None:
            lines += _command(command, name, root)
    lines.append(".SH EXAMPLES")
    for words, line in EXAMPLES:
        lines += [".TP", f".B {roff(line)}", roff(words)]
    lines += [".SH FILES", ".TP", "/etc/midwatch/midwatch.yaml"]
    lines.append("The settings, when there are any. midwatch config init prints a commented file.")
    lines += [".TP", "/var/lib/midwatch/midwatch.db", "The history, cases and messages."]
    lines.append(".SH EXIT STATUS")
    for status in Exit:
        lines += [".TP", str(int(status)), roff(MEANING[status])]
    return "\n".join(lines) + "\n"


def _command(command: click.Command, name: str, above: click.Context) -> Iterator[str]:
    """Describe a command, and the commands below it."""
    context = click.Context(command, info_name=name, parent=above)
    yield f".SS {roff(context.command_path)}"
    yield f".B {roff(context.command_path)}"
    yield roff(" ".join(command.collect_usage_pieces(context)))
    yield ".PP"
    yield from _text(command.help or "")
    yield from _options(command, context)
    if isinstance(command, click.Group):
        for below in command.list_commands(context):
            inner = command.get_command(context, below)
            if inner is not None:
                yield from _command(inner, below, context)


def _options(command: click.Command, context: click.Context) -> Iterator[str]:
    """Describe the options of a command."""
    for param in command.get_params(context):
        record = param.get_help_record(context)
        if record is None or not record[1]:
            continue  # an argument: the text above says what it is
        if context.parent is not None and "--help" in param.opts:
            continue  # said once, for all commands
        yield ".TP"
        yield f".B {roff(record[0])}"
        yield roff(record[1])


def _text(text: str) -> Iterator[str]:
    """Write paragraphs; one that click keeps as it is (marked by a backspace) stays as it is."""
    for number, paragraph in enumerate(inspect.cleandoc(text).split("\n\n")):
        if number:
            yield ".PP"
        lines = paragraph.split("\n")
        if lines[0].strip() == "\b":
            yield from (".nf", *(roff(line) for line in lines[1:]), ".fi")
        else:
            yield roff(" ".join(line.strip() for line in lines))


def roff(text: str) -> str:
    """Give text as it must be written so that roff prints it as it is."""
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return "\\&" + text if text[:1] in {".", "'"} else text
