"""A server's store that was changed by hand is told, and left as it is."""

from __future__ import annotations

import pytest

from tests.store.cluster import Cluster
from tests.store.made import BOX, NOW, book, case
from watcher.store.errors import StoreDamaged, StoreTooNew
from watcher.store.form import shape_at
from watcher.store.form_on_server import ON_SERVER
from watcher.store.migrate import steps


@pytest.fixture
def url(cluster: Cluster) -> str:
    """Give the address of a database with a store in it."""
    from watcher.store.postgres import open_server  # noqa: PLC0415 - an extra

    url = cluster.emptied("form")
    with open_server(url, now=NOW) as store, store.transaction() as tx:
        tx.save_book(BOX, book(case(1)))
    return url


def by_hand(url: str, *statements: str) -> None:
    """Change it as its owner can."""
    import psycopg  # noqa: PLC0415 - an extra

    with psycopg.connect(url, autocommit=True) as connection:
        for statement in statements:
            connection.execute(statement)


def opened(url: str) -> None:
    """Open it, which looks at its form; what was in it is there."""
    from watcher.store.postgres import open_server  # noqa: PLC0415 - an extra

    with open_server(url, now=NOW) as store, store.snapshot() as tx:
        assert tx.load_book(BOX) == book(case(1))


def test_the_types_that_the_steps_use_are_all_known() -> None:
    used = {c.kind for columns in shape_at(len(steps())).tables.values() for c in columns.values()}
    assert used == set(ON_SERVER)


def test_each_fault_is_told_and_nothing_is_touched(url: str) -> None:
    """One server for all of them; each is undone by hand, and then all is well again."""
    quiet = (
        "CREATE FUNCTION quiet() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END';"
        "CREATE TRIGGER quiet BEFORE INSERT ON notice FOR EACH ROW EXECUTE FUNCTION quiet()"
    )
    for wrong, undone, said in (
        ("ALTER TABLE pool RENAME TO pond", "ALTER TABLE pond RENAME TO pool", "pool is missing"),
        (
            "ALTER TABLE drive RENAME bay TO tray",
            "ALTER TABLE drive RENAME tray TO bay",
            "lacks its column bay",
        ),
        (
            "ALTER TABLE drive ADD colour TEXT",
            "ALTER TABLE drive DROP colour",
            "a column colour that is not ours",
        ),
        (
            "ALTER TABLE change ALTER value TYPE INTEGER",
            "ALTER TABLE change ALTER value TYPE BIGINT",
            "another kind of column value",
        ),
        (
            "ALTER TABLE box ALTER last_survey DROP NOT NULL",
            "ALTER TABLE box ALTER last_survey SET NOT NULL",
            "another kind of column last_survey",
        ),
        (
            "ALTER TABLE book DROP CONSTRAINT book_pkey",
            "ALTER TABLE book ADD PRIMARY KEY (box)",
            "book has another key (box)",
        ),
        (
            "DROP INDEX notice_by_due",
            "CREATE INDEX notice_by_due ON notice (state, next_try_at)",
            "make it again: CREATE INDEX notice_by_due ON notice (state, next_try_at);",
        ),
        (
            quiet,
            "DROP TRIGGER quiet ON notice",
            "the trigger quiet on notice is not ours",
        ),
        (
            "UPDATE schema_step SET name = 'others' WHERE number = 2",
            "UPDATE schema_step SET name = 'accounts' WHERE number = 2",
            "the record of its form",
        ),
    ):
        by_hand(url, wrong)
        with pytest.raises(StoreDamaged) as told:
            opened(url)
        assert said in str(told.value)
        assert "restart the watch" not in str(told.value), "there is no rescue on a server"
        by_hand(url, undone)
        opened(url)


def test_what_the_owner_keeps_beside_is_left_alone(url: str) -> None:
    """Tables of extensions, and indexes that an owner adds to make something faster."""
    by_hand(
        url,
        "CREATE TABLE notes (id INTEGER PRIMARY KEY, drive TEXT UNIQUE)",
        "CREATE VIEW short AS SELECT drive FROM drive",
        "CREATE INDEX mine ON event (what)",
    )
    opened(url)


def test_a_store_without_its_record_is_damaged_and_not_begun_anew(url: str) -> None:
    by_hand(url, "DROP TABLE schema_step")
    with pytest.raises(StoreDamaged, match="the record of its form is missing"):
        opened(url)


def test_a_newer_store_is_refused_as_such_whatever_is_in_it(url: str) -> None:
    later = "INSERT INTO schema_step SELECT max(number) + 1, 'later', 0 FROM schema_step"
    by_hand(url, later, "ALTER TABLE drive ADD colour TEXT")
    with pytest.raises(StoreTooNew, match="newer version of midwatch"):
        opened(url)
