"""Several statements at once come to the same as one after the other, also when the line breaks."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress

import pytest

from tests.lab.receivers import wait_until
from tests.store.cluster import Cluster
from tests.store.made import BOX, NOW
from tests.store.rounds import one_round, rounds_done
from watcher.store.connection import Db, Question, Values
from watcher.store.database import Standing, Store
from watcher.store.dialect import POSTGRES
from watcher.store.errors import StoreAway, StoreError, StoreRaced
from watcher.store.statements import statements

psycopg = pytest.importorskip("psycopg", reason="needs psycopg: the extra [postgres]")

from watcher.store.pipeline import run_together  # noqa: E402 - after what may skip
from watcher.store.postgres import (  # noqa: E402
    MOST_WAITING,
    PostgresConnection,
    Result,
    open_server,
)
from watcher.store.prepared import Prepared  # noqa: E402

ENDURANCE_SECONDS = 60
MOST_TRIPS = 500
KEEP = statements("book")["keep"]


@pytest.fixture
def url(cluster: Cluster) -> str:
    """An empty database."""
    return cluster.emptied()


@pytest.fixture
def line(url: str) -> Iterator[psycopg.pq.abc.PGconn]:
    with psycopg.connect(url, autocommit=True) as connection:
        yield connection.pgconn


Batch = list[tuple[Prepared, Values]]


def ready(line: psycopg.pq.abc.PGconn, sql: str, *values: Values) -> Batch:
    """A statement, once for each of some values."""
    statement = Prepared(line, sql, sql, values[0])
    return [(statement, one) for one in values]


def kept(name: str, text: str = "here") -> Values:
    return {"box": BOX, "name": name, "text": text}


def within(work: Callable[[], object]) -> bool:
    """Tell whether a work comes to its end."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(ENDURANCE_SECONDS)
    return not thread.is_alive()


def test_each_gives_its_answer_in_its_turn(line: psycopg.pq.abc.PGconn) -> None:
    batch = ready(line, "SELECT :n::int * 2 AS n", *({"n": n} for n in range(50)))
    answers = [
        s.read(r).fetchone()["n"]
        for (s, _), r in zip(batch, run_together(line, batch), strict=True)
    ]
    assert answers == [2 * n for n in range(50)]
    assert batch[0][0].read(batch[0][0].run(line, {"n": 4})).fetchone()["n"] == 8


def test_none_after_one_that_failed_is_run(line: psycopg.pq.abc.PGconn) -> None:
    line.exec_(b"CREATE TEMPORARY TABLE odd (n int)")
    line.exec_(b"BEGIN")
    batch = ready(line, "INSERT INTO odd VALUES (1 / :n::int)", {"n": 1}, {"n": 0}, {"n": 1})
    first, second, third = run_together(line, batch)
    statement = batch[0][0]
    assert statement.read(first).rowcount == 1
    with pytest.raises(psycopg.errors.DivisionByZero):
        statement.read(second)
    with pytest.raises(psycopg.Error):
        statement.read(third)


def test_much_in_both_directions_at_once_never_waits_for_ever(
    line: psycopg.pq.abc.PGconn,
) -> None:
    """Each end would wait for the other to read, if neither read while it writes."""
    text = "x" * 3_000_000
    batch = ready(line, "SELECT :t::text AS t", *[{"t": text}] * 5)
    found: list[int] = []

    def work() -> None:
        results = run_together(line, batch)
        found.extend(len(batch[0][0].read(r).fetchone()["t"]) for r in results)

    assert within(work)
    assert found == [len(text)] * 5


def test_whoever_waits_for_an_answer_lets_others_work(
    line: psycopg.pq.abc.PGconn, url: str
) -> None:
    with psycopg.connect(url, autocommit=True) as other:
        other.execute("SELECT pg_advisory_lock(7)")
        batch = ready(line, "SELECT pg_advisory_lock(:n)", {"n": 7}, {"n": 7})
        thread = threading.Thread(target=lambda: run_together(line, batch), daemon=True)
        thread.start()
        waits = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted"
        assert wait_until(lambda: other.execute(waits).fetchone() == (1,), ENDURANCE_SECONDS)
        other.execute("SELECT pg_advisory_unlock(7)")
        thread.join(ENDURANCE_SECONDS)
        assert not thread.is_alive()


def test_a_line_that_is_cut_is_an_error_and_never_an_answer(
    line: psycopg.pq.abc.PGconn, url: str
) -> None:
    batch = ready(line, "SELECT :n::int AS n", *[{"n": 1}] * 3)
    with psycopg.connect(url, autocommit=True) as other:
        other.execute("SELECT pg_terminate_backend(%s, 5000)", (line.backend_pid,))
    with pytest.raises(psycopg.Error):
        run_together(line, batch)


def test_what_is_written_waits_for_the_next_question_and_is_heard_by_it(url: str) -> None:
    with open_server(url, now=NOW) as store:
        connection = store._db._connection
        with store.transaction() as tx:
            for number in range(MOST_WAITING + 10):
                tx.keep(BOX, f"{number}", "here")
            assert len(connection._waiting) == 10  # type: ignore[attr-defined]
            assert tx.kept(BOX, f"{MOST_WAITING + 9}") == "here"
            assert connection._waiting == []  # type: ignore[attr-defined]
            tx.keep(BOX, "last", "here")
        with store.snapshot() as tx:
            assert tx.kept(BOX, "last") == "here"


def test_what_waited_when_a_transaction_was_undone_is_never_done(url: str) -> None:
    with open_server(url, now=NOW) as store:
        with suppress(KeyError), store.transaction() as tx:
            tx.keep(BOX, "a", "here")
            raise KeyError
        with store.transaction() as tx:
            assert tx.kept(BOX, "a") is None


def test_what_is_wrong_with_what_waited_is_told_by_the_commit_and_undoes_all(url: str) -> None:
    with open_server(url, now=NOW) as store:
        with pytest.raises(StoreRaced):
            _note_twice(store)
        with store.snapshot() as tx:
            assert tx.kept(BOX, "a") is None


def _note_twice(store: Store) -> None:
    """As another process would that took the same survey in at the same moment."""
    noted: Values = {"survey": "s", "box": BOX, "taken_at": 0, "taken_in_at": 0}
    with store.transaction() as tx:
        tx.keep(BOX, "a", "here")
        for _ in range(2):
            tx.db.write(statements("intake")["note-survey"], noted)


def test_outside_of_a_transaction_nothing_waits(url: str) -> None:
    with open_server(url, now=NOW) as store:
        store._db.write(KEEP, kept("a"))
        assert store._db._connection._waiting == []  # type: ignore[attr-defined]
        with store.snapshot() as tx:
            assert tx.kept(BOX, "a") == "here"


class Cutting(PostgresConnection):
    """A connection that the server ends before or after one of its trips."""

    def __init__(self, url: str, *, after: bool) -> None:
        self.left: int | None = None
        self.hit = False
        self._after = after
        super().__init__(url)

    def _trip(self, go: Callable[[], list]) -> list:  # type: ignore[type-arg]
        if self.left is not None:
            self.left -= 1
        if self.left != 0 or self._open is None:
            return go()
        self.hit = True
        pid = self._open.info.backend_pid
        found = go() if self._after else []
        with psycopg.connect(self._url, autocommit=True) as other:
            other.execute("SELECT pg_terminate_backend(%s, 5000)", (pid,))
        return found if self._after else go()

    def _run(self, more: Sequence[Question]) -> list:  # type: ignore[type-arg]
        return self._trip(lambda: super(Cutting, self)._run(more))

    def _say(self, words: str) -> Result:
        return self._trip(lambda: [super(Cutting, self)._say(words)])[0]  # type: ignore[no-any-return]


@pytest.mark.parametrize("after", [False, True])
def test_a_round_is_done_whole_or_not_at_all_wherever_the_line_is_cut(
    url: str, *, after: bool
) -> None:
    """Where it is cut after the commit nobody hears that it was done; again, it changes nothing."""
    open_server(url, now=NOW).close()
    connection = Cutting(url, after=after)
    store = Store(Db(connection, connection.where, POSTGRES), path=None, standing=Standing())
    one_round(store, 1)
    done, hits = 1, 0
    for number in range(1, MOST_TRIPS):
        connection.left, connection.hit = number, False
        try:
            one_round(store, done + 1)
        except StoreAway:
            hits += 1
        except StoreError as error:
            raise AssertionError(f"trip {number}: {error!r}") from error
        connection.left = None
        found = rounds_done(store)
        assert found in {done, done + 1}
        one_round(store, done + 1)
        done += 1
        assert rounds_done(store) == done
        if not connection.hit:
            break
    else:
        raise AssertionError("the cuts never came to an end")
    assert hits > 5
    store.close()
