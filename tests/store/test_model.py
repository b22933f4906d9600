"""The store against a dictionary, with reopening and being killed among the steps."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from tests.store.cluster import Shelf
from tests.store.made import BOX, MINUTE, NOW, book, case, drive_id, notice, reading, survey
from watcher.cases.state import Book
from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.store.database import Store, open_memory, open_store
from watcher.store.outbox import NoticeState

KEYS = st.sampled_from([f"{number}/told" for number in range(6)])
TARGETS = st.sampled_from(["phone", "mail"])
STALE = 5 * MINUTE


class StoreModel(RuleBasedStateMachine):
    """Book, outbox and one counter, as plain dictionaries."""

    on_disk = True

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="store-model-"))
        self.path = self.folder / "m.db"
        self.now = NOW
        self.store = self.make_store()
        self.killed: list[Store] = []
        self.book = Book(box=BOX)
        self.archive: dict[int, object] = {}
        self.notices: dict[tuple[str, str], dict[str, object]] = {}
        self.values: list[int] = []
        self.surveys: set[str] = set()

    def make_store(self) -> Store:
        return open_store(self.path, now=NOW) if self.on_disk else open_memory(now=NOW)

    def close_stores(self) -> None:
        for store in [*self.killed, self.store]:
            store.close()

    def teardown(self) -> None:
        self.close_stores()
        shutil.rmtree(self.folder)

    @rule(minutes=st.integers(1, 20))
    def time_passes(self, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)

    @rule()
    @precondition(lambda self: self.on_disk)
    def close_and_open(self) -> None:
        self.store.close()
        self.store = open_store(self.path, now=self.now)
        assert self.store.rescue is None

    @rule()
    @precondition(lambda self: self.on_disk)
    def killed_in_the_middle(self) -> None:
        """The file and its log as they are on the disk at this moment, and another process."""
        other = self.folder / f"copy{len(self.killed)}.db"
        with self.store.transaction() as tx:
            tx.put_notices([notice("never committed")])
            tx.save_book(BOX, book(case(77)))
            for ending in ("", "-wal"):
                if Path(f"{self.path}{ending}").exists():
                    shutil.copy(f"{self.path}{ending}", f"{other}{ending}")
            tx.db.change("ROLLBACK")
            tx.db.change("BEGIN")
        self.killed.append(self.store)
        self.path = other
        self.store = open_store(self.path, now=self.now)
        assert self.store.rescue is None

    @rule(number=st.integers(1, 5), by=st.sampled_from(["", "ann"]), closed=st.booleans())
    def a_case_changes(self, number: int, by: str, *, closed: bool) -> None:
        kept = tuple(c for c in self.book.cases if c.number != number)
        cases = sorted((*kept, case(number, by=by, closed=closed)), key=lambda c: c.number)
        self._save(replace(self.book, cases=tuple(cases)))

    @rule(number=st.integers(1, 5))
    def a_case_leaves_the_book(self, number: int) -> None:
        self._save(
            replace(self.book, cases=tuple(c for c in self.book.cases if c.number != number))
        )

    def _save(self, changed: Book) -> None:
        with self.store.transaction() as tx:
            assert tx.load_book(BOX) == self.book
            tx.save_book(BOX, changed)
        self.archive |= {c.number: c for c in changed.cases}
        self.book = changed

    @rule(key=KEYS, at=TARGETS, urgency=st.sampled_from(list(Urgency)))
    def something_is_to_be_told(self, key: str, at: str, urgency: Urgency) -> None:
        new = notice(key, at, self.now, urgency)
        with self.store.transaction() as tx:
            assert tx.put_notices([new]) == int((key, at) not in self.notices)
        self.notices.setdefault(
            (key, at), {"state": NoticeState.WAITING, "due": self.now, "urgency": urgency}
        )

    @rule(sender=st.sampled_from(["one", "two"]), limit=st.integers(1, 3))
    def a_sender_takes_what_is_due(self, sender: str, limit: int) -> None:
        due = [
            n
            for n in self.notices.values()
            if n["state"] is NoticeState.WAITING and n["due"] <= self.now  # type: ignore[operator]
        ]
        with self.store.transaction() as tx:
            taken = tx.claim_due(self.now, limit, sender)
        assert len(taken) == min(limit, len(due))
        ranks = [t.urgency.rank for t in taken]
        best = sorted((n["urgency"].rank for n in due), reverse=True)  # type: ignore[attr-defined]
        assert ranks == best[: len(ranks)]
        for t in taken:
            self.notices[t.key, t.target] |= {
                "state": NoticeState.SENDING,
                "by": sender,
                "at": self.now,
                "row": t.number,
            }

    @rule(key=KEYS, at=TARGETS, result=st.sampled_from(["sent", "failed", "given-up"]))
    def a_sender_tells_what_came_of_it(self, key: str, at: str, result: str) -> None:
        known = self.notices.get((key, at))
        if known is None or known["state"] is not NoticeState.SENDING:
            return
        row, by = int(str(known["row"])), str(known["by"])
        later = self.now + MINUTE
        with self.store.transaction() as tx:
            if result == "sent":
                assert tx.mark_sent(row, self.now)
                known["state"] = NoticeState.SENT
            elif result == "failed":
                assert tx.mark_failed(row, by, now=self.now, next_try_at=later, error="no")
                known |= {"state": NoticeState.WAITING, "due": later}
            else:
                assert tx.give_up(row, by, now=self.now, error="no")
                known["state"] = NoticeState.GIVEN_UP

    @rule()
    def stale_claims_are_released(self) -> None:
        stale = [
            n
            for n in self.notices.values()
            if n["state"] is NoticeState.SENDING and n["at"] <= self.now - STALE  # type: ignore[operator]
        ]
        with self.store.transaction() as tx:
            assert tx.release_stale_claims(self.now, STALE) == len(stale)
        for n in stale:
            n |= {"state": NoticeState.WAITING, "due": self.now}

    @rule(value=st.integers(0, 3))
    def a_survey_comes(self, value: int) -> None:
        self.now += MINUTE
        name = f"s{self.now.timestamp()}"
        seen = survey(name, self.now, drives=(reading(1, self.now, pending_sectors=value),))
        with self.store.transaction() as tx:
            assert tx.take_survey(seen, self.now)
        with self.store.transaction() as tx:
            assert not tx.take_survey(seen, self.now)
        if not self.values or self.values[-1] != value:
            self.values.append(value)

    @rule()
    def the_day_is_rolled_up(self) -> None:
        with self.store.transaction() as tx:
            tx.roll_up(self.now)

    @invariant()
    def the_store_says_what_the_dictionaries_say(self) -> None:
        with self.store.snapshot() as tx:
            assert tx.load_book(BOX) == self.book
            assert {c.number: c for c in tx.list_cases(BOX)} == self.archive
            found = {(n.key, n.target): n.state for n in tx.list_notices(BOX)}
            assert found == {key: n["state"] for key, n in self.notices.items()}
            waiting = [n["due"] for n in self.notices.values() if n["state"] is NoticeState.WAITING]
            assert tx.next_due(self.now) == min(waiting, default=None)  # type: ignore[type-var]
            points = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW, self.now)
            assert [p.last for p in points] == self.values


class MemoryModel(StoreModel):
    """The same promises of the store in memory."""

    on_disk = False


def test_the_store_on_a_server_against_a_dictionary(shelf: Shelf) -> None:
    class ServerModel(StoreModel):
        on_disk = False

        def make_store(self) -> Store:
            shelf.given = 0
            return shelf.anew()

        def close_stores(self) -> None:
            """The next one takes it over."""

    few = settings(max_examples=10, stateful_step_count=30, deadline=None)
    run_state_machine_as_test(ServerModel, settings=few)


StoreModel.TestCase.settings = settings(max_examples=25, stateful_step_count=30, deadline=None)
MemoryModel.TestCase.settings = settings(max_examples=15, stateful_step_count=30, deadline=None)
TestStoreAgainstDictionary = StoreModel.TestCase
TestMemoryAgainstDictionary = MemoryModel.TestCase
