"""What has left: the delivery tells the daemon of each message, a line each, through a pipe.

Asked only when the disk fails between a message's leaving and its being written down: the daemon
then goes on in memory, and what it heard of here is not sent again.

A line is ``MESSAGE-ID MICROSECONDS``, far shorter than what a pipe takes as one piece (PIPE_BUF,
pipe(7): 4096 bytes), so a delivery that is killed leaves a whole line or none. Nobody waits for the
other: what a full pipe does not take is not told, and then a message may come twice, as it would
without this. Only whole lines of that form are believed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from datetime import datetime

from watcher.service.message_id import LENGTH
from watcher.store.times import from_micros, to_micros

MOST_REMEMBERED = 1000
"""How many messages are remembered, the latest. Our choice: a box says at most 140 a day to a
person, and a disk that fails is noticed at the next look."""
_LINE = re.compile(rb"([0-9a-f]{%d}) (\d{1,17})" % LENGTH)  # 17 digits: until the year 5138
_LONGEST_LINE_BYTES = LENGTH + 1 + 17
_READ_BYTES = 65536  # what a pipe holds, pipe(7)


class Teller:
    """The delivery's end."""

    def __init__(self, pipe: int) -> None:
        """Tell through a file descriptor, without ever waiting for the daemon."""
        os.set_blocking(pipe, False)
        self._pipe = pipe

    def tell(self, message_id: str, at: datetime) -> bool:
        """Say that a message has left; False when nobody can hear it now."""
        try:
            os.write(self._pipe, f"{message_id} {to_micros(at)}\n".encode("ascii"))
        except OSError:  # the daemon is gone, or has not read for thousands of messages
            return False
        return True


class Left:
    """The daemon's memory of what has left."""

    def __init__(self) -> None:
        """Begin with nothing heard."""
        self._left: dict[str, datetime] = {}
        self._rest = b""

    @property
    def messages(self) -> Mapping[str, datetime]:
        """Which messages have left, by their ids, and when."""
        return self._left

    def read(self, pipe: int) -> None:
        """Take in what a pipe holds now; it must not be one that waits."""
        try:
            self.hear(os.read(pipe, _READ_BYTES))
        except OSError:  # nothing there now
            return

    def hear(self, piece: bytes) -> None:
        """Take in a piece of what a delivery said."""
        *lines, rest = (self._rest + piece).split(b"\n")
        self._rest = rest[: _LONGEST_LINE_BYTES + 1]  # one more: too long stays too long
        for line in lines:
            said = _LINE.fullmatch(line)
            if said is None:
                continue
            name = said[1].decode("ascii")
            self._left.pop(name, None)  # the latest stands last
            self._left[name] = from_micros(int(said[2]))
        while len(self._left) > MOST_REMEMBERED:
            del self._left[next(iter(self._left))]

    def begin_anew(self) -> None:
        """Another delivery speaks now: half a line of the one before is none."""
        self._rest = b""
