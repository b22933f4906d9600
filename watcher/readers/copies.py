r"""What cannot be got again, how large it is, and how old its copies are.

Sources, as the owner declared them:

* size: ``du --summarize --bytes --one-file-system --no-dereference PATH…`` of GNU coreutils, one
  number for each path. Status 1 with a number means that a part could not be read: then the size is
  not known. (``--bytes`` counts the lengths of files, not the blocks they take.)
* newest file below a folder: ``find FOLDER -xdev -type f -printf '%T@\n'`` of GNU findutils: the
  time of each file's last change of content, in seconds since 1970 with a fraction. The newest one
  counts. An empty folder, as of a backup disk that is not mounted, holds no file: a copy that was
  **not seen** when the folder itself is a mount point no more cannot be told from one that was
  never made, so an empty folder is "never" and a missing one "not seen".
* marker file: its own time, by ``stat --format=%Y FILE``.
* command: status 0 means that there is a copy. What it prints is when: ISO 8601 with an offset, or
  whole seconds since 1970; nothing printed means now. Any other status means that there is none.

Traps: a network mount whose server is gone blocks for ever, so everything is run as a program with
a time limit (runner.py) and never read by us. A time in the future (a wrong clock, a broken file)
tells nothing: the copy is not seen.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from watcher.facts.readiness import BackupsSeen, CopySeen, HowKnown, Irreplaceable
from watcher.facts.units import say_day
from watcher.readers.errors import CannotParse
from watcher.readers.host import Ended, Host, Ran

SOURCE = "copies"

SIZE_LIMIT_SECONDS = 120.0
"""How long measuring one thing may take. Our choice: a million files take about a minute from a
cold disk; beyond that the size is not known, which is said."""

AHEAD = timedelta(hours=26)
"""How far ahead a time may be: a day and its zone, for clocks that show local time as UTC. Our
choice; beyond it the time is wrong."""

SIZE_COMMAND = ("du", "--summarize", "--bytes", "--one-file-system", "--no-dereference")

_SECONDS = re.compile(r"([0-9]{1,11})(?:\.[0-9]+)?")
"""At most 11 digits: the year 5138, which every calendar still has."""

_SIZE_LINE = re.compile(r"(\d{1,18})\t.+")


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyAsked:
    """A copy, as the owner declared it."""

    name: str
    how: HowKnown
    where: tuple[str, ...]  # the folder, the file, or the program with its arguments
    fresh_for: timedelta
    limit_seconds: float = 30.0
    off_site: bool = False
    medium: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThingAsked:
    """Something irreplaceable, as the owner declared it."""

    name: str
    paths: tuple[str, ...]
    copies: tuple[CopyAsked, ...] = ()


def parse_sizes(text: str, count: int) -> int:
    """Give the sum of what du printed for ``count`` paths; CannotParse for anything else.

    A path below an earlier one gets no line: du counts each file once.
    """
    lines = text.splitlines()
    if not 1 <= len(lines) <= count:
        raise CannotParse(SOURCE, f"du told of {len(lines)} paths, not of {count}")
    total = 0
    for line in lines:
        found = _SIZE_LINE.fullmatch(line)
        if found is None:
            raise CannotParse(SOURCE, "not a size and a path", line=line)
        total += int(found[1])
    return total


def _at(seconds: str, line: str) -> datetime:
    """Give the time of a number of seconds since 1970."""
    found = _SECONDS.fullmatch(seconds.strip())
    if found is None:
        raise CannotParse(SOURCE, "not a number of seconds since 1970", line=line)
    return datetime.fromtimestamp(int(found[1]), UTC)


def parse_newest(text: str) -> datetime | None:
    """Give the newest of the times that find printed; None when it printed none."""
    times = [_at(line, line) for line in text.splitlines() if line.strip()]
    return max(times, default=None)


def parse_printed(text: str, now: datetime) -> datetime:
    """Give the time that the owner's command printed; now when it printed nothing."""
    word = text.strip()
    if not word:
        return now
    if "\n" in word:
        raise CannotParse(SOURCE, "more than one line", line=word.splitlines()[0])
    if _SECONDS.fullmatch(word):
        return _at(word, word)
    try:
        moment = datetime.fromisoformat(word)
    except ValueError as error:
        raise CannotParse(SOURCE, "neither a time nor seconds since 1970", line=word) from error
    if moment.tzinfo is None:
        raise CannotParse(SOURCE, "a time without an offset from UTC", line=word)
    try:
        return moment.astimezone(UTC)
    except OverflowError as error:
        raise CannotParse(SOURCE, "a time that cannot be", line=word) from error


def read_size(host: Host, paths: tuple[str, ...]) -> tuple[int | None, str]:
    """Measure some paths; None with the reason when that cannot be done."""
    lane = f"size of {paths[0]}"
    ran = host.run((*SIZE_COMMAND, "--", *paths), limit_seconds=SIZE_LIMIT_SECONDS, lane=lane)
    if ran.ended is not Ended.EXITED:
        return None, _why(ran, "Its size")
    if ran.status:
        said = (ran.stderr.strip().splitlines() or ["no reason"])[-1]
        return None, f"Its size is not known: {said}."
    try:
        return parse_sizes(ran.stdout, len(paths)), ""
    except CannotParse as error:
        return None, f"Its size is not known: {error.reason}."


def _why(ran: Ran, what: str) -> str:
    """Say why a program gave nothing."""
    reasons = {
        Ended.TIMED_OUT: f"no answer within {ran.seconds:.0f} s",
        Ended.STUCK: "an earlier look still hangs",
        Ended.MISSING: f"{ran.argv[0]} is not there",
        Ended.FORBIDDEN: f"{ran.argv[0]} may not be started",
        Ended.KILLED: f"{ran.argv[0]} was killed",
        Ended.TOO_LONG: f"{ran.argv[0]} wrote too much",
    }
    return f"{what} is not known: {reasons.get(ran.ended, 'it did not end')}."


def _command(asked: CopyAsked) -> tuple[str, ...]:
    """Give what is run to look at a copy."""
    match asked.how:
        case HowKnown.NEWEST_FILE:
            return ("find", asked.where[0], "-xdev", "-type", "f", "-printf", "%T@\\n")
        case HowKnown.MARKER:
            return ("stat", "--format=%Y", "--", asked.where[0])
        case HowKnown.COMMAND:
            return asked.where


_Seen = tuple[datetime | None, bool, str]
"""When a copy was made, whether we could look, and what was seen."""


def _judge_command(ran: Ran, now: datetime) -> _Seen:
    """Read the answer of the owner's command."""
    if ran.status:
        said = (ran.stderr.strip().splitlines() or [""])[-1]
        word = f": {said}" if said else ""
        return None, True, f"The command ended with status {ran.status}{word}."
    return parse_printed(ran.stdout, now), True, ""


def _judge_newest(ran: Ran, folder: str) -> _Seen:
    """Read the times of the files below a folder."""
    made = parse_newest(ran.stdout)
    if ran.status:  # a part could not be read: the newest that was seen is the least
        said = (ran.stderr.strip().splitlines() or ["A part of it could not be read."])[-1]
        return made, made is not None, said
    if made is None:
        return None, True, f"There is no file below {folder}; is its disk mounted?"
    return made, True, ""


def _judge_marker(host: Host, ran: Ran, path: str) -> _Seen:
    """Read the time of a marker file."""
    if ran.status:
        said = (ran.stderr.strip().splitlines() or ["It could not be read."])[-1]
        gone = "No such file" in ran.stderr
        return None, gone and _parent_seen(host, path), said
    return parse_newest(ran.stdout), True, ""


def _read(host: Host, asked: CopyAsked, now: datetime) -> _Seen:
    """Look at one copy."""
    ran = host.run(
        _command(asked), limit_seconds=asked.limit_seconds, lane=f"copy {asked.where[0]}"
    )
    if ran.ended is not Ended.EXITED:
        return None, False, _why(ran, "It")
    try:
        match asked.how:
            case HowKnown.COMMAND:
                made, could_look, detail = _judge_command(ran, now)
            case HowKnown.NEWEST_FILE:
                made, could_look, detail = _judge_newest(ran, asked.where[0])
            case HowKnown.MARKER:
                made, could_look, detail = _judge_marker(host, ran, asked.where[0])
    except CannotParse as error:
        return None, False, f"What was told cannot be used: {error.reason}."
    if made is not None and made - now > AHEAD:
        return None, False, f"Its time lies in the future: {say_day(made)}."
    return made, could_look, detail


def _parent_seen(host: Host, path: str) -> bool:
    """Tell whether the folder of a missing marker is there, so that the marker really is not."""
    return host.exists(path.rpartition("/")[0] or "/")


def read_copy(host: Host, asked: CopyAsked, now: datetime) -> CopySeen:
    """Look at one copy; never raises: what went wrong is an answer of its own."""
    made, could_look, detail = _read(host, asked, now)
    return CopySeen(
        name=asked.name,
        how=asked.how,
        fresh_for=asked.fresh_for,
        off_site=asked.off_site,
        medium=asked.medium,
        copied_at=made if could_look else None,
        could_look=could_look,
        detail=detail,
    )


def read_things(host: Host, asked: tuple[ThingAsked, ...], now: datetime) -> BackupsSeen:
    """Look at all that was declared irreplaceable, and at its copies."""
    things = []
    for thing in asked:
        size, why = read_size(host, thing.paths)
        things.append(
            Irreplaceable(
                name=thing.name,
                paths=thing.paths,
                bytes=size,
                measured=why,
                copies=tuple(read_copy(host, copy, now) for copy in thing.copies),
            )
        )
    return BackupsSeen(seen_at=now, things=tuple(things))
