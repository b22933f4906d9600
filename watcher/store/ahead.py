"""What is asked for every survey of a box at a hub, asked with one wait before its turn comes.

Nothing rests on it: what is not asked here is asked when it is needed, and what is asked in vain is
thrown away. What is asked must be what the box's row is locked for: see ``recall``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.facts.identity import BoxId
from watcher.store.book import names_under
from watcher.store.connection import Question, Value
from watcher.store.drive_intake import SPAN
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import floor_to, to_micros


@dataclass(frozen=True, slots=True, kw_only=True)
class Coming:
    """What is known of a survey before the store is asked about its box."""

    survey: str  # its id
    taken_at: datetime
    sender: str
    refused_since: datetime  # since when a second sender counts
    events_since: datetime
    kept: str  # how the names begin of what is remembered for surveys


class AheadPart(Part):
    """Ask ahead."""

    def ask_ahead(self, box: BoxId, coming: Coming) -> None:
        """Ask all that taking in a survey asks of its box, which this transaction has locked."""
        of_box: dict[str, Value] = {"box": box}
        questions: list[Question] = [
            (statements("hub")["survey-known"], {"survey": coming.survey}),
            (statements("hub")["one-sender"], of_box | {"sender": coming.sender}),
            (
                statements("hub")["refused-sender"],
                of_box | {"since": to_micros(coming.refused_since)},
            ),
            (
                statements("questions")["events-since"],
                of_box | {"since": to_micros(coming.events_since)},
            ),
            (statements("intake")["metric-numbers"], {}),
            (statements("book")["kept-under"], of_box | names_under(coming.kept)),
        ]
        questions += [
            (statements(file)[name], of_box)
            for file, name in (
                ("questions", "drives-of-box"),
                ("floor", "one-box-seen"),
                ("questions", "pools-of-box"),
                ("intake", "last-pool-changes"),
                ("readiness", "told-by-box"),
                ("readiness", "last-answer"),
                ("book", "load-book"),
                ("recoveries", "open-recoveries"),
            )
        ]
        if self.db.is_far:  # to join a span costs a server twice as much as to begin one
            span = floor_to(to_micros(coming.taken_at), SPAN)
            questions.append((statements("intake")["spans-begun"], of_box | {"at": span}))
        self.db.ask_ahead(questions)
