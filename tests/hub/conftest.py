"""What the hub promises is held on each ground of its store."""

from __future__ import annotations

import pytest

from tests.hub import stage
from tests.store.cluster import Shelf


@pytest.fixture(params=["sqlite", "postgres"])
def each_ground(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lets ``stage.shop`` stand on a store in memory, and then on one in PostgreSQL."""
    if request.param == "postgres":
        shelf: Shelf = request.getfixturevalue("shelf")
        shelf.given = 0
        monkeypatch.setattr(stage, "new_store", shelf.anew)
