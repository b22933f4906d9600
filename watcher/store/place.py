"""Files of a store: made beside their place and put there whole.

A file of ours is never seen half-made under its own name. So an empty or cut file is damage, not
a beginning, and a kill at any moment of a rescue leaves either the damaged store in its place, or
the new one ready beside it, to be put there at the next start.
"""

from __future__ import annotations

import fcntl
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from watcher.store.connection import Connect, open_db
from watcher.store.errors import translate_os
from watcher.store.migrate import migrate
from watcher.store.new_file import open_new

FILE_MODE = 0o640
"""Serial numbers and messages are nobody else's business; a group may be allowed to look."""

PROOF_BYTES = 4096
"""What a disk is asked to keep before a store on it is opened: a page, as SQLite writes them."""

_ENDINGS = ("", "-wal", "-shm", "-journal")


def make_new(path: Path, where: str, now: datetime, connect: Connect) -> None:
    """Make an empty store and put it in its place; one that is there by then is left alone."""
    with made_beside(path, where, now, connect) as beside, _told(where):
        _sync(beside, os.O_RDONLY)
        with suppress(FileExistsError):
            try:
                os.link(beside, path)
            except PermissionError:  # a filesystem without links
                if not path.exists():
                    beside.rename(path)
        _sync(path.parent, os.O_DIRECTORY)


@contextmanager
def made_beside(
    path: Path, where: str, now: datetime, connect: Connect, *, upto: int | None = None
) -> Iterator[Path]:
    """Give an empty store of the form ``upto`` under a name of our own; removed afterwards."""
    beside = _of_ours(path)
    _remove(beside)
    with _told(where):
        os.close(open_new(beside, FILE_MODE))
    try:
        db = open_db(str(beside), where, connect)
        try:
            # Nobody knows this file yet: it is brought to the disk as a whole, once.
            db.rows("PRAGMA synchronous=OFF")
            migrate(db, now, upto=upto)
            db.rows("PRAGMA journal_mode=WAL")
        finally:
            db.close()
        yield beside
    finally:
        _remove(beside)


def file_at(path: Path) -> tuple[int, int]:
    """Name the file that lies at a path, whatever it is called. Raises OSError."""
    found = path.stat()
    return found.st_dev, found.st_ino


def prove_folder(path: Path, where: str) -> None:
    """Have the folder of a store take a new file and keep it, and leave nothing of it.

    On a disk that does not, the store must not be opened, nor used again: SQLite maps a file of
    it, and where that can no more be written the kernel ends the program (mmap(2), SIGBUS).
    Raises StoreError.
    """
    beside = _of_ours(path)
    _remove(beside)
    with _told(where):
        handle = open_new(beside, FILE_MODE)
        try:
            beside.unlink()
            os.write(handle, bytes(PROOF_BYTES))
            os.fsync(handle)
        finally:
            os.close(handle)


def remove_leftovers(path: Path) -> None:
    """Remove what processes that were killed left beside a store."""
    for file in path.parent.glob(f"{path.name}.new-*-*"):
        process = file.name.removeprefix(f"{path.name}.new-").split("-")[0]
        if not _lives(process):
            with suppress(OSError):
                file.unlink(missing_ok=True)


def _lives(process: str) -> bool:
    """Tell whether a process of that number is there, also one that /proc hides from us."""
    try:
        os.kill(int(process), 0)
    except (ProcessLookupError, OverflowError, ValueError):
        return False
    except PermissionError:
        return True
    return True


def name_aside(path: Path, now: datetime) -> Path:
    """Give a name with the time for a damaged store; one that is not taken."""
    aside = path.with_name(f"{path.name}.damaged-{now:%Y%m%dT%H%M%SZ}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{now:%Y%m%dT%H%M%SZ}-{number}")
    return aside


def make_ready(beside: Path, path: Path, where: str) -> None:
    """Give a store that is finished and closed the name from which it will take its place."""
    with _told(where):
        _sync(beside, os.O_RDONLY)
        beside.rename(_ready(path))
        _sync(path.parent, os.O_DIRECTORY)


def swap(path: Path, aside: Path, where: str) -> None:
    """Set the store in its place aside, and put the ready one there."""
    with _told(where):
        path.rename(aside)
        _put_ready(path, aside)


def finish_swap(path: Path, where: str) -> None:
    """Finish a swap in the middle of which we were killed."""
    if path.exists() or not _ready(path).exists():
        return
    with _told(where):
        set_aside = sorted(path.parent.glob(f"{path.name}.damaged-*Z*"), key=_age)
        last = [file for file in set_aside if not file.name.endswith(_ENDINGS[1:])]
        _put_ready(path, last[-1] if last else path.with_name(f"{path.name}.damaged"))


def _put_ready(path: Path, aside: Path) -> None:
    """Put the ready store in its place, which is empty.

    The log of the damaged one goes first: it must never be taken for the log of the new one.
    """
    with suppress(FileNotFoundError):
        Path(f"{path}-wal").rename(f"{aside}-wal")
    Path(f"{path}-shm").unlink(missing_ok=True)
    _ready(path).rename(path)
    _sync(path.parent, os.O_DIRECTORY)


@contextmanager
def alone(path: Path, where: str) -> Iterator[None]:
    """Keep other rescues in the same folder out, by a lock on the folder itself."""
    with _told(where):
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def _of_ours(path: Path) -> Path:
    """Name a file beside a store that is of this thread alone."""
    return path.with_name(f"{path.name}.new-{os.getpid()}-{threading.get_ident()}")


def _ready(path: Path) -> Path:
    return path.with_name(f"{path.name}.rescued")


def _age(file: Path) -> float:
    return file.stat().st_ctime


def _remove(beside: Path) -> None:
    for ending in _ENDINGS:
        with suppress(OSError):
            Path(f"{beside}{ending}").unlink(missing_ok=True)


def _sync(place: Path, kind: int) -> None:
    """Bring a file or a folder to the disk."""
    handle = os.open(place, os.O_RDONLY | kind | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _told(where: str) -> Iterator[None]:
    """Turn errors of the system into ours."""
    try:
        yield
    except OSError as error:
        raise translate_os(error, where) from error
