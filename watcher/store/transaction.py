"""All that can be asked of the store within one transaction, put together from its parts."""

from __future__ import annotations

from watcher.store.book import BookPart
from watcher.store.outbox import OutboxPart


class Transaction(BookPart, OutboxPart):
    """One transaction: everything done through it is committed together, or not at all."""
