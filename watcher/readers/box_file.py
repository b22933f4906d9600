"""A box in one file: every raw answer that the readers got, to be looked at somewhere else.

The form, version 1: an archive as in ``archive.py``. ``manifest.json`` says when and how the box
was looked at, and which member holds which answer; ``programs/NNNN.out`` and ``.err`` are what a
program wrote, ``files/NNNN`` what a file held, ``log/ring`` the kernel's ring (records ended by a
zero byte) and ``log/file`` its log file. Texts are UTF-8; an empty one has no member.

The file may come from anybody, so reading it is strict: a member that the manifest does not name,
or names and lacks, refuses the whole file. A newer version is refused by its number. ``parse``
gives the box or raises ``CannotParse``, for any bytes.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from watcher.facts.drive import Unread
from watcher.readers import archive
from watcher.readers.archive import SOURCE
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Ended, Ran
from watcher.readers.kernel_raw import LogFile, Records
from watcher.readers.recorded import Answer, RecordedHost, RecordingHost
from watcher.readers.recorded_log import RecordedLogFile, RecordedRing
from watcher.readers.survey import Looking, Surveyor

FORMAT: Final = "midwatch box"
VERSION: Final = 1
MOST_ERRNO: Final = 4096  # the kernel's MAX_ERRNO is 4095 (include/linux/err.h)

_NAME = re.compile(r"manifest\.json|programs/\d{4,5}\.(?:out|err)|files/\d{4,5}|log/(?:ring|file)")


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedProgram:
    """One answer of a program; its texts are members of the archive."""

    argv: tuple[str, ...]
    ended: Ended
    status: int = 0
    seconds: float = 0.0
    stdout: str = ""  # the member's name; "" for an empty text
    stderr: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What is in the archive, and how the box was looked at."""

    format: str
    version: int
    written_by: str  # midwatch's own version
    taken_at: datetime
    masked: bool
    looking: Looking
    programs: tuple[SavedProgram, ...] = ()
    files: dict[str, str] = field(default_factory=dict)  # path to member
    links: dict[str, str] = field(default_factory=dict)
    folders: dict[str, tuple[str, ...]] = field(default_factory=dict)
    denied: tuple[str, ...] = ()
    failing: dict[str, int] = field(default_factory=dict)  # path to errno
    ring: str | int | None = None  # member, or errno; None: it was not read
    log: str | int | None = None


def _less_what_is_asked_for(argv: Sequence[str]) -> tuple[str, ...]:
    """Give a command without the pages and columns that it asks for: versions differ in these."""
    kept: list[str] = []
    words = iter(argv)
    for word in words:
        if word in {"-l", "-o"}:
            next(words, None)
        elif word != "-s":  # one column more of zpool status
            kept.append(word)
    return tuple(kept)


class _SavedHost(RecordedHost):
    """Answers as the box did, also where its midwatch asked for fewer pages or columns.

    What an answer does not tell is not known then, as where a program is older.
    """

    def __init__(self, *, programs: Mapping[tuple[str, ...], Answer], **more: Any) -> None:  # noqa: ANN401
        """Take what was recorded, as ``RecordedHost`` does."""
        super().__init__(programs=programs, **more)
        self._alike = {_less_what_is_asked_for(argv): argv for argv in programs}

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        """Give the recorded answer, else that to the same question for less; else MISSING."""
        asked = tuple(argv)
        if asked not in self._programs:
            asked = self._alike.get(_less_what_is_asked_for(asked), asked)
        return super().run(asked, limit_seconds=limit_seconds, lane=lane)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxFile:
    """A box that is not here, as it answered at one moment."""

    taken_at: datetime
    looking: Looking
    written_by: str
    masked: bool = False
    programs: Mapping[tuple[str, ...], Ran]
    files: Mapping[str, str]
    links: Mapping[str, str]
    folders: Mapping[str, tuple[str, ...]]
    denied: frozenset[str] = frozenset()
    failing: Mapping[str, int] = field(default_factory=dict)
    ring: tuple[bytes, ...] | int | None = None
    log: bytes | int | None = None

    def host(self) -> RecordedHost:
        """Give a host that answers as the box did."""
        return _SavedHost(
            programs=dict(self.programs),
            files=self.files,
            links=self.links,
            folders=self.folders,
            denied=self.denied,
            failing=self.failing,
        )

    def surveyor(self) -> Surveyor:
        """Give what looks at the box as its own midwatch did."""
        ring, log = self.ring, self.log
        open_ring: Callable[[], Records] | None = None
        open_log: Callable[[str], LogFile] | None = None
        if ring is not None:
            open_ring = lambda: RecordedRing(ring)  # noqa: E731 - typed where it is declared
        if log is not None:
            open_log = lambda _: RecordedLogFile(log)  # noqa: E731
        return Surveyor(self.host(), self.looking, ring=open_ring, file=open_log)


def of_recording(
    host: RecordingHost,
    looking: Looking,
    *,
    taken_at: datetime,
    written_by: str,
    ring: tuple[bytes, ...] | int | None,
    log: bytes | int | None,
) -> BoxFile:
    """Make a box of what a recording host kept."""
    return BoxFile(
        taken_at=taken_at,
        looking=looking,
        written_by=written_by,
        programs=dict(host.programs),
        files=dict(host.files),
        links=dict(host.links),
        folders=dict(host.folders),
        denied=frozenset(host.denied),
        failing=dict(host.failing),
        ring=ring,
        log=log,
    )


@lru_cache(maxsize=1)
def _form() -> TypeAdapter[Manifest]:
    """Build the manifest's reader and writer at first use: it takes some 50 ms."""
    return TypeAdapter(Manifest)


class _Members:
    """Gives names to texts, and keeps them."""

    def __init__(self) -> None:
        self.texts: dict[str, bytes] = {}

    def add(self, name: str, content: bytes) -> str:
        """Keep a text under a name; an empty one gets none."""
        if content:
            self.texts[name] = content
        return name if content else ""


def pack(box: BoxFile) -> bytes:
    """Write a box as bytes; the same box gives the same bytes. ValueError when it is too large."""
    members = _Members()
    programs = tuple(
        SavedProgram(
            argv=argv,
            ended=ran.ended,
            status=ran.status,
            seconds=round(ran.seconds, 3),
            stdout=members.add(f"programs/{number:04}.out", ran.stdout.encode(errors="replace")),
            stderr=members.add(f"programs/{number:04}.err", ran.stderr.encode(errors="replace")),
        )
        for number, (argv, ran) in enumerate(sorted(box.programs.items()), start=1)
    )
    files = {
        path: members.add(f"files/{number:04}", text.encode(errors="replace"))
        for number, (path, text) in enumerate(sorted(box.files.items()), start=1)
    }
    ring: str | int | None = box.ring if not isinstance(box.ring, tuple) else ""
    if isinstance(box.ring, tuple):
        ring = members.add("log/ring", b"".join(record + b"\0" for record in box.ring))
    log: str | int | None = box.log if not isinstance(box.log, bytes) else ""
    if isinstance(box.log, bytes):
        log = members.add("log/file", box.log)
    manifest = Manifest(
        format=FORMAT,
        version=VERSION,
        written_by=box.written_by,
        taken_at=box.taken_at,
        masked=box.masked,
        looking=box.looking,
        programs=programs,
        files=files,
        links=dict(sorted(box.links.items())),
        folders=dict(sorted(box.folders.items())),
        denied=tuple(sorted(box.denied)),
        failing=dict(sorted(box.failing.items())),
        ring=ring,
        log=log,
    )
    head = json.dumps(_form().dump_python(manifest, mode="json"), indent=1, ensure_ascii=False)
    contents = {"manifest.json": head.encode(errors="replace"), **members.texts}
    return archive.pack(contents, box.taken_at)


def write(box: BoxFile, path: Path) -> int:
    """Write a box into a new file that only its owner may read; gives its size in bytes.

    Raises FileExistsError when there is something already, another OSError when it cannot be
    written (then nothing is left behind), and ValueError when the box is too large.
    """
    content = pack(box)
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, archive.MODE)
    try:
        with os.fdopen(number, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        path.unlink(missing_ok=True)
        raise
    return len(content)


# -- reading


def read(path: Path) -> BoxFile:
    """Read a box from a file; raises ``CannotRead`` or ``CannotParse``."""
    try:
        with path.open("rb") as file:
            content = file.read(archive.TOTAL_BYTES + 1)
    except PermissionError as fault:
        raise CannotRead(SOURCE, Unread.FORBIDDEN, f"{path} may not be read") from fault
    except OSError as fault:
        raise CannotRead(SOURCE, Unread.VANISHED, f"{path}: {fault.strerror}") from fault
    return parse(content)


def parse(content: bytes) -> BoxFile:
    """Read a box from bytes; raises ``CannotParse`` for anything that is not a whole one."""
    members = archive.parse(content, _NAME)
    head = members.pop("manifest.json", None)
    if head is None:
        raise CannotParse(SOURCE, "it has no manifest")
    return _box(_manifest(head), members)


def _manifest(head: bytes) -> Manifest:
    """Read the manifest; a newer version is refused before its content is looked at."""
    try:
        words: Any = json.loads(head)
    except (ValueError, RecursionError) as fault:
        raise CannotParse(SOURCE, f"its manifest is not JSON: {fault}") from fault
    if not isinstance(words, dict) or words.get("format") != FORMAT:
        raise CannotParse(SOURCE, "it is not a box that midwatch collected")
    version = words.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise CannotParse(SOURCE, "its manifest names no version")
    if version > VERSION:
        raise CannotParse(
            SOURCE,
            f"it was written by a newer midwatch ({words.get('written_by')}, form {version}); this "
            f"one reads up to form {VERSION}. Upgrade midwatch here",
        )
    try:
        manifest = _form().validate_json(head)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise CannotParse(SOURCE, f"its manifest is wrong at {where}: {first['msg']}") from fault
    if manifest.taken_at.utcoffset() != timedelta(0):
        raise CannotParse(SOURCE, "its manifest has a time that is not UTC")
    numbers = [*manifest.failing.values(), manifest.ring, manifest.log]
    if not all(0 < number < MOST_ERRNO for number in numbers if isinstance(number, int)):
        raise CannotParse(SOURCE, "its manifest has an unknown error number")
    return manifest


def _box(manifest: Manifest, members: dict[str, bytes]) -> BoxFile:
    """Join the manifest and the answers; every member is used exactly once."""
    left = dict(members)

    def take(name: str) -> bytes:
        if not name:
            return b""
        if name not in left:
            raise CannotParse(SOURCE, "an answer is missing, or used twice", line=name)
        return left.pop(name)

    programs = {
        saved.argv: Ran(
            argv=saved.argv,
            ended=saved.ended,
            status=saved.status,
            seconds=saved.seconds,
            stdout=take(saved.stdout).decode("utf-8", "replace"),
            stderr=take(saved.stderr).decode("utf-8", "replace"),
        )
        for saved in manifest.programs
    }
    files = {p: take(name).decode("utf-8", "replace") for p, name in manifest.files.items()}
    ring: tuple[bytes, ...] | int | None = None
    if isinstance(manifest.ring, str):
        ring = tuple(take(manifest.ring).split(b"\0")[:-1])
    elif manifest.ring is not None:
        ring = manifest.ring
    log = take(manifest.log) if isinstance(manifest.log, str) else manifest.log
    if left:
        raise CannotParse(SOURCE, "an answer belongs to nothing", line=next(iter(left)))
    return BoxFile(
        taken_at=manifest.taken_at.replace(tzinfo=UTC),
        looking=manifest.looking,
        written_by=manifest.written_by,
        masked=manifest.masked,
        programs=programs,
        files=files,
        links=manifest.links,
        folders=manifest.folders,
        denied=frozenset(manifest.denied),
        failing=manifest.failing,
        ring=ring,
        log=log,
    )
