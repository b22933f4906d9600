"""Values come back from PostgreSQL as they were, by the types of the tables."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.store.cluster import Shelf
from watcher.store.database import Store
from watcher.store.errors import StoreError

pytest.importorskip("psycopg", reason="needs psycopg: the extra [postgres]")

from watcher.store.prepared import Row

TEXT = st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), max_size=20)
NUMBER = st.integers(-(2**63), 2**63 - 1)
MADE = "CREATE TEMPORARY TABLE odd (t text, n bigint, b bytea, f double precision)"


@pytest.fixture
def server(shelf: Shelf) -> Store:
    shelf.given = 0
    return shelf.anew()


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(
        st.tuples(
            st.none() | TEXT,
            st.none() | NUMBER,
            st.none() | st.binary(max_size=20),
            st.none() | st.floats(allow_nan=False),
        ),
        max_size=4,
    )
)
def test_every_value_comes_back_as_it_was(
    server: Store, rows: list[tuple[str | None, int | None, bytes | None, float | None]]
) -> None:
    with server.snapshot() as tx:
        tx.db.change(MADE)
        for t, n, b, f in rows:
            values = {"t": t, "n": n, "b": b, "f": f}
            assert tx.db.change("INSERT INTO odd VALUES (:t, :n, :b, :f)", values) == 1
        found = tx.db.rows("SELECT * FROM odd")
    assert [tuple(row.values()) for row in found] == rows


def test_numbers_of_the_server_are_numbers_of_ours(server: Store) -> None:
    with server.snapshot() as tx:
        row = tx.db.one(
            "SELECT 1::int AS a, -2::bigint AS b, sum(-3::bigint) AS c, 1.5::numeric AS d, "
            "true AS e"
        )
    assert dict(row) == {"a": 1, "b": -2, "c": -3, "d": 1.5, "e": True}
    assert [type(value) for value in row.values()] == [int, int, int, float, bool]


def test_a_row_is_asked_by_name_and_by_place() -> None:
    row = Row(a=1, b=None)
    assert (row["a"], row[0], row["b"], row[1]) == (1, 1, None, None)
    with pytest.raises(KeyError):
        row["c"]


def test_a_statement_that_failed_works_when_it_can(server: Store) -> None:
    with pytest.raises(StoreError, match="odd"), server.transaction() as tx:
        tx.db.rows("SELECT * FROM odd")
    with server.snapshot() as tx:
        tx.db.change(MADE)
        assert tx.db.rows("SELECT * FROM odd") == []
