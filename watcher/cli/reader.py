"""``midwatch reader``: the half of the service that looks."""

from __future__ import annotations

import signal
from pathlib import Path

import click

from watcher.cli.exits import Exit, Stop
from watcher.cli.say import say
from watcher.cli.waiting import FirstLook, Mention
from watcher.service.allocator import give_back_freed
from watcher.service.clock import SystemClock
from watcher.service.errors import ConfigError
from watcher.service.eyes import bell_here, surveyor_here, to_looking
from watcher.service.half_reader import Reader, Ways, open_socket, users_of
from watcher.service.half_words import user_of_name
from watcher.service.settings import environment, load, usual_settings
from watcher.service.supervisor import ours


@click.command()
@click.option(
    "--socket",
    "path",
    metavar="PATH",
    type=click.Path(readable=False),
    required=True,
    help="Where to listen.",
)
@click.option(
    "--for-user",
    "names",
    metavar="NAME",
    multiple=True,
    help="Who may ask besides root and yourself. Can be given several times.",
)
@click.pass_context
def reader(context: click.Context, path: str, names: tuple[str, ...]) -> int:
    """Look at this box for a watch that runs apart: midwatch watch --reader PATH.

    Has the drives and needs no network; what it is asked for comes over a socket that only the
    users named here may use. It keeps nothing on the disk. Run it as root.
    """
    settings = usual_settings(context.obj)
    config = load(settings, environment(), secrets=False, lenient=True)
    try:
        users = users_of(user_of_name(name) for name in names)
        listening = open_socket(Path(path))
    except KeyError as error:
        raise Stop(f"There is no user {error.args[0]} here.", Exit.REFUSED) from error
    except OSError as error:
        raise Stop(f"Nobody can be heard at {path}: {error.strerror}.", Exit.REFUSED) from error
    surveyor = surveyor_here(config)
    bell = bell_here(config, SystemClock().now())

    def reload() -> str:
        try:
            fresh = load(settings, environment(), secrets=False)
        except ConfigError as faulty:
            say(f"The settings were not read again; the old ones stay.\n{faulty}")
            return " ".join(str(faulty).split())
        surveyor.looking = to_looking(fresh)
        return ""

    ways = Ways(
        surveyor=FirstLook(surveyor, Mention(say)),
        rings=bell.rings if bell is not None else lambda _: False,
        reload=reload,
        say=say,
        users=users,
    )
    service = Reader(listening, ways)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop())
    signal.signal(signal.SIGHUP, lambda *_: reload())
    supervisor = ours()
    supervisor.ready("waiting to be asked")
    say(f"Listening at {path}.")
    give_back_freed()
    service.serve()
    supervisor.stopping()
    return int(Exit.DONE)
