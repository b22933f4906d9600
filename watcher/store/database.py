"""Opening the store, and its transactions.

The desk keeps nothing between two rounds: any process (the daemon, a command) opens the store,
and in one transaction loads the book, decides, and saves. A transaction that writes takes the
write lock at its beginning (``BEGIN IMMEDIATE``), so that what was loaded is still true when it
is saved.

A new store is built under another name and put in its place whole, so a file of ours is never
seen half-made: an empty or cut file is damage, not a beginning.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Self

from watcher.store.connection import Connect, Db, connect_sqlite, flush_log, open_db
from watcher.store.errors import StoreDamaged, StoreError, translate_os
from watcher.store.migrate import migrate, refuse_newer
from watcher.store.salvage import (
    Rescue,
    examine,
    refuse_foreign,
    save_what_is_left,
    set_aside,
    version_aside,
)
from watcher.store.transaction import Transaction

FILE_MODE = 0o640
"""Serial numbers and messages are nobody else's business; a group may be allowed to look."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a store came to be as it is; for the person who must be told."""

    is_new: bool = False
    steps_taken: int = 0  # migrations run while opening
    rescue: Rescue | None = None  # the file was damaged and was set aside


class Store:
    """An open store. One transaction at a time, from any thread."""

    def __init__(
        self,
        db: Db,
        *,
        path: Path | None,
        standing: Standing,
        flush: Callable[[Path, str], None] = flush_log,
    ) -> None:
        """Take over a connection; ``path`` is None for a store in memory."""
        self._db = db
        self._lock = threading.RLock()
        self._flush = flush
        self._in_block = False
        self.path = path
        self.standing = standing

    @property
    def is_memory(self) -> bool:
        """Whether this store is lost when the process ends."""
        return self.path is None

    @property
    def rescue(self) -> Rescue | None:
        """What was done about a damaged file when the store was opened, or None."""
        return self.standing.rescue

    @contextmanager
    def transaction(self) -> Iterator[Transaction]:
        """Run one writing transaction: committed at the end of the block, undone by an exception.

        When it returns, what people were told or said is on the disk. Raises StoreError, and then
        nothing was changed; only when the disk fails in the very last step can it be that all of
        it was, which is harmless, because the same decision made again has the same keys.
        """
        with self._lock:
            self._begin("BEGIN IMMEDIATE")
            tx = Transaction(self._db)
            try:
                yield tx
                self._db.change("COMMIT")
            finally:
                self._end(tx)
            if tx.must_reach_disk and self.path is not None:
                self._flush(self.path, self._db.where)

    @contextmanager
    def snapshot(self) -> Iterator[Transaction]:
        """Look at the store as it is at one moment, holding nobody up; nothing done is kept."""
        with self._lock:
            self._begin("BEGIN")
            tx = Transaction(self._db)
            try:
                yield tx
            finally:
                self._end(tx)

    def _begin(self, words: str) -> None:
        """Begin a transaction. RuntimeError when one is going on, on this thread."""
        if self._in_block:
            raise RuntimeError("transactions of the store do not nest")
        self._roll_back()
        self._db.change(words)
        self._in_block = True

    def _end(self, tx: Transaction) -> None:
        """Undo what is still open after a block; SQLite may have done so itself.

        When even that fails, the error that led here is the one to tell; undoing is tried again
        before the next transaction begins.
        """
        tx.end()
        self._in_block = False
        with suppress(StoreError):
            self._roll_back()

    def _roll_back(self) -> None:
        """Undo an open transaction."""
        if self._db.in_transaction:
            self._db.change("ROLLBACK")

    def close(self) -> None:
        """Close the store; an open transaction is undone."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Self:
        """Give the store itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()


def open_store(
    path: Path,
    *,
    now: datetime,
    check: bool = True,
    connect: Connect = connect_sqlite,
) -> Store:
    """Open the store at ``path``, make it when there is none, bring it to the form of today.

    With ``check`` (for the watch itself) the file is examined from end to end. A damaged one is
    set aside under a name with the time, a new one is begun with all that could be read, and
    ``store.rescue`` says so. Without it (for a quick command) damage raises StoreDamaged. Raises
    StoreTooNew and StoreForeign without touching the file, and the other kinds of StoreError.
    """
    where = f"the store {path}"
    is_new = not path.exists()
    if is_new:
        make_new(path, where, now, connect)
    refuse_foreign(path, where)
    saved: Rescue | None = None
    try:
        db, taken = _open_checked(path, where, now, connect, check=check)
    except StoreDamaged as damage:
        if not check:
            raise
        saved = set_aside(path, where, now, str(damage))
        make_new(path, where, now, connect, upto=version_aside(saved, connect))
        saved = save_what_is_left(saved, path, where, connect)
        db, taken = _open_checked(path, where, now, connect, check=False)
    return Store(db, path=path, standing=Standing(is_new=is_new, steps_taken=taken, rescue=saved))


def _open_checked(
    path: Path, where: str, now: datetime, connect: Connect, *, check: bool
) -> tuple[Db, int]:
    """Open a file that is there, examine it if asked to, and take missing steps."""
    if path.stat().st_size == 0:
        raise StoreDamaged(f"{where} is empty: restart the watch, which begins a new one")
    db = open_db(str(path), where, connect)
    try:
        refuse_newer(db)
        if check:
            examine(db)
        taken = migrate(db, now)
    except BaseException:
        with suppress(StoreError):
            db.close()
        raise
    return db, taken


def make_new(
    path: Path, where: str, now: datetime, connect: Connect, *, upto: int | None = None
) -> None:
    """Make a new store and put it in its place whole; one that is there by then is left alone."""
    beside = path.with_name(f"{path.name}.new-{os.getpid()}-{threading.get_ident()}")
    try:
        os.close(os.open(beside, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, FILE_MODE))
    except OSError as error:
        raise translate_os(error, where) from error
    try:
        db = open_db(str(beside), where, connect)
        try:
            migrate(db, now, upto=upto)
            db.rows("PRAGMA journal_mode=WAL")
        finally:
            db.close()
        _put_in_place(beside, path, where)
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            Path(f"{beside}{ending}").unlink(missing_ok=True)


def _put_in_place(beside: Path, path: Path, where: str) -> None:
    """Give a finished file its name, unless the name is taken, and bring that to the disk."""
    try:
        with suppress(FileExistsError):
            try:
                os.link(beside, path)
            except PermissionError:  # a filesystem without links
                if not path.exists():
                    beside.rename(path)
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise translate_os(error, where) from error


def open_memory(*, now: datetime, connect: Connect = connect_sqlite) -> Store:
    """Open a store in memory, by the same code: for tests, and for when the disk takes no more."""
    db = open_db(":memory:", "the store in memory", connect)
    taken = migrate(db, now)
    return Store(db, path=None, standing=Standing(is_new=True, steps_taken=taken))
