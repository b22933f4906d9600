"""What all parts of a transaction share: the connection, and what must reach the disk."""

from __future__ import annotations

from watcher.store.connection import Db


class Part:
    """One part of a transaction. The parts are put together in ``transaction.Transaction``."""

    def __init__(self, db: Db) -> None:
        """Work on a connection on which a transaction has begun."""
        self._open_db: Db | None = db
        self.must_reach_disk = False

    @property
    def db(self) -> Db:
        """The connection. Raises RuntimeError when the transaction is over."""
        if self._open_db is None:
            raise RuntimeError("this transaction is over")
        return self._open_db

    def told_or_said(self) -> None:
        """Note that this transaction holds what people were told or said."""
        self.must_reach_disk = True

    def end(self) -> None:
        """Make the transaction unusable; called once, after commit or rollback."""
        self._open_db = None
