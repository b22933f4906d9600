"""Whole rounds of the desk, and the question whether any is in a store in part."""

from __future__ import annotations

from tests.store.made import BOX, HOUR, NOW, book, case, event, notice, pool, reading, survey
from watcher.cases.effects import Record
from watcher.store.database import Store


def one_round(store: Store, number: int) -> None:
    """What the desk does with a survey: history, case, record and message in one transaction."""
    at = NOW + number * HOUR
    with store.transaction() as tx:
        seen = survey(
            f"s{number}",
            at,
            drives=(reading(1, at, pending_sectors=number, temperature_celsius=30, raw="{}"),),
            pools=(pool(at, lost=number % 2),),
            events=(event(at),),
        )
        if not tx.take_survey(seen, at):
            return
        held = tx.load_book(BOX)
        tx.save_book(BOX, book(*held.cases, case(number), next_case=number + 1))
        tx.add_records(BOX, [Record(case=number, at=at, what="opened")])
        tx.put_notices([notice(f"{number}/opened", at=at)])
        tx.roll_up(at)


def rounds_done(store: Store) -> int:
    """How many rounds are in the store; fails when one is there in part."""
    with store.snapshot() as tx:
        cases = {c.number for c in tx.load_book(BOX).cases}
        told = {int(n.key.split("/")[0]) for n in tx.list_notices(BOX, limit=9999)}
        written = {row[0] for row in tx.db.rows("SELECT case_number FROM record")}
        surveys = {int(row[0][1:]) for row in tx.db.rows("SELECT survey FROM survey")}
        values = {row[0] for row in tx.db.rows("SELECT value FROM change")}
        last = tx.last_survey(BOX)
    assert cases == told == written == surveys == values == set(range(1, len(cases) + 1))
    assert (last is None) == (not cases)
    return len(cases)
