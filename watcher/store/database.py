"""Opening the store, and its transactions.

The desk keeps nothing between two rounds: any process (the daemon, a command) opens the store,
and in one transaction loads the book, decides, and saves. A transaction that writes takes the
write lock at its beginning (``BEGIN IMMEDIATE``), so that what was loaded is still true when it
is saved.

A new store is built under another name and put in its place whole (``place``); a damaged one is
set aside and what can be read of it is kept (``salvage``).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Self

from watcher.facts.identity import BoxId
from watcher.store.connection import (
    SMALL_CACHE_KIB,
    Connect,
    Db,
    connect_sqlite,
    flush_log,
    open_db,
    touch_log,
)
from watcher.store.copies import COPIES_KEPT, copy_before
from watcher.store.dialect import SQLITE
from watcher.store.errors import StoreChanged, StoreDamaged, StoreError, translate_os
from watcher.store.form import check_form, mend_indexes
from watcher.store.locks import Alone, Locks
from watcher.store.migrate import migrate, refuse_newer, steps, version_of
from watcher.store.place import (
    alone,
    file_at,
    finish_swap,
    made_beside,
    make_new,
    make_ready,
    name_aside,
    prove_folder,
    remove_leftovers,
    swap,
)
from watcher.store.salvage import (
    RESCUE_NOTE,
    Rescue,
    examine,
    refuse_foreign,
    save_what_is_left,
    untold_rescue,
    version_of_damaged,
)
from watcher.store.transaction import Transaction


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a store came to be as it is; for the person who must be told."""

    rescue: Rescue | None = None  # the file was damaged and set aside; nobody was told yet
    copy: Path | None = None  # of how it was before it got the form of this version
    mended: tuple[str, ...] = ()  # indexes that were put right, in words

    @property
    def put_right(self) -> str:
        """Tell of the indexes that were put right, in one sentence; "" where none was."""
        if not self.mended:
            return ""
        return f"In the history the index {'; the index '.join(self.mended)}. No data was lost."

    @property
    def copied(self) -> str:
        """Tell the person of the copy, in one sentence; "" where there is none."""
        if self.copy is None:
            return ""
        return (
            f"The history was brought to the form of this version; as it was before, it lies in "
            f"{self.copy} (the newest {COPIES_KEPT} such copies are kept)."
        )


class Store:
    """An open store. One transaction at a time, from any thread."""

    def __init__(
        self,
        db: Db,
        *,
        path: Path | None,
        standing: Standing,
        flush: Callable[[Path, str], None] = flush_log,
        locks: Locks | None = None,
        refusal: StoreError | None = None,
        again: Callable[[], Db] | None = None,
    ) -> None:
        """Take over a connection; ``path`` is None for a store that is no file.

        With a ``refusal`` it is only to be looked at: every writing transaction raises that.
        ``again`` opens the file that lies at ``path`` when it is another one by then.
        """
        self._refusal = refusal
        self._again = again
        self._file = None if again is None or path is None else file_at(path)
        self._locks = locks or Alone()
        self._db = db
        self._lock = threading.RLock()
        self._flush = flush
        self._in_block = False
        self.path = path
        self.standing = standing

    @property
    def where(self) -> str:
        """How this store is called in a sentence."""
        return self._db.where

    @property
    def is_shared(self) -> bool:
        """Whether processes on other machines may work with this store too."""
        return self._db.dialect is not SQLITE

    def leads(self) -> bool:
        """Tell whether this process is the one that minds the clock; it may become so by asking.

        Alone on a file it is. On a server one of several is, until its connection ends.
        Raises StoreError.
        """
        with self._lock:
            return self._locks.leads()

    def hold(self, name: str) -> bool:
        """Hold a name until the connection ends; True: it was held since it was last asked for.

        Raises StoreError; then it is not known.
        """
        with self._lock:
            return self._locks.hold(name)

    def is_held(self, name: str) -> bool:
        """Tell whether anybody, on any machine, holds a name now. Raises StoreError."""
        with self._lock:
            return self._locks.is_held(name)

    @property
    def rescue(self) -> Rescue | None:
        """What was done about a damaged file, until a person was told; otherwise None."""
        return self.standing.rescue

    def rescue_was_told(self) -> None:
        """Note that a person was told of the rescue."""
        with self.transaction() as tx:
            tx.told_or_said()
            tx.forget(BoxId(""), RESCUE_NOTE)
        self.standing = replace(self.standing, rescue=None)

    @contextmanager
    def transaction(self, *, beside: bool = False) -> Iterator[Transaction]:
        """Run one writing transaction: committed at the end of the block, undone by an exception.

        Nobody else writes meanwhile. With ``beside``, on PostgreSQL, others who say so too may:
        then the block locks what it works on (``lock_box``, ``claim_due``).

        When it returns, what people were told or said is on the disk. Raises StoreError, and then
        nothing was changed; only when the disk fails in the very last step can it be that all of
        it was, which is harmless, because the same decision made again has the same keys.
        """
        if self._refusal is not None:
            raise self._refusal
        with self._lock:
            words = self._db.dialect
            self._begin(words.begin_beside if beside else words.begin_alone)
            tx = Transaction(self._db)
            try:
                yield tx
                if not beside and self.path is not None:
                    tx.count_turn()
                self._db.change("COMMIT")
            finally:
                self._end(tx)
            if tx.must_reach_disk and self.path is not None:
                self._flush(self.path, self._db.where)

    def prove_disk(self) -> None:
        """Have the disk say whether it keeps what it took. Raises StoreError when it does not.

        A file system that met an error may take writes into memory and say so only then. Where
        nothing is to be written it may not ask its disk at all, so the time of its log is set.
        """
        if self.path is not None:
            touch_log(self.path, self._db.where)
            self._flush(self.path, self._db.where)

    def keep_less(self) -> None:
        """Keep fewer pages of the file in memory; what is not kept the system mostly has."""
        if self.path is not None:
            with self._lock:
                self._db.rows(f"PRAGMA cache_size=-{SMALL_CACHE_KIB}")

    def prove_folder(self) -> None:
        """Have the disk keep a new file beside the store. Raises StoreError when it does not."""
        if self.path is not None:
            prove_folder(self.path, self._db.where)

    @contextmanager
    def snapshot(self) -> Iterator[Transaction]:
        """Look at the store as it is at one moment, holding nobody up; nothing done is kept."""
        with self._lock:
            self._begin(self._db.dialect.begin_look)
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
        while self._was_replaced():
            self._roll_back()
            self._open_again()
            self._db.change(words)
        self._in_block = True

    def _was_replaced(self) -> bool:
        """Tell whether the file under the connection is no more the one at its path.

        The watch may have set it aside as damaged: what was written to it now would be lost.
        Raises StoreError, with nothing begun, when there is none at its path.
        """
        if self._file is None or self.path is None:
            return False
        try:
            return file_at(self.path) != self._file
        except OSError as error:
            self._roll_back()
            raise translate_os(error, self._db.where) from error

    def _open_again(self) -> None:
        """Go over to the file that lies there now. Raises StoreError; then the old one stays."""
        if self.path is None or self._again is None:
            return
        fresh = self._again()
        self._db.close()
        self._db = fresh
        self._file = file_at(self.path)

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
    ``store.rescue`` says so. One whose tables are not those of its form counts as damaged; its
    indexes are put right where it stands, and ``store.standing`` says so. Without ``check`` (for a
    quick command) only the form is looked at, and damage raises StoreDamaged. Raises
    StoreTooNew and StoreForeign without touching the file, and the other kinds of StoreError.
    Before a store of an older version gets the form of this one, it is copied (``copies``).
    """
    where = f"the store {path}"
    finish_swap(path, where)
    if not path.exists():
        make_new(path, where, now, connect)
    refuse_foreign(path, where)
    try:
        db, standing = _open_checked(path, where, now, connect, check=check)
    except StoreDamaged:
        if not check:
            raise
        with alone(path, where):
            db, standing = _open_rescued(path, where, now, connect)
    if check:
        remove_leftovers(path)

    def again() -> Db:
        fresh = open_db(str(path), where, connect)
        try:
            refuse_newer(fresh)
            check_form(fresh)
        except BaseException:
            fresh.close()
            raise
        return fresh

    return Store(db, path=path, standing=standing, again=again)


def _open_rescued(path: Path, where: str, now: datetime, connect: Connect) -> tuple[Db, Standing]:
    """Rescue a damaged store, unless somebody else has just done so, and open it."""
    try:
        return _open_checked(path, where, now, connect, check=True)
    except StoreDamaged as damage:
        aside = name_aside(path, now)
        upto = version_of_damaged(path, connect)
        with made_beside(path, where, now, connect, upto=upto) as beside:
            rescue = Rescue(
                at=now,
                reason=str(damage),
                aside=aside,
                was_changed=isinstance(damage, StoreChanged),
            )
            save_what_is_left(rescue, path, beside, where, connect)
            make_ready(beside, path, where)
        swap(path, aside, where)
    # What was set aside is the copy of how it was.
    return _open_checked(path, where, now, connect, check=False, copy=False)


def _open_checked(
    path: Path, where: str, now: datetime, connect: Connect, *, check: bool, copy: bool = True
) -> tuple[Db, Standing]:
    """Open a file that is there, examine it if asked to, and take missing steps."""
    if path.stat().st_size == 0:
        raise StoreDamaged(f"{where} is empty: restart the watch, which begins a new one")
    db = open_db(str(path), where, connect)
    try:
        refuse_newer(db)
        if check:
            examine(db)
        else:
            check_form(db)
        kept = None
        if version_of(db) < len(steps()):
            kept = _bring_up(db, path, where, now, copy=copy)
        mended = mend_indexes(db) if check else ()
        return db, Standing(rescue=untold_rescue(db), copy=kept, mended=mended)
    except BaseException:
        with suppress(StoreError):
            db.close()
        raise


def _bring_up(db: Db, path: Path, where: str, now: datetime, *, copy: bool) -> Path | None:
    """Take the missing steps, with a copy made first; give where the copy is."""
    if not copy or version_of(db) == 0:
        migrate(db, now)
        return None
    with alone(path, where):
        if version_of(db) == len(steps()):  # another process has just done it
            return None
        kept = copy_before(path, where, now)
        migrate(db, now)
        return kept


def open_memory(*, now: datetime, connect: Connect = connect_sqlite) -> Store:
    """Open a store in memory, by the same code: for tests, and for when the disk takes no more."""
    db = open_db(":memory:", "the store in memory", connect)
    migrate(db, now)
    return Store(db, path=None, standing=Standing())
