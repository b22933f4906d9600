"""Values arrive at PostgreSQL as they left."""

from __future__ import annotations

from struct import pack

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.store.cluster import Shelf
from tests.store.test_prepared import NUMBER, TEXT
from watcher.store.travel import Packed, packed, written


def test_a_sign_that_the_server_cannot_hold_becomes_a_mark_and_hides_nothing_behind_it() -> None:
    """libpq would end a text at its first NUL."""
    assert written("a\0b") == "a\ufffdb".encode()
    assert written(b"a\0b") == b"a\0b"
    assert packed(["a\0b"], "text").endswith("a\ufffdb".encode())


def test_a_column_travels_as_an_array_of_one_dimension() -> None:
    """As PostgreSQL's array_recv reads it: dimensions, whether there are NULLs, the type's id
    (bigint 20, text 25 in pg_type.dat), how many, from which number on; each value after its
    length, -1 for NULL."""
    assert packed([7, None], "bigint") == pack("!5i iq i", 1, 1, 20, 2, 1, 8, 7, -1)
    assert packed(["ä", ""], "text") == pack("!5i i2s i", 1, 0, 25, 2, 1, 2, "ä".encode(), 0)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(st.none() | NUMBER, min_size=1, max_size=6),
    st.lists(st.none() | TEXT, min_size=1, max_size=6),
    st.lists(st.none() | st.floats(allow_nan=False), min_size=1, max_size=6),
)
def test_the_server_reads_every_array_as_it_was(
    shelf: Shelf,
    numbers: list[int | None],
    texts: list[str | None],
    fractions: list[float | None],
) -> None:
    shelf.given = 0
    columns = (("bigint", numbers), ("text", texts), ("double precision", fractions))
    with shelf.anew().snapshot() as tx:
        for kind, column in columns:
            sql = f"SELECT * FROM unnest(:a::{kind}[]) AS given (a)"  # noqa: S608 - a type
            rows = tx.db.rows(sql, {"a": packed(column, kind)})
            assert [row["a"] for row in rows] == column


@pytest.mark.parametrize("value", [7, 0.5, "x", b"x", None])
def test_only_bytes_travel_as_they_are(value: float | str | bytes | None) -> None:
    found = written(value)
    assert (
        found is value
        if value is None or isinstance(value, bytes)
        else found == str(value).encode()
    )
    assert written(Packed(b"x")) == b"x"
