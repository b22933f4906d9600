"""A disk is asked for a proof, and not waited for without end."""

from __future__ import annotations

import threading

import pytest

from tests.lab.receivers import wait_until
from watcher.service.disk_proof import DiskProof
from watcher.store.errors import StoreDiskFails, StoreFull


def full() -> None:
    raise StoreFull("no room")


def test_what_is_wrong_is_raised_where_it_was_asked() -> None:
    proof, asked = DiskProof(), []
    proof.ask(lambda: asked.append(1), "the store")
    assert asked == [1]

    def late() -> None:
        raise TimeoutError("by the system")  # ETIMEDOUT, from a server's disk

    with pytest.raises(StoreFull, match="no room"):
        proof.ask(full, "the store")
    with pytest.raises(TimeoutError, match="by the system"):
        proof.ask(late, "the store")
    assert not proof.stands_still


def test_one_that_does_not_answer_is_not_asked_again_until_it_does() -> None:
    proof, go, asked = DiskProof(0.2), threading.Event(), []

    def stands_still() -> None:
        asked.append("still")
        go.wait(60)

    for _ in range(3):
        with pytest.raises(StoreDiskFails, match="the store s does not answer"):
            proof.ask(stands_still, "the store s")
        assert proof.stands_still
    assert asked == ["still"]
    go.set()
    assert wait_until(lambda: not proof.stands_still, 10)
    with pytest.raises(StoreFull):
        proof.ask(full, "the store s")
