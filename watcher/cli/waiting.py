"""A person waits for drives that do not answer: what they see, and their way out.

At a terminal a line says which drive is silent and how long it is waited for; after some seconds
what all the others said is shown. In ``look`` Ctrl-C goes on without the silent ones and a second
one ends all; in ``watch``, which waits with its first look, it ends the watch. Where nobody sits at
a terminal the silent drives are named once, for the journal.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from math import inf
from types import FrameType
from typing import TYPE_CHECKING, Protocol

import click

from watcher.cli.columns import clean
from watcher.rules.view import say_bay

if TYPE_CHECKING:  # a watch that looks through another process loads no readers
    from datetime import datetime

    from watcher.readers.drive_target import DriveTarget
    from watcher.readers.drives import Silence
    from watcher.readers.kernel_log import Position
    from watcher.readers.survey import Surveyor
    from watcher.readers.taken import Taken

QUIET_SECONDS = 2.0
"""So long nothing is said of waiting. Our choice: drives that are well answer within about one."""

EARLY_SECONDS = 4.0
"""Drives that are silent for this long are worth showing the rest without them. Our choice: a drive
that is well answers within a second, one that has to be woken within about ten."""

FIRST_TABLE = f"Not all drives have answered within {EARLY_SECONDS:.0f} s. All the rest:\n"

NAMED = 3
"""Silent drives named in one line. Our choice: it must fit a terminal of 80 columns."""

WITHOUT = "Ctrl-C: without {them}."
END = "Ctrl-C ends the watch."
"""The ways out: of a look, and of a watch."""

_CLEAR = "\r\x1b[K"


class Waiter:
    """Waits for drives on behalf of a person."""

    def __init__(
        self,
        show: Callable[[Taken], None] | None,
        say: Callable[[str], None],
        way_out: str = WITHOUT,
    ) -> None:
        """Take how to show a look, None when the rest is not to be shown early, and the progress.

        ``say`` gets a line that takes the place of the last one; "" takes it away.
        """
        self._show = show
        self._say = say
        self._way_out = way_out
        self._names: tuple[str, ...] = ()
        self.early_seconds = EARLY_SECONDS
        self.enough = False  # the person does not want to wait on
        self.shown = False  # the rest was shown while drives were silent

    def early(self, taken: Taken) -> None:
        """Show the rest."""
        if self._show is None or self.enough:
            return
        self._say("")
        self._show(taken)
        self.shown = True

    def goes_on(self, silence: Silence) -> bool:
        """Say who is silent, and go on until the person has had enough."""
        self._names = tuple(name_of(target) for target in silence.silent)
        if silence.waited_seconds >= QUIET_SECONDS and not self.enough:
            self._say(say_silence(silence, self._way_out))
        return not self.enough

    def over(self) -> None:
        """Take the progress away: nothing is waited for any more."""
        self._say("")

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Take Ctrl-C as "go on without them" for as long as this lasts; a second one ends all."""
        before = signal.signal(signal.SIGINT, self._interrupted)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, before)
            self.over()

    def _interrupted(self, number: int, frame: FrameType | None) -> None:
        del number, frame
        if self.enough:
            raise KeyboardInterrupt
        self.enough = True
        self._say("One moment: what is known so far is put together.")

    def ending(self) -> str:
        """Say how the waiting ended, above or below the last table; "" when nothing was shown."""
        if not self.shown:
            return ""
        names = say_names(self._names)
        if self.enough:
            return f"\nNot waited for any longer: {names}. What stands above is all that is known."
        return f"\nNow with {names}, as far as there was an answer:\n"


class Mention:
    """Waits where nobody sits at a terminal: says once for which drives."""

    early_seconds = inf  # there is nobody to show the rest to

    def __init__(self, say: Callable[[str], None]) -> None:
        """``say`` gets one sentence, or none."""
        self._say = say
        self._is_said = False

    def early(self, taken: Taken) -> None:
        """Show nothing: whoever reads a journal reads the whole."""

    def goes_on(self, silence: Silence) -> bool:
        """Name the silent ones once, and go on."""
        if silence.waited_seconds >= EARLY_SECONDS and not self._is_said:
            self._is_said = True
            names = say_names([name_of(target) for target in silence.silent])
            self._say(f"No answer yet: {names}. Waiting up to {silence.limit_seconds:.0f} s.")
        return True

    def over(self) -> None:
        """Take nothing away: what was said was true."""


class Waits(Protocol):
    """One who waits for drives (``Patience`` of the survey), and hears when that is over."""

    @property
    def early_seconds(self) -> float:
        """After so long of silence what all others said is shown."""

    def early(self, taken: Taken) -> None:
        """Show what is known, once."""

    def goes_on(self, silence: Silence) -> bool:
        """Tell, again and again, whether to wait on."""

    def over(self) -> None:
        """Hear that nothing is waited for any more."""


class FirstLook:
    """A surveyor whose first look somebody waits for.

    Of a drive that is silent in a later look the watch says as a finding what it is.
    """

    def __init__(self, surveyor: Surveyor, waits: Waits) -> None:
        """Take the surveyor, and who waits."""
        self._surveyor = surveyor
        self._waits: Waits | None = waits
        self.remember = surveyor.remember

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        """Look at everything once."""
        waits, self._waits = self._waits, None
        try:
            return self._surveyor.take(survey, now, position=position, deep=deep, patience=waits)
        finally:
            if waits is not None:
                waits.over()


def name_of(target: DriveTarget) -> str:
    """Name a drive that was asked: by its bay where the owner gave one."""
    node = target.lane.removeprefix("/dev/")
    return clean(f"{say_bay(target.bay)} ({node})" if target.bay else node)


def say_names(names: Sequence[str]) -> str:
    """Name a few, and count the rest."""
    shown = ", ".join(names[:NAMED])
    return f"{shown} and {len(names) - NAMED} more" if len(names) > NAMED else shown


def say_silence(silence: Silence, way_out: str = WITHOUT) -> str:
    """Say who is silent, how long already, how long it is waited for, and the way out."""
    names = say_names([name_of(target) for target in silence.silent])
    them = "it" if len(silence.silent) == 1 else "them"
    return (
        f"No answer yet: {names}, {silence.waited_seconds:.0f} s of at most "
        f"{silence.limit_seconds:.0f} s. {way_out.format(them=them)}"
    )


def terminal_waiter(
    show: Callable[[Taken], None], *, for_programs: bool, way_out: str = WITHOUT
) -> Waiter | None:
    """Give a waiter for the person at this terminal; None when nobody sits there."""
    if not sys.stderr.isatty():
        return None

    def say(line: str) -> None:
        click.echo(_CLEAR + line, nl=False, err=True)

    return Waiter(show if sys.stdout.isatty() and not for_programs else None, say, way_out)
