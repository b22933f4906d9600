"""What all parts of a transaction share: the connection, and what must reach the disk."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from watcher.cases.state import Book
from watcher.facts.identity import BoxId
from watcher.store.connection import Db
from watcher.store.recall import Recall
from watcher.store.statements import statements


class Part:
    """One part of a transaction. The parts are put together in ``transaction.Transaction``."""

    def __init__(self, db: Db) -> None:
        """Work on a connection on which a transaction has begun."""
        self._open_db: Recall | None = Recall(db)
        self.must_reach_disk = False
        self._metrics: dict[str, int] = {}
        self.books: dict[BoxId, Book] = {}  # read in this transaction

    @property
    def db(self) -> Recall:
        """The connection, with what it said. Raises RuntimeError when the transaction is over."""
        if self._open_db is None:
            raise RuntimeError("this transaction is over")
        return self._open_db

    def box_row(self, box: BoxId) -> Any:  # noqa: ANN401 - a row
        """Give when a box was surveyed, as a row, or None."""
        rows = self.db.once(statements("floor")["one-box-seen"], {"box": box})
        return rows[0] if rows else None

    def drive_rows(self, box: BoxId) -> Sequence[Any]:
        """Give the rows of the drives of a box."""
        return self.db.once(statements("questions")["drives-of-box"], {"box": box})

    def pool_rows(self, box: BoxId) -> Sequence[Any]:
        """Give the rows of the pools of a box."""
        return self.db.once(statements("questions")["pools-of-box"], {"box": box})

    def told_or_said(self) -> None:
        """Note that this transaction holds what people were told or said."""
        self.must_reach_disk = True

    def end(self) -> None:
        """Make the transaction unusable; called once, after commit or rollback."""
        self._open_db = None

    def metric_numbers(self) -> dict[str, int]:
        """Give the number of each metric that has one."""
        if not self._metrics:
            rows = self.db.rows(statements("intake")["metric-numbers"])
            self._metrics = {row["name"]: row["id"] for row in rows}
        return self._metrics

    def metric_number(self, name: str) -> int:
        """Give the number of a metric; a new one gets one."""
        known = self.metric_numbers().get(name)
        if known is None:
            self.db.change(statements("intake")["new-metric"], {"name": name})
            self._metrics = {}
            known = self.metric_numbers()[name]
        return known
