"""The promises of the store are held on each of its grounds: SQLite and PostgreSQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.store.cluster import Cluster
from tests.store.made import NOW
from watcher.store.database import Store, open_memory

Anew = Callable[[], Store]


class Shelf:
    """Stores on a server, kept open and emptied for each test: making one takes a while."""

    def __init__(self, cluster: Cluster) -> None:
        self._cluster = cluster
        self._stores: list[Store] = []
        self.given = 0

    def anew(self) -> Store:
        from watcher.store.postgres import open_server  # noqa: PLC0415 - an extra

        if self.given == len(self._stores):
            self._stores.append(open_server(self._cluster.new_database(), now=NOW))
        store = self._stores[self.given]
        self.given += 1
        with store.transaction() as tx:
            tables = [row["name"] for row in tx.db.rows(tx.db.dialect.tables)]
            ours = ", ".join(name for name in tables if name != "schema_step")
            tx.db.change(f"TRUNCATE {ours} RESTART IDENTITY")
        return store

    def close(self) -> None:
        for store in self._stores:
            store.close()


@pytest.fixture(scope="session")
def shelf(cluster: Cluster) -> Iterator[Shelf]:
    found = Shelf(cluster)
    yield found
    found.close()


@pytest.fixture(params=["sqlite", "postgres"])
def anew(request: pytest.FixtureRequest) -> Anew:
    """Gives empty stores."""
    if request.param == "sqlite":
        return lambda: open_memory(now=NOW)
    shelf: Shelf = request.getfixturevalue("shelf")
    shelf.given = 0
    return shelf.anew


@pytest.fixture
def store(anew: Anew) -> Store:
    """One empty store."""
    return anew()
