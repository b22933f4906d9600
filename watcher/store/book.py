"""The case book of a box, its archive, and the written history of its cases."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from watcher.cases.effects import Record
from watcher.cases.observations import Observation
from watcher.cases.state import BOOK_FORMAT, Book, Case
from watcher.facts.identity import BoxId
from watcher.store.codec import BOOK, CASE, OBSERVATION, clean, making_sense, squeeze, unsqueeze
from watcher.store.connection import Values
from watcher.store.errors import StoreTooNew
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, to_micros, to_micros_or_none


class BookPart(Part):
    """Load and save the book; read and write the history of cases."""

    def load_book(self, box: BoxId) -> Book:
        """Give the book of a box as it was saved last, an empty one when there is none.

        Raises StoreDamaged when a row does not make sense, StoreTooNew for a newer format. Where
        the book's own row was lost and its cases were saved, their numbers go on.
        """
        known = self.books.get(box)
        if known is None:
            known = self._read_book(box)
            self.books[box] = known
        return known

    def _read_book(self, box: BoxId) -> Book:
        states, rest = self._book_states(box)
        cases = tuple(CASE.read(state, f"case {number}") for number, state in states.items())
        if rest is None:
            sql = statements("book")
            last = self.db.one(sql["last-case-number"], {"box": box})["number"] or 0
            return Book(box=box, cases=cases, next_case=last + 1, next_mark=last + 1)
        book = BOOK.read(rest, f"the case book of {box}")
        if book.format > BOOK_FORMAT:
            raise StoreTooNew(
                f"the case book of {box} was written by a newer version of midwatch (its format "
                f"is {book.format}, this version knows up to {BOOK_FORMAT}): update midwatch"
            )
        return replace(book, cases=cases)

    def _book_states(self, box: BoxId) -> tuple[dict[int, str], str | None]:
        """Give how a book was saved: its cases by their numbers, and the rest where it is known."""
        rows = self.db.once(statements("book")["load-book"], {"box": box})
        states = {row["number"]: row["state"] for row in rows if row["is_case"]}
        return states, next((row["state"] for row in rows if not row["is_case"]), None)

    def save_book(self, box: BoxId, book: Book) -> None:
        """Write what changed of a book. Cases that left it go to the archive."""
        if book.box != box:
            raise ValueError(f"the book of {book.box} is not that of {box}")
        sql = statements("book")
        self.books.pop(box, None)
        before, rest = self._book_states(box)
        changed: list[Values] = []
        for case in book.cases:
            state = CASE.write(case)
            was = before.pop(case.number, None)
            if was != state:
                if was is None or _lasting(was) != _lasting(state):
                    self.told_or_said()
                changed.append(_case_row(box, case, state))
        self.db.change_many(sql["save-case"], changed)
        gone: list[Values] = [{"box": box, "number": number} for number in before]
        self.db.change_many(sql["archive-case"], gone)
        state = BOOK.write(replace(book, cases=()))
        if rest != state:
            if rest is None or _lasting(rest) != _lasting(state):
                self.told_or_said()
            self.db.write(sql["save-book"], {"box": box, "state": state})

    def case(self, box: BoxId, number: int) -> Case | None:
        """Give a case from the book or the archive, or None."""
        row = self.db.one(statements("book")["one-case"], {"box": box, "number": number})
        return None if row is None else CASE.read(row["state"], f"case {number}")

    def list_cases(
        self, box: BoxId, *, open_only: bool = False, limit: int = 100
    ) -> tuple[Case, ...]:
        """Give cases from book and archive, at most ``limit``: the open ones first, newest first.

        However many have come since, one that is still open is not left out for those that are
        over.
        """
        sql = statements("book")["list-cases"]
        rows = self.db.rows(sql, {"box": box, "is_open": 1, "limit": limit})
        if not open_only and len(rows) < limit:
            left = limit - len(rows)
            rows = [*rows, *self.db.rows(sql, {"box": box, "is_open": 0, "limit": left})]
        return tuple(CASE.read(row["state"], "a case") for row in rows)

    def add_records(self, box: BoxId, records: Iterable[Record]) -> None:
        """Write lines into the history, in the order given."""
        rows: list[Values] = [
            {
                "box": box,
                "case_number": record.case,
                "at": to_micros(record.at),
                "what": clean(record.what),
                "by_whom": clean(record.by),
                "text": clean(record.text),
            }
            for record in records
        ]
        if rows:
            self.told_or_said()
            self.db.change_many(statements("book")["add-record"], rows)

    def records(self, box: BoxId, case: int) -> tuple[Record, ...]:
        """Give the history of one case (0: of the box itself), oldest first."""
        rows = self.db.rows(
            statements("book")["records-of-case"], {"box": box, "case_number": case}
        )
        return tuple(record_of(row) for row in rows)

    def add_observation(self, box: BoxId, now: datetime, observation: Observation) -> None:
        """Keep what the case side was told, so that the book can be folded again (14 days)."""
        self.db.write(
            statements("book")["add-observation"],
            {
                "box": box,
                "at": to_micros(now),
                "body": squeeze(OBSERVATION.write(observation)),
            },
        )

    def observations(self, box: BoxId, since: datetime) -> tuple[tuple[datetime, Observation], ...]:
        """Give what the case side was told since a moment, in that order."""
        rows = self.db.rows(
            statements("book")["observations"], {"box": box, "since": to_micros(since)}
        )
        return tuple(
            (
                from_micros(row["at"]),
                OBSERVATION.read(unsqueeze(row["body"], "an observation"), "an observation"),
            )
            for row in rows
        )

    def keep(self, box: BoxId, name: str, text: str) -> None:
        """Remember a text under a name, instead of what was there."""
        self.db.write(statements("book")["keep"], {"box": box, "name": name, "text": clean(text)})

    def forget(self, box: BoxId, name: str) -> None:
        """Remember nothing under a name any more."""
        self.db.write(statements("book")["forget"], {"box": box, "name": name})

    def kept(self, box: BoxId, name: str) -> str | None:
        """Give the text remembered under a name, or None."""
        row = self.db.one(statements("book")["kept"], {"box": box, "name": name})
        return None if row is None else str(row["text"])

    def kept_under(self, box: BoxId, first: str) -> Mapping[str, str]:
        """Give all texts remembered under names that begin alike, by name."""
        values: Values = {"box": box, **names_under(first)}
        rows = self.db.once(statements("book")["kept-under"], values)
        return {row["name"]: str(row["text"]) for row in rows}


def names_under(first: str) -> dict[str, str]:
    """Give between which two names all lie that begin alike."""
    return {"first": first, "beyond": f"{first[:-1]}{chr(ord(first[-1]) + 1)}"}


def _case_row(box: BoxId, case: Case, state: str) -> Values:
    """Give a case as a row."""
    return {
        "box": box,
        "number": case.number,
        "is_open": int(case.is_open),
        "urgency": case.urgency.value,
        "label": clean(case.label),
        "opened_at": to_micros(case.opened_at),
        "closed_at": to_micros_or_none(case.closed_at),
        "state": state,
    }


_PASSING = re.compile(
    r'"(?:last_survey_at|decided_at|seen_at|observed_at)":(?:"[0-9TZ:.+-]*"|null)'
)


def _lasting(state: str) -> str:
    """Give what a case or a book says but for the moments that move with each survey.

    Those need not reach the disk at once: a survey comes again. Everything else is what people
    were told or said.
    """
    return _PASSING.sub("", state)


def record_of(row: Any) -> Record:  # noqa: ANN401 - a row
    """Make a line of the history from its row."""
    with making_sense("a record"):
        return Record(
            case=int(row["case_number"]),
            at=from_micros(row["at"]),
            what=row["what"],
            by=row["by_whom"],
            text=row["text"],
        )
