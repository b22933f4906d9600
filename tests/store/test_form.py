"""A store whose tables are not those of its form is met at opening, told, and saved."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.store.made import BOX, NOW
from tests.store.test_migrate import make_version
from tests.store.test_salvage import CASES, usable
from tests.store.test_salvage import make as make_slowly
from watcher.store.connection import Db, open_db
from watcher.store.database import open_store
from watcher.store.errors import StoreDamaged, StoreForeign, StoreReadOnly, StoreTooNew
from watcher.store.form import check_form, faults_of, shape_at
from watcher.store.migrate import steps
from watcher.store.only_look import open_to_look
from watcher.store.salvage import Rescue


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a store with something in it, to be copied."""
    path = tmp_path_factory.mktemp("form") / "made.db"
    make_slowly(path)
    return path


@pytest.fixture
def path(tmp_path: Path, made: Path) -> Path:
    """Give a store of one's own with something in it."""
    return Path(shutil.copy(made, tmp_path / "m.db"))


def by_hand(path: Path, *statements: str) -> None:
    """Change a store as somebody with the database's own program would."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)


def rescued(path: Path) -> Rescue:
    """Open the store as the watch does, which must rescue it, once; then it can be used."""
    with pytest.raises(StoreDamaged, match=r"restart the watch|record of its form"):
        open_store(path, now=NOW, check=False).close()
    with open_store(path, now=NOW) as store:
        rescue = store.rescue
        assert rescue is not None
        assert rescue.aside.exists()
        with closing(open_db(str(path), "it")) as db:
            check_form(db)
    usable(path)
    assert len(list(path.parent.glob("*.damaged-*Z"))) == 1, "not again at the next opening"
    return rescue


@pytest.mark.parametrize("number", range(1, len(steps()) + 1))
def test_each_version_has_the_form_that_its_steps_make(tmp_path: Path, number: int) -> None:
    """A store made from the SQL alone, as an older version left it, is whole."""
    make_version(tmp_path / "m.db", number)
    with closing(open_db(str(tmp_path / "m.db"), "it")) as db:
        check_form(db)


def test_the_form_knows_all_that_sqlite_says_of_a_store(tmp_path: Path) -> None:
    """Counted by other words: sqlite_master, and the columns of all CREATE TABLE."""
    open_store(tmp_path / "m.db", now=NOW).close()
    shape = shape_at(len(steps()))
    with closing(sqlite3.connect(tmp_path / "m.db")) as connection:
        made = connection.execute("SELECT type, name FROM sqlite_master").fetchall()
        columns = {
            name: len(connection.execute(f"SELECT * FROM {name}").description)  # noqa: S608
            for kind, name in made
            if kind == "table"
        }
    assert {name: len(known) for name, known in shape.tables.items()} == columns
    named = {name for kind, name in made if kind == "index" and not name.startswith("sqlite_")}
    assert set(shape.indexes) == named
    assert shape.packed == {"change", "fresh", "poll", "span"}


WITH_ROWS = {"book", "case_file", "drive", "event", "fresh", "kept", "notice", "pool", "record"}
TABLES = sorted(WITH_ROWS | {"box_gap", "outgoing", "recovery", "schema_step", "signing_key"})


@pytest.mark.parametrize("table", TABLES)
def test_whichever_table_is_dropped_the_others_are_kept(path: Path, table: str) -> None:
    by_hand(path, f"DROP TABLE {table}")
    rescue = rescued(path)
    assert ("record of its form" if table == "schema_step" else table) in rescue.reason
    assert rescue.rows_kept > CASES
    if table != "schema_step":
        assert table in rescue.tables_cut
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert len(tx.load_book(BOX).cases) == (0 if table == "case_file" else CASES)
        assert len(tx.list_notices(BOX, limit=1000)) == (0 if table == "notice" else CASES)


def test_a_table_that_lacks_a_column_is_left_out_and_the_others_are_kept(path: Path) -> None:
    """What was in it is not known, and must not be made up: a client's account sees its boxes."""
    by_hand(
        path,
        "INSERT INTO account VALUES ('ann', 'look', '', '[]', '', '', 0, 0, 0, 'Harbour')",
        "ALTER TABLE account DROP COLUMN client",
        "ALTER TABLE record DROP COLUMN by_whom",
    )
    rescue = rescued(path)
    assert rescue.tables_cut == ("account", "record")
    assert "lacks its column client" in rescue.reason
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert tx.accounts() == ()
        assert len(tx.load_book(BOX).cases) == CASES


@pytest.mark.parametrize(
    ("by_whom", "said"),
    [
        ("CREATE TABLE notes (text TEXT)", "the table notes is not ours"),
        ("ALTER TABLE drive ADD COLUMN colour TEXT", "a column colour that is not ours"),
        ("CREATE VIEW short AS SELECT drive FROM drive", "the view short is not ours"),
        (
            "CREATE TRIGGER quick AFTER INSERT ON notice BEGIN DELETE FROM notice; END",
            "the trigger quick is not ours",
        ),
        ("CREATE VIRTUAL TABLE found USING fts5(words)", "the table found_data is not ours"),
        ("CREATE UNIQUE INDEX once ON notice (notice_key)", "another key (notice_key)"),
    ],
)
def test_nothing_that_is_not_ours_stays_in_a_store(path: Path, by_whom: str, said: str) -> None:
    by_hand(path, by_whom)
    rescue = rescued(path)
    assert said in rescue.reason
    assert rescue.tables_cut == (), "all that is ours was kept"


def test_rows_that_the_form_refuses_are_counted_as_lost(path: Path) -> None:
    """A table that was made anew by hand, without what its form asks for, and holds such rows."""
    by_hand(
        path,
        "CREATE TABLE other AS SELECT * FROM record",
        "DROP TABLE record",
        "ALTER TABLE other RENAME TO record",
        "UPDATE record SET text = NULL WHERE id = 5",
    )
    rescue = rescued(path)
    assert rescue.tables_cut == ("record",)
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert tx.db.one("SELECT count(*) FROM record")[0] == CASES - 1


@pytest.mark.parametrize(
    "record",
    [
        "UPDATE schema_step SET number = -1 WHERE number = (SELECT max(number) FROM schema_step)",
        "DELETE FROM schema_step",
        "DELETE FROM schema_step WHERE number = 3",
        "DELETE FROM schema_step WHERE number > 3",
        "UPDATE schema_step SET name = 'others' WHERE number = 2",
        "ALTER TABLE schema_step RENAME COLUMN number TO version",
    ],
)
def test_a_record_of_the_form_that_is_not_one_of_ours_costs_no_row(path: Path, record: str) -> None:
    """The form is then told by the tables that are there."""
    by_hand(path, record)
    rescue = rescued(path)
    assert rescue.tables_cut == ()
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert len(tx.load_book(BOX).cases) == CASES


@pytest.mark.parametrize(
    "more",
    [
        (),
        ("DROP TABLE drive",),
        ("ALTER TABLE box ADD COLUMN place TEXT",),
        ("CREATE TABLE place (x)",),
        ("DELETE FROM schema_step WHERE number = 2",),
    ],
)
def test_a_store_of_a_newer_version_is_refused_whatever_is_in_it(
    path: Path, more: tuple[str, ...]
) -> None:
    """Never rescued: what is new in it would be lost."""
    later = "INSERT INTO schema_step SELECT max(number) + 1, 'later', 0 FROM schema_step"
    by_hand(path, later, *more)
    before = path.read_bytes()
    for check in (True, False):
        with pytest.raises(StoreTooNew, match="newer version of midwatch"):
            open_store(path, now=NOW, check=check)
    assert path.read_bytes() == before
    assert not list(path.parent.glob("*.damaged*"))


def test_a_database_with_some_names_like_ours_is_somebody_elses(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    by_hand(path, "CREATE TABLE drive (x)", "CREATE TABLE event (x)", "CREATE TABLE letter (x)")
    with pytest.raises(StoreForeign, match="another program"):
        open_store(path, now=NOW)


def indexes(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL "
            "ORDER BY name"
        ).fetchall()


@pytest.mark.parametrize(
    ("by_whom", "said"),
    [
        (("DROP INDEX event_by_time",), "event_by_time was missing and was made again"),
        (("CREATE INDEX mine ON event (what)",), "mine was not ours and was taken away"),
        (
            ("DROP INDEX event_by_time", "CREATE INDEX event_by_time ON event (box)"),
            "event_by_time was missing and was made again",
        ),
        (
            (
                "DROP INDEX event_by_time",
                "CREATE INDEX event_by_time ON event (box, last_at DESC)",
            ),
            "event_by_time was missing and was made again",
        ),
        (('CREATE INDEX "my ""own"" one" ON event (what)',), "taken away"),
    ],
)
def test_an_index_is_put_right_where_it_stands(
    path: Path, by_whom: tuple[str, ...], said: str
) -> None:
    """It holds nothing of its own: nobody need be told, and a command goes on without it."""
    right = indexes(path)
    by_hand(path, *by_whom)
    with open_store(path, now=NOW, check=False) as store:
        assert store.standing.put_right == ""
    with open_store(path, now=NOW) as store:
        assert store.rescue is None
        assert said in store.standing.put_right
        assert "No data was lost" in store.standing.put_right
    assert indexes(path) == right
    with open_store(path, now=NOW) as store:
        assert store.standing.put_right == ""
    usable(path)


def test_a_store_that_is_only_looked_at_must_have_its_form(path: Path) -> None:
    by_hand(path, "DROP TABLE pool")
    with pytest.raises(StoreDamaged, match="the table pool is missing"):
        open_to_look(path, now=NOW, error=StoreReadOnly("read-only"))


def test_an_old_store_with_a_table_gone_is_rescued_in_its_own_form(tmp_path: Path) -> None:
    path = tmp_path / "m.db"
    make_version(path, 5)
    by_hand(
        path,
        "INSERT INTO account VALUES ('ann', 'look', '', '[]', '', '', 0, 0, 0)",
        "DROP TABLE shelf",
    )
    rescue = rescued(path)
    assert rescue.tables_cut == ("shelf",)
    with open_store(path, now=NOW) as store, store.snapshot() as tx:
        assert [account.name for account in tx.accounts()] == ["ann"]


def test_many_faults_are_counted(path: Path) -> None:
    drop: Callable[[str], str] = "DROP TABLE {}".format
    by_hand(path, *map(drop, ("pool", "drive", "event", "record", "survey")))
    assert "and 2 more like that" in rescued(path).reason


def test_a_form_differs_from_every_other() -> None:
    """So the tables alone tell which one it is; and none differs from itself."""
    numbers = range(1, len(steps()) + 1)
    for one in numbers:
        same = [n for n in numbers if not tuple(faults_of(shape_at(one), shape_at(n)))]
        assert same == [one]


def test_the_form_is_seen_as_it_is_at_one_moment(path: Path) -> None:
    """Another process may take a step of its own between two questions."""

    class Slow(sqlite3.Connection):
        """The other process comes after each question."""

        asked = 0

        def execute(self, sql: str, *values: object) -> sqlite3.Cursor:  # type: ignore[override]
            done = super().execute(sql, *values)  # type: ignore[arg-type]
            if "FROM schema_step" in sql:
                self.asked += 1
                by_hand(path, f"CREATE TABLE later_{self.asked} (x)")
            return done

    with closing(sqlite3.connect(path, isolation_level=None, factory=Slow)) as connection:
        connection.row_factory = sqlite3.Row
        check_form(Db(connection, "it"))
        assert connection.asked >= 2
        with pytest.raises(StoreDamaged, match="later_1"):
            check_form(Db(connection, "it"))
