"""What tests of several folders share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.store.cluster import Cluster, Shelf, running_cluster


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL server of our own; skips where there can be none."""
    with running_cluster() as found:
        yield found


@pytest.fixture(scope="session")
def shelf(cluster: Cluster) -> Iterator[Shelf]:
    found = Shelf(cluster)
    yield found
    found.close()
