"""``midwatch config``: check the settings, or write a first file from what was found."""

from __future__ import annotations

import click

from watcher.cli.exits import Exit, Stop
from watcher.cli.look import look_now
from watcher.cli.parts import settings_of
from watcher.cli.printer import reached_by
from watcher.cli.say import say
from watcher.facts.units import say_count
from watcher.notify.targets import refuses
from watcher.service.bootstrap import load_settings
from watcher.service.settings import environment, to_targets, usual_settings
from watcher.service.settings_sketch import sketch


@click.group()
def config() -> None:
    """Check the settings, or write a first file from what was found on this box."""


@config.command()
@click.pass_context
def check(context: click.Context) -> None:
    """Check the settings file and say what it comes to; every fault is listed.

    The addresses of people are checked for their form only. Whether a message really arrives is
    shown by: midwatch notify test
    """
    path = usual_settings(context.obj)
    settings = load_settings(path, environment())
    targets = to_targets(settings)
    faults = [
        f"  people: {target.person}, {target.name}: {why}"
        for target in targets
        if not target.is_terminal and (why := refuses(target.url))
    ]
    if faults:
        raise Stop("\n".join(["These ways cannot be used:", *faults]), Exit.FAULTY_SETTINGS)
    where = path or "no file: the settings that come with the program"
    say(f"{where}: nothing is wrong.")
    say(f"  box        {settings.box_name}")
    say(f"  state      {settings.state_directory}")
    say(f"  time zone  {settings.zone}")
    say(
        f"  looks      every {settings.survey.every_minutes} min, and in depth every "
        f"{settings.survey.deep_every_hours} h"
    )
    told = say_count(len(settings.drives), "drive")
    say(f"  told of    {told}, {say_count(len(settings.pools), 'declared pool')}")
    of_client = {name: one.name for one in settings.shop.clients for name in one.people}
    ours = [p.name for p in settings.people if p.name not in of_client]
    say(f"  people     {', '.join(ours) or 'none yet'}")
    for one in settings.shop.clients:
        say(f"  client     {one.name}: {', '.join(one.people) or 'nobody'}")
    if of_client:
        say("  The people of no client are the shop's: they hear of all boxes and may see all.")
    say(reached_by(targets))


@config.command()
@click.pass_context
def init(context: click.Context) -> None:
    """Write a commented settings file from what was found on this box to standard output.

    Example: midwatch config init > midwatch.yaml
    """
    looked = look_now(settings_of(context))
    click.echo(sketch(looked.view.survey), nl=False)
