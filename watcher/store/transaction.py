"""All that can be asked of the store within one transaction, put together from its parts."""

from __future__ import annotations

from watcher.store.accounts import AccountsPart
from watcher.store.ahead import AheadPart
from watcher.store.book import BookPart
from watcher.store.charts import ChartsPart
from watcher.store.floor import FloorPart
from watcher.store.history import HistoryPart
from watcher.store.hub import HubPart
from watcher.store.intake import IntakePart
from watcher.store.outbox import OutboxPart
from watcher.store.outgoing import OutgoingPart
from watcher.store.questions import QuestionsPart
from watcher.store.readiness import ReadinessPart
from watcher.store.recoveries import RecoveriesPart
from watcher.store.signing import SigningPart
from watcher.store.upkeep import UpkeepPart


class Transaction(
    BookPart,
    OutboxPart,
    IntakePart,
    QuestionsPart,
    HistoryPart,
    UpkeepPart,
    AccountsPart,
    SigningPart,
    ChartsPart,
    ReadinessPart,
    RecoveriesPart,
    HubPart,
    OutgoingPart,
    FloorPart,
    AheadPart,
):
    """One transaction: everything done through it is committed together, or not at all."""
