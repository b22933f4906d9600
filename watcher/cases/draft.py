"""The book while one decision is being made: the only mutable thing in the core, and local."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from watcher.cases.effects import Effect, Record, Refuse
from watcher.cases.policy import Policy
from watcher.cases.state import Book, BrokenInvariant, Case, LastTold


def _of_today(case: Case) -> Case:
    """Give a case of the first version as it is kept today.

    That version wrote down who was told and not when; who was told must hear the all-clear.
    """
    if not case.told or case.told_at is not None or case.last_told:
        return case
    last = tuple(LastTold(person=person, at=case.opened_at) for person in case.told)
    return replace(case, told_at=case.opened_at, last_told=last)


class Draft:
    """Collects changes to a book and the effects that go with them."""

    def __init__(self, book: Book, policy: Policy, now: datetime) -> None:
        """Begin with the book as it stands."""
        self.book = book  # all but its cases
        self.cases = {case.number: _of_today(case) for case in book.cases}
        self.policy = policy
        self.now = now
        self.effects: list[Effect] = []

    def put_case(self, case: Case) -> Case:
        """Write a case into the book in place of the one with its number, or add it."""
        self.cases[case.number] = case
        return case

    def case(self, number: int) -> Case:
        """Give a case that must be there."""
        case = self.cases.get(number)
        if case is None:
            raise BrokenInvariant(f"case {number} left the book during a decision")
        return case

    def open_cases(self) -> tuple[Case, ...]:
        """Give the cases that are not closed, in the order of their numbers."""
        return tuple(self.cases[n] for n in sorted(self.cases) if self.cases[n].is_open)

    def sealed(self) -> Book:
        """Give the book with the cases as they are now."""
        return replace(self.book, cases=tuple(self.cases[n] for n in sorted(self.cases)))

    def record(self, case: int, what: str, *, by: str = "", text: str = "") -> None:
        """Add a line to the record of a case."""
        self.effects.append(Record(case=case, at=self.now, what=what, by=by, text=text))

    def refuse(self, reason: str) -> None:
        """Answer a person that nothing was done, and why."""
        self.effects.append(Refuse(reason=reason))
