"""``midwatch drill --hands-on``: learn the commands on a scratch mirror that is really lost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import click

from watcher.cli.exits import Exit, Stop
from watcher.cli.say import say
from watcher.readers.runner import RealHost
from watcher.service.scratch import CannotPractise, Scratch, make_scratch


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One thing to do, and by what it is seen to be done."""

    words: str
    command: str
    is_done: Callable[[], bool]
    hint: str


def tasks_for(scratch: Scratch) -> tuple[Task, ...]:
    """Give what to do, with commands for exactly these scratch drives."""
    at = scratch.at
    return (
        Task(
            words="A member is missing: the mirror has no margin left. Look at it first.",
            command=f"btrfs filesystem show {at}",
            is_done=lambda: True,
            hint="",
        ),
        Task(
            words=(
                "Put the spare in the place of the lost drive. The 2 is the number of the lost "
                "device, as the list above skips it. On real drives: be sure which one is new, "
                "for what it holds is overwritten."
            ),
            command=f"btrfs replace start -B 2 {scratch.nodes[3]} {at}",
            is_done=lambda: scratch.spare_joined and not scratch.has_missing,
            hint="The spare is not a member yet, or a member is still missing.",
        ),
        Task(
            words=(
                "All members are there, and the redundancy is still not back: what was written "
                "while the drive was missing has one copy only. Convert it."
            ),
            command=f"btrfs balance start -f -dconvert=raid1,soft -mconvert=raid1,soft "
            f"-sconvert=raid1,soft {at}",
            is_done=lambda: not scratch.has_single_copies,
            hint="Some data still has one copy only (btrfs filesystem df shows profiles).",
        ),
        Task(
            words="Prove it: read everything and compare.",
            command=f"btrfs scrub start -B {at}",
            is_done=lambda: scratch.was_scrubbed,
            hint="No scrub has come to its end without errors yet.",
        ),
    )


def follow(tasks: tuple[Task, ...]) -> bool:
    """Go through the tasks; False when the person gave up."""
    for number, task in enumerate(tasks, 1):
        say()
        say(f"{number}. {task.words}")
        click.echo(f"\n   {task.command}\n")
        while True:
            typed = click.prompt(
                "Run it in another terminal, then press Enter (or type: stop)",
                default="",
                show_default=False,
            )
            if typed.strip().lower() == "stop":
                return False
            if task.is_done():
                break
            say(f"Not yet: {task.hint}")
    return True


def practise(context: click.Context) -> int:
    """Make a mirror of scratch files, lose a drive, and let a person bring the margin back."""
    del context
    try:
        scratch = make_scratch(RealHost())
    except CannotPractise as lacking:
        raise Stop(f"Practising is not possible here. {lacking}", Exit.REFUSED) from lacking
    try:
        say(
            f"A mirror of two scratch drives is made in {scratch.folder}. Nothing else is touched, "
            "and all of it is taken away at the end."
        )
        scratch.build()
        scratch.lose(2)
        if not follow(tasks_for(scratch)):
            say("Given up; everything is taken away again.")
            return int(Exit.REFUSED)
        letter = (scratch.at / "letter.txt").read_text(encoding="utf-8").strip()
        say(f"Done: full margin is back and proven, and the letter can be read: “{letter}”")
        return int(Exit.DONE)
    except CannotPractise as error:
        raise Stop(f"{error}.", Exit.REFUSED) from error
    finally:
        scratch.remove()
