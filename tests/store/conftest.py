"""The promises of the store are held on each of its grounds: SQLite and PostgreSQL."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.store.cluster import Shelf
from tests.store.made import NOW
from watcher.store.database import Store, open_memory

Anew = Callable[[], Store]


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
