import re
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.store.cluster import Shelf
from tests.store.made import BOX, NOW
from watcher.store.database import Store, open_memory
from watcher.store.many_rows import at_once, shape_of
from watcher.store.statements import statements
from watcher.store.travel import packed

INTAKE = statements("intake")
SPANS = INTAKE["add-to-span"]


def span(at: int, value: int = 1) -> dict[str, Any]:
    return {"at": at, "drive": 1, "metric": 1, "value": value}


def test_an_insert_of_many_rows_reads_them_from_arrays() -> None:
    sql = "INSERT INTO t (a, b, c) VALUES (:a, :b, 0) ON CONFLICT (a) DO UPDATE SET b = :b % 2"
    text, values = at_once(sql, [{"a": 1, "b": "x"}, {"a": 2, "b": None}]) or ("", {})
    assert " ".join(text.split()) == (
        "INSERT INTO t (a, b, c) SELECT v_a, v_b, 0"
        " FROM unnest(:a::bigint[], :b::text[]) AS given (v_a, v_b)"
        " WHERE true ON CONFLICT (a) DO UPDATE SET b = v_b % 2"
    )
    assert values == {"a": packed([1, 2], "bigint"), "b": packed(["x", None], "text")}


def test_an_update_of_many_rows_finds_each_by_its_key_and_a_value_nobody_has_is_null() -> None:
    sql = "UPDATE t SET b = coalesce(:b, b), c = :c WHERE id = :id"
    text, values = at_once(
        sql, [{"id": 1, "b": None, "c": 0.5}, {"id": 2, "b": None, "c": 1.5}]
    ) or ("", {})
    assert text == (
        "UPDATE t SET b = coalesce(NULL, b), c = v_c"
        " FROM unnest(:c::double precision[], :id::bigint[]) AS given (v_c, v_id)"
        " WHERE id = v_id"
    )
    assert values == {"id": packed([1, 2], "bigint"), "c": packed([0.5, 1.5], "double precision")}


def test_an_insert_that_joins_nothing_may_name_its_key_in_a_comment() -> None:
    sql = "INSERT INTO t (a, b) VALUES (:a, :b) /*key: a*/"
    text, _ = at_once(sql, [{"a": 1, "b": 2}, {"a": 2, "b": 3}]) or ("", {})
    assert text.split(" FROM ")[0] == "INSERT INTO t (a, b) SELECT v_a, v_b"
    assert at_once(sql, [{"a": 1, "b": 2}, {"a": 1, "b": 3}]) is None


@pytest.mark.parametrize(
    "sql",
    [
        "INSERT INTO t (a) VALUES (:a)",  # rows without a key stay in their order
        "INSERT INTO t (a) VALUES (0) ON CONFLICT (a) DO UPDATE SET b = :b",
        "UPDATE t SET a = :a WHERE id = :id AND b < :b",
        "DELETE FROM t WHERE id = :id",
        "SELECT :a",
    ],
)
def test_what_would_not_come_to_the_same_is_left_to_be_run_row_by_row(sql: str) -> None:
    assert shape_of(sql) is None
    assert at_once(sql, [{"a": 1, "b": 1, "id": 1}]) is None


def test_rows_that_meet_each_other_are_run_one_after_the_other() -> None:
    assert at_once(SPANS, [span(1), span(2)]) is not None
    assert at_once(SPANS, [span(1), span(2), span(1)]) is None


def test_values_of_several_kinds_are_left_alone() -> None:
    assert (
        at_once("UPDATE t SET a = :a WHERE id = :id", [{"a": 1, "id": 1}, {"a": "x", "id": 2}])
        is None
    )


def test_all_that_a_survey_writes_for_each_drive_is_written_at_once() -> None:
    for name in ("count-poll", "begin-span", "add-to-span", "add-change", "drive-read"):
        assert shape_of(INTAKE[name]) is not None, name


VALUES = st.lists(st.tuples(st.integers(0, 6), st.integers(-(2**62), 2**62)), max_size=12)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(VALUES, VALUES)
def test_many_rows_at_once_come_to_the_same_as_one_after_the_other_in_sqlite(
    shelf: Shelf, first: list[tuple[int, int]], second: list[tuple[int, int]]
) -> None:
    shelf.given = 0
    found = []
    for store in (open_memory(now=NOW), shelf.anew()):
        for batch in (first, second):
            _write(store, batch)
        with store.snapshot() as tx:
            found.append(
                [tuple(dict(r).values()) for r in tx.db.rows("SELECT * FROM fresh ORDER BY at")]
            )
    assert found[0] == found[1]


def _write(store: Store, batch: list[tuple[int, int]]) -> None:
    with store.transaction() as tx:
        tx.db.change_many(SPANS, [span(at, value) for at, value in batch])


def test_texts_with_every_odd_sign_arrive_as_they_were(store: Store) -> None:
    odd = ["{", "}", '"', "\\", ",", "NULL", "", "ä\n\t'", "%s %(a)s"]
    sql = statements("book")["keep"]
    with store.transaction() as tx:
        tx.db.change_many(sql, [{"box": BOX, "name": f"{n}", "text": t} for n, t in enumerate(odd)])
        assert [tx.kept(BOX, f"{n}") for n in range(len(odd))] == odd
    assert re.search("unnest", str(at_once(sql, [{"box": "", "name": "", "text": ""}])))
