"""The one door through which readers reach a machine.

A ``Host`` runs programs and reads files. The real one is ``runner.RealHost``; a recorded one
replays what was saved from another box; the demo has a simulated one. Readers cannot tell them
apart, so everything that is true of a saved box is true of a live one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable

from watcher.facts.drive import Unread
from watcher.readers.errors import CannotRead


class Ended(StrEnum):
    """How a program ended."""

    EXITED = "exited"  # by itself; the status is data
    TIMED_OUT = "timed-out"  # the limit passed; it was killed
    STUCK = "stuck"  # killed in vain, or an earlier one for the same thing still hangs
    KILLED = "killed"  # died of a signal
    MISSING = "missing"  # there is no such program
    FORBIDDEN = "forbidden"  # it may not be started
    TOO_LONG = "too-long"  # wrote more than the output limit; it was killed


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What running a program gave. Output is text, undecodable bytes replaced."""

    argv: tuple[str, ...]
    ended: Ended
    status: int = 0  # exit status; minus the signal's number when killed
    stdout: str = ""
    stderr: str = ""
    seconds: float = 0.0


class Host(Protocol):
    """A machine: programs that can be run and files that can be read. Never written to."""

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        """Run a program with no shell, LC_ALL=C and closed input; never raises.

        ``lane`` names what the program works on ("/dev/sda"): while an earlier program in the same
        lane cannot be killed, no second one is started and the answer is ``STUCK``.
        """

    def read_text(self, path: str) -> str:
        """Read a file; raises FileNotFoundError, PermissionError or another OSError."""

    def list_dir(self, path: str) -> tuple[str, ...]:
        """Name the entries of a folder, sorted; raises as ``read_text`` does."""

    def real_path(self, path: str) -> str:
        """Follow links to the end; gives the path itself when it cannot be followed."""

    def exists(self, path: str) -> bool:
        """Tell whether there is something at a path."""


@runtime_checkable
class Abandons(Protocol):
    """A machine on which programs really run."""

    def abandon(self) -> None:
        """Give up all programs that run now: they are killed, soon."""


_WHY = {
    Ended.TIMED_OUT: Unread.HUNG,
    Ended.STUCK: Unread.HUNG,
    Ended.KILLED: Unread.GARBLED,
    Ended.MISSING: Unread.TOOL_MISSING,
    Ended.FORBIDDEN: Unread.FORBIDDEN,
    Ended.TOO_LONG: Unread.GARBLED,
}


AS_ROOT = "run midwatch as root"  # the remedy where the program is there and may not look
_HELD_UP = "look in the kernel log for a drive that does not answer: it holds the program up"


def require_exited(source: str, ran: Ran, *, remedy: str = "") -> Ran:
    """Give ``ran`` back when the program ended by itself, raise ``CannotRead`` otherwise.

    ``remedy`` is for a program that is missing; of one that hangs something else is to be done.
    """
    if ran.ended is Ended.EXITED:
        return ran
    program = ran.argv[0]
    sentence = {
        Ended.TIMED_OUT: f"{program} gave no answer within {ran.seconds:.0f} s",
        Ended.STUCK: f"{program} hangs and cannot be stopped",
        Ended.KILLED: f"{program} was killed by signal {-ran.status}",
        Ended.MISSING: f"{program} is not installed",
        Ended.FORBIDDEN: f"{program} may not be started",
        Ended.TOO_LONG: f"{program} wrote more than the output limit",
    }[ran.ended]
    instead = {
        Ended.TIMED_OUT: _HELD_UP,
        Ended.STUCK: _HELD_UP,
        Ended.FORBIDDEN: AS_ROOT,
        Ended.MISSING: remedy,
    }
    by_hand = f"run {program} by hand and see what it says"
    raise CannotRead(source, _WHY[ran.ended], sentence, remedy=instead.get(ran.ended, by_hand))
