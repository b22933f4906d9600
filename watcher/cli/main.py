"""The command ``midwatch``. Every command lives in a module of its own and is loaded when used."""

from __future__ import annotations

import difflib
import errno
import importlib
import os
import sys
from typing import TYPE_CHECKING

import click

from watcher import __version__
from watcher.cli.exits import Exit, Leave, Stop
from watcher.cli.say import say, show_all_letters
from watcher.facts.units import capital
from watcher.service.errors import ConfigError
from watcher.service.our_fault import name_fault
from watcher.store.errors import StoreError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

COMMANDS = {
    "watch": ("watcher.cli.watch", "watch", "Watch this box and stay."),
    "reader": ("watcher.cli.reader", "reader", "Look for a watch that has no drives itself."),
    "look": ("watcher.cli.look", "look", "Look at everything once and say what there is."),
    "cases": ("watcher.cli.cases", "cases", "List what is wrong now, or was."),
    "case": ("watcher.cli.cases", "case", "Tell all about one case."),
    "ack": ("watcher.cli.answers", "ack", "Take a case until a time."),
    "hand-over": ("watcher.cli.answers", "hand_over", "Give a case to somebody else."),
    "silence": ("watcher.cli.answers", "silence", "Keep something quiet until a time."),
    "maintenance": ("watcher.cli.maintenance", "maintenance", "Announce planned work, and end it."),
    "history": ("watcher.cli.history", "history", "Show what a drive reported over time."),
    "drive": ("watcher.cli.history", "drive", "Tell what is known of one drive."),
    "drives": ("watcher.cli.history", "drives", "List every drive that was ever seen here."),
    "retire": ("watcher.cli.history", "retire", "Expect a drive no more, or again."),
    "exposure": ("watcher.cli.exposure", "exposure", "How long a pool is exposed, and how likely."),
    "recovery": ("watcher.cli.recovery", "recovery", "Where a pool is on its way back; what next."),
    "locate": ("watcher.cli.locate", "locate", "Make a drive findable by its light."),
    "plan": ("watcher.cli.exposure", "plan", "What each habit does for a pool over the years."),
    "ready": ("watcher.cli.ready", "ready", "How prepared this box is for the next failure."),
    "shelf": ("watcher.cli.shelf", "shelf", "The spares that are kept ready."),
    "prove": ("watcher.cli.prove", "prove", "Burn in a spare. Erases it."),
    "drill": ("watcher.cli.drill", "drill", "Rehearse the loss of a drive; touches nothing."),
    "restored": ("watcher.cli.ready", "restored", "Write down that a restore was tried."),
    "bench": ("watcher.cli.bench", "bench", "Tell of a drive that was brought in."),
    "rules": ("watcher.cli.rules", "rules", "List the rules by which trouble is found."),
    "rule": ("watcher.cli.rules", "rule", "Explain one rule, with its sources."),
    "explain": ("watcher.cli.explain", "explain", "Say what a saved kernel log means."),
    "replay": ("watcher.cli.replay", "replay", "Run recorded history through the rules."),
    "collect": ("watcher.cli.collect", "collect", "Save all raw answers of this box in a file."),
    "config": ("watcher.cli.config", "config", "Check the settings, or write a first file."),
    "notify": ("watcher.cli.notify", "notify", "Test the ways to people; list what was sent."),
    "pages": ("watcher.cli.pages", "pages", "Serve the pages alone."),
    "account": ("watcher.cli.accounts", "account", "Say who may use the pages."),
    "join": ("watcher.cli.join", "join", "Let a hub watch over this box too."),
    "hub": ("watcher.cli.hub", "hub", "Watch many boxes of many clients."),
    "man": ("watcher.cli.man", "man", "Print the manual page."),
    "demo": ("watcher.cli.demo", "demo", "Watch an invented box go through a failure."),
}


PARTS = (
    ("To begin with", ("look", "demo", "config", "notify", "watch", "man")),
    (
        "When something is wrong",
        ("cases", "case", "ack", "hand-over", "recovery", "exposure", "locate", "explain"),
    ),
    ("Quiet and planned work", ("maintenance", "silence")),
    ("Before it happens", ("ready", "shelf", "prove", "drill", "restored", "plan")),
    (
        "Drives and rules",
        ("drives", "drive", "history", "retire", "bench", "rules", "rule", "replay"),
    ),
    ("On the phone, and other machines", ("pages", "account", "collect", "join", "hub", "reader")),
)
"""The commands by what one wants, as the help lists them."""


class Lazy(click.Group):
    """A group whose commands are imported only when they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name all commands, in the order a newcomer needs them."""
        del ctx
        return [name for _, names in PARTS for name in names]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command."""
        del ctx
        where = COMMANDS.get(cmd_name)
        if where is None:
            return None
        command = getattr(importlib.import_module(where[0]), where[1])
        if not isinstance(command, click.Command):
            raise TypeError(f"{where[1]} is not a command")
        if isinstance(command, click.Group):
            _say_whole_sentences(command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Offer the commands without importing them."""
        from click.shell_completion import CompletionItem  # noqa: PLC0415 - for shells only

        named = [
            CompletionItem(name, help=words)
            for name, (_, _, words) in COMMANDS.items()
            if name.startswith(incomplete)
        ]
        return [*named, *click.Command.shell_complete(self, ctx, incomplete)]

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; of a word that is none, say which it may have been meant for."""
        word = args[0]
        if word not in COMMANDS and not word.startswith("-") and not ctx.resilient_parsing:
            near = difflib.get_close_matches(word.lower(), COMMANDS, n=1)
            hint = f" Did you mean {near[0]}?" if near else ""
            raise click.UsageError(f"There is no command “{word}”.{hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        del ctx
        wide = max(map(len, COMMANDS))
        for part, names in PARTS:
            with formatter.section(part):
                formatter.write_dl([(name.ljust(wide), COMMANDS[name][2]) for name in names])


def _say_whole_sentences(group: click.Group) -> None:
    """Let the list of a group's commands show first sentences whole, not cut to one line."""
    for command in group.commands.values():
        if command.short_help is None and command.help:
            paragraph = " ".join(command.help.partition("\n\n")[0].split())
            sentence, dot, _ = paragraph.partition(". ")
            command.short_help = sentence + dot.strip()


@click.group(
    cls=Lazy,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Begin with: midwatch look   (what is there), midwatch demo   (what it does).",
)
@click.version_option(__version__, prog_name="midwatch", message="%(prog)s %(version)s")
@click.option(
    "--config",
    "settings",
    metavar="FILE",
    type=click.Path(readable=False),
    help="The settings file. Without it /etc/midwatch/midwatch.yaml is used where there is one, "
    "and sensible settings where there is none.",
)
@click.pass_context
def cli(context: click.Context, settings: str | None) -> None:
    """Watch the drives and pools of a box, and say in time what to do next.

    Everything turns on margin: how many more drives a pool can lose with no data lost.
    """
    context.obj = settings


def _open_what_is_closed() -> None:
    """Put nothing in the place of an input or output that whoever started us closed (``>&-``).

    Else the next file that is opened, the database perhaps, would be taken for it.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # gets the lowest number that is free: this one
            os.set_inheritable(number, True)  # noqa: FBT003 - as what it stands for
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, "w" if number else "r", closefd=False))


def main() -> None:
    """Run the command, and end with its exit status."""
    _open_what_is_closed()
    show_all_letters()
    if "_MIDWATCH_COMPLETE" in os.environ:
        from watcher.cli.completing import prepare_shells  # noqa: PLC0415 - for shells only

        prepare_shells()
    try:
        status = cli.main(prog_name="midwatch", standalone_mode=False)
        sys.stdout.flush()  # here, where a full disk can still be told of
    except click.exceptions.Exit as ended:
        sys.exit(ended.exit_code)
    except click.Abort:
        sys.exit(Exit.STOPPED)
    except Leave as leave:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(leave.status)
    except BrokenPipeError:
        sys.stderr.close()  # whoever read our output is gone; nothing more to say
        sys.exit(Exit.DONE)
    except Exception as error:  # noqa: BLE001 - the outermost ring of a command
        sys.exit(_tell(error))
    sys.exit(status if isinstance(status, int) else Exit.DONE)


_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_NAMED_WRONGLY = {
    errno.EACCES, errno.EPERM, errno.EROFS, errno.ENAMETOOLONG, errno.ELOOP, errno.ENOTDIR,
    errno.EISDIR,
}  # fmt: skip
"""Of a file that a person named; one of ours that is missing is a fault of ours."""


def _tell(error: Exception) -> Exit:
    """Say in a sentence why the command ended, and give the status for it."""
    match error:
        case click.NoSuchOption(option_name="--config"):
            error.show()
            say("It stands before the command: midwatch --config FILE COMMAND", err=True)
            return Exit.WRONG_WORDS
        case click.ClickException():
            error.show()
            return Exit.WRONG_WORDS
        case Stop():
            say(error.sentence, err=True)
            return error.status
        case ConfigError():
            say(str(error), err=True)
            return Exit.FAULTY_SETTINGS
        case StoreError():
            say(f"{capital(str(error))}.", err=True)
            return Exit.NO_STATE
        case OSError() if error.errno in _NO_ROOM:
            sys.stdout = None  # what could not be written is not tried again at the end
            say(f"The output could not be written: {error.strerror}.", err=True)
            return Exit.REFUSED
        case OSError() if error.errno in _NAMED_WRONGLY and error.filename:
            say(f"{error.filename} cannot be used: {error.strerror}.", err=True)
            return Exit.REFUSED
        case _:
            say(f"This is a fault in midwatch, not in your box: {name_fault(error)}.", err=True)
            return Exit.OUR_FAULT
