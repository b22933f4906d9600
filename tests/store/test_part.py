from contextlib import suppress

import pytest

from watcher.store.database import Store
from watcher.store.part import Part


def test_a_metric_keeps_its_number(store: Store) -> None:
    with store.transaction() as tx:
        first, second = tx.metric_number("pending-sectors"), tx.metric_number("media-errors")
        assert first != second
        assert tx.metric_number("pending-sectors") == first
    with store.transaction() as tx:
        assert tx.metric_numbers() == {"pending-sectors": first, "media-errors": second}


def test_a_number_that_was_undone_is_not_remembered(store: Store) -> None:
    with suppress(KeyError), store.transaction() as tx:
        tx.metric_number("pending-sectors")
        raise KeyError
    with store.transaction() as tx:
        assert tx.metric_numbers() == {}
        number = tx.metric_number("media-errors")
        assert tx.metric_numbers() == {"media-errors": number}


def test_nothing_must_reach_the_disk_until_somebody_says_so(store: Store) -> None:
    with store.transaction() as tx:
        assert not tx.must_reach_disk
        tx.told_or_said()
        assert tx.must_reach_disk


def test_a_part_that_ended_gives_no_connection(store: Store) -> None:
    part = Part(store._db)
    part.end()
    with pytest.raises(RuntimeError, match="over"):
        _ = part.db
