"""The desk's end of the reader: looks through a socket, and is blind where that fails.

``RemoteSurveyor`` stands where a surveyor of this process would, ``RemoteBell`` where its bell
would. A reader that is not there, does not answer, answers for another box or moment, or says
something odd, gives a survey with a blind spot for every source: what it would have told is not
known, and no case closes over it. Nothing is ever silently empty.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.facts.drive import Unread
from watcher.facts.identity import BoxId
from watcher.facts.pool import Pool
from watcher.facts.survey import READER, Blindness, Survey
from watcher.readers.kernel_log import Position
from watcher.readers.taken import Taken
from watcher.service.half_words import (
    LONGEST_ANSWER_BYTES,
    Answer,
    Busy,
    Closed,
    Done,
    Failed,
    Listen,
    Look,
    OddWords,
    Reload,
    Request,
    Ring,
    Seen,
    read_answer,
    receive,
    send,
    user_at,
    write_request,
)

SOURCES = (
    "block-devices",
    "drive-discovery",
    "md",
    "lvm",
    "zfs",
    "btrfs",
    "file-parity",
    "kernel-log",
)
"""Every source that a look asks; all are unseen when the reader is. Held to the readers' own names
by a test, so that the desk need not load them."""
DECLARED = "declared"
"""The source of pools that the owner declared, where there are any."""

QUIET_SECONDS = 30.0
"""A reader that says neither "busy" nor anything else for so long is taken for dead. Six times as
long as the gap between two words of a live one."""
LOOK_SECONDS = 1800.0
"""The longest look. Our choice: two hundred drives of which sixty hang need about five minutes."""
CONNECT_SECONDS = 5.0
AGAIN_SECONDS = 30.0
"""How long a bell that cannot listen waits before it tries again."""
REMEDY = (
    "See what it says: journalctl -u midwatch-reader; and start it: systemctl restart "
    "midwatch-reader."
)


class _NoAnswer(Exception):
    """The reader could not be asked; why, in the words of a blind spot."""

    def __init__(self, why: Unread, detail: str) -> None:
        self.why = why
        self.detail = detail
        super().__init__(detail)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How long the reader may take, in seconds."""

    quiet: float = QUIET_SECONDS
    look: float = LOOK_SECONDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Where the reader listens, and as whom it must run."""

    path: str
    users: frozenset[int]

    def open(self) -> socket.socket:
        """Connect; raises OSError, or OddWords when somebody else listens there."""
        with ExitStack() as closing:
            sock = closing.enter_context(
                socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
            )
            sock.settimeout(CONNECT_SECONDS)
            sock.connect(self.path)
            user = user_at(sock)
            if user not in self.users:
                raise OddWords(f"user {user} listens at {self.path}, who is not the reader")
            closing.pop_all()
        return sock


class RemoteSurveyor:
    """Looks at the box through the reader. For one thread at a time."""

    def __init__(
        self,
        line: Line,
        box: BoxId,
        *,
        besides: Iterable[str] = (),
        limits: Limits | None = None,
    ) -> None:
        """Begin unconnected. ``besides`` are sources that this box has beyond the usual ones."""
        self._line = line
        self._box = box
        self.sources = (*SOURCES, *besides)
        self._limits = limits or Limits()
        self._sock: socket.socket | None = None
        self._pools: tuple[Pool, ...] = ()
        self._reload = False

    def remember(self, pools: Iterable[Pool]) -> None:
        """Take over the pools of a look made before this run, for a reader that is new."""
        self._pools = tuple(pools)

    def reload(self, box: BoxId, besides: Iterable[str] = ()) -> None:
        """Have the reader read its settings again before the next look."""
        self._box = box
        self.sources = (*SOURCES, *besides)
        self._reload = True

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        """Look at everything once, or be blind to everything; never raises."""
        known = self._sock is not None
        try:
            taken, doubts = self._try(survey, now, position, deep=deep)
        except _NoAnswer as error:
            self.close()
            if not known or error.why is not Unread.VANISHED:
                return self._blind(survey, now, position, error)
            try:  # it was started anew since the last look: call again, once
                taken, doubts = self._try(survey, now, position, deep=deep)
            except _NoAnswer as again:
                self.close()
                return self._blind(survey, now, position, again)
        self._pools = taken.survey.pools
        return _answered(taken, doubts)

    def close(self) -> None:
        """Hang up."""
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    def _try(
        self, survey: str, now: datetime, position: Position | None, *, deep: bool
    ) -> tuple[Taken, tuple[str, ...]]:
        """Look, after new settings were passed on; gives the doubts about those. Or _NoAnswer."""
        with _Telling():
            doubts = self._have_settings_read()
            return self._look(survey, now, position, deep=deep), doubts

    def _have_settings_read(self) -> tuple[str, ...]:
        """Pass on that the settings changed; a refusal is a doubt about what is looked at."""
        if not self._reload:
            return ()
        answer = self._ask(Reload())
        self._reload = False
        if isinstance(answer, Failed):
            return (f"The reader looks by the old settings: {answer.sentence}",)
        if not isinstance(answer, Done):
            raise OddWords(f"{answer.kind} is no answer to a reload")
        return ()

    def _look(
        self,
        survey: str,
        now: datetime,
        position: Position | None,
        *,
        deep: bool,
    ) -> Taken:
        """Ask for the look, and check that the answer is one to it.

        The first on a line may go to a reader that was started anew: it is told the pools of the
        last look, and what stands on slow pages it must ask the drives again.
        """
        new = self._sock is None
        pools = self._pools if new else None
        asked = Look(survey=survey, now=now, position=position, deep=deep or new, pools=pools)
        answer = self._ask(asked)
        if isinstance(answer, Failed):
            raise _NoAnswer(Unread.GARBLED, f"the reader could not look: {answer.sentence}")
        if not isinstance(answer, Seen):
            raise OddWords(f"{answer.kind} is no answer to a look")
        seen = answer.taken.survey
        if seen.survey != survey or seen.taken_at != now:
            raise OddWords("the reader answered another look than the one asked for")
        if seen.box != self._box:
            raise OddWords(
                f"the reader looks at {seen.box!r}, and this desk is for {self._box!r}: do both "
                "use the same settings file?"
            )
        return answer.taken

    def _ask(self, request: Request) -> Answer:
        """Send a request, and wait for its answer as long as the reader shows that it lives."""
        message = write_request(request)
        if self._sock is None:
            self._sock = self._line.open()
        send(self._sock, message, self._limits.quiet)
        end = time.monotonic() + self._limits.look
        while True:
            until = min(end, time.monotonic() + self._limits.quiet)
            answer = read_answer(receive(self._sock, LONGEST_ANSWER_BYTES, until))
            if not isinstance(answer, Busy):
                return answer

    def _blind(
        self, survey: str, now: datetime, position: Position | None, error: _NoAnswer
    ) -> Taken:
        """Give a survey that sees nothing and says so: of the reader, and of every source."""
        blind = tuple(
            Blindness(
                source=source,
                why=error.why,
                detail=f"The reader half of the watch: {error.detail}.",
                remedy=REMEDY,
            )
            for source in (READER, *self.sources)
        )
        return Taken(
            survey=Survey(survey=survey, box=self._box, taken_at=now, blind=blind),
            position=position,
        )


class _Telling:
    """Turns whatever can go wrong with the reader into ``_NoAnswer``."""

    def __enter__(self) -> None:
        """Begin."""

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        """Translate."""
        match error:
            case TimeoutError():
                raise _NoAnswer(Unread.HUNG, "it does not answer in time") from error
            case Closed() | FileNotFoundError() | ConnectionError():
                words = error.strerror if isinstance(error, OSError) else str(error)
                why = f" ({words})" if words else ""
                raise _NoAnswer(Unread.VANISHED, f"it does not run{why}") from error
            case PermissionError():
                raise _NoAnswer(
                    Unread.FORBIDDEN, f"it may not be asked by us ({error.strerror})"
                ) from error
            case OddWords():
                raise _NoAnswer(Unread.GARBLED, f"it says something odd ({error})") from error
            case OSError():
                raise _NoAnswer(Unread.GARBLED, f"it cannot be asked ({error})") from error
            case _:
                return


def _answered(taken: Taken, doubts: tuple[str, ...]) -> Taken:
    """Add to a survey that the reader answered, and the doubts about its settings."""
    survey = replace(
        taken.survey,
        answered=(*taken.survey.answered, READER),
        doubts=(*taken.survey.doubts, *doubts),
    )
    return replace(taken, survey=survey)


class RemoteBell:
    """Hears the reader's bell; never waits."""

    def __init__(self, line: Line, say: Callable[[str], None]) -> None:
        """Begin unconnected; ``say`` takes a sentence when somebody odd listens there."""
        self._line = line
        self._say = say
        self._sock: socket.socket | None = None
        self._again_at = 0.0
        self._rest = b""

    def rings(self, monotonic: float) -> bool:
        """Tell whether a look should come early."""
        try:
            if self._sock is None:
                self._listen(monotonic)
            return self._heard()
        except (OSError, Closed, OddWords) as error:
            if isinstance(error, OddWords):
                self._say(f"The bell of the reader is not listened to: {error}.")
            self.close()
            return False

    def close(self) -> None:
        """Hang up."""
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    def _listen(self, monotonic: float) -> None:
        """Connect and ask to be told, but not too often."""
        if monotonic < self._again_at:
            return
        self._again_at = monotonic + AGAIN_SECONDS
        self._sock, self._rest = self._line.open(), b""
        send(self._sock, write_request(Listen()), CONNECT_SECONDS)
        self._sock.settimeout(0)

    def _heard(self) -> bool:
        """Read what came; True when a ring is among it."""
        if self._sock is None:
            return False
        with suppress(BlockingIOError):
            while piece := self._sock.recv(4096):
                self._rest += piece
                if len(self._rest) > 65536:
                    raise OddWords("much was said, and nothing of it is a ring")
            raise Closed("the reader is gone")
        rang = False
        while len(self._rest) >= 4:
            length = int.from_bytes(self._rest[:4], "big")
            if not 0 < length <= 4096:
                raise OddWords(f"a message of {length} bytes is no ring")
            if len(self._rest) < 4 + length:
                break
            answer = read_answer(self._rest[4 : 4 + length])
            self._rest = self._rest[4 + length :]
            if not isinstance(answer, Done | Ring):
                raise OddWords(f"{answer.kind} is no ring")
            rang = rang or isinstance(answer, Ring)
        return rang
